"""The regular grid of UTC time on which everything is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...instants import NS
from ...series import Int


@dataclass(frozen=True)
class Grid:
    """Cells first … first + n − 1 of `step_s` seconds; cell c covers [c·step, (c + 1)·step) since 1970."""

    first: int
    n: int
    step_s: int

    @property
    def step_ns(self) -> int:
        return self.step_s * NS

    def start_ns(self) -> Int:
        """Start of each cell, shape (n,)."""
        return (self.first + np.arange(self.n, dtype=np.int64)) * self.step_ns

    def part(self, cells: slice) -> Grid:
        """The cells of a slice, which may reach beyond the end."""
        begin, end, _ = cells.indices(self.n)
        return Grid(self.first + begin, max(0, end - begin), self.step_s)

    def clip(self, from_ns: int, to_ns: int | None) -> slice:
        """Cells that start in [from, to)."""
        begin = -(-from_ns // self.step_ns) - self.first
        end = self.n if to_ns is None else -(-to_ns // self.step_ns) - self.first
        return slice(min(max(begin, 0), self.n), min(max(end, 0), self.n))
