"""What a rule sees: the cells of several channels side by side, in blocks that fit a processor's cache.

A rule is judged over the grid; its windows reach back before it. A year is looked at channel by
channel, a live minute all channels at once: the same whole numbers either way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from ...model import Channel, Placement, Position, Setup
from ...series import Bool, Float, Int
from ...units import difference_to_canonical
from ..evidence.cells import EVIDENCE, Cells
from ..evidence.grid import Grid
from ..evidence.reduction import in_blocks

T = TypeVar("T")


class Block:
    """Cells of k channels over n cells of the grid; every array of shape (k, n)."""

    def __init__(self, cells: Sequence[Cells], grid: Grid) -> None:
        begin = grid.first - cells[0].grid.first
        self.cells, self.grid, self._part = cells, grid, slice(begin, begin + grid.n)

    def of(self, name: str) -> NDArray[Any]:
        """The arrays of that name of all channels; of one channel alone a view."""
        if len(self.cells) == 1:
            return np.asarray(getattr(self.cells[0], name)[None, self._part])
        return np.stack([getattr(c, name)[self._part] for c in self.cells])

    def per_channel(self, number: Callable[[Channel], float]) -> Float:
        """A number of each channel, shape (k, 1)."""
        return np.array([[number(c.channel)] for c in self.cells])

    def difference(self, value: Float) -> Float:
        """Differences, each in its own channel's unit, in the canonical one."""
        return value * self.per_channel(lambda c: float(difference_to_canonical(1.0, c.unit, c.quantity)))

    def outside(self) -> Bool | None:
        """Where a reading outside its certificate's range takes part, shape (k, n); None: nowhere."""
        return self.of("outside") if any(c.outside[self._part].any() for c in self.cells) else None

    def bounds(self) -> tuple[Float, Float]:
        """The mean of a cell twice, or both bounds of a covered one, which has no reading of its own."""
        mean = self.of("mean")
        has_mean = np.isfinite(mean)
        if has_mean.all():
            return mean, mean
        return np.where(has_mean, mean, self.of("low")), np.where(has_mean, mean, self.of("high"))


@dataclass(frozen=True)
class RuleInput:
    """The evidence of a zone around the grid on which a rule is judged."""

    cells: Mapping[str, Cells]
    setup: Setup
    grid: Grid

    def block(self, keys: Sequence[str], before: int = 0) -> Block:
        """The cells of some channels on the grid and on `before` cells that lead to it."""
        wide = Grid(self.grid.first - before, self.grid.n + before, self.grid.step_s)
        return Block([self.cells[key] for key in keys], wide)

    def in_media(self, keys: Sequence[str], media: Sequence[str]) -> RuleInput:
        """This input where channels stand in the zone only while they stand in one of some media there."""
        changed = {key: self._in_media(self.cells[key], media) for key in keys if self._leaves(key, media)}
        return replace(self, cells={**self.cells, **changed}) if changed else self

    def _placements(self, key: str) -> Iterator[tuple[Placement, Position]]:
        probe = self.cells[key].channel.probe
        for stay in self.setup.placements:
            if stay.probe == probe and stay.position in self.setup.positions:
                yield stay, self.setup.positions[stay.position]

    def _leaves(self, key: str, media: Sequence[str]) -> bool:
        return any(place.medium not in media for _, place in self._placements(key))

    def _in_media(self, cells: Cells, media: Sequence[str]) -> Cells:
        other = np.zeros(cells.grid.n, np.bool_)
        for stay, place in self._placements(cells.channel.key):
            if place.medium not in media:
                other[cells.grid.clip(stay.from_ns, stay.to_ns)] = True
        as_read = cells.as_read and replace(cells.as_read, placed=cells.as_read.placed & ~other)
        return replace(cells, placed=cells.placed & ~other, as_read=as_read)

    def reporting(self, keys: Sequence[str]) -> Int:
        """How many of some channels stand in the zone with a valid or covered value, shape (n,)."""
        return self._count(
            (cells.why[part] == EVIDENCE) & cells.placed[part] for cells, part in self._on_grid(keys)
        )

    def placed(self, keys: Sequence[str]) -> Int:
        """How many of some channels stand in the zone, shape (n,)."""
        return self._count(cells.placed[part] for cells, part in self._on_grid(keys))

    def _count(self, flags: Iterable[Bool]) -> Int:
        """How many of some flags are set in each cell; most of them are in all cells."""
        everywhere, total = 0, np.zeros(self.grid.n, np.int64)
        for flag in flags:
            if flag.all():
                everywhere += 1
            else:
                total += flag
        return total + everywhere

    def _on_grid(self, keys: Sequence[str]) -> Iterator[tuple[Cells, slice]]:
        """The cells of some channels, each with the part of them that lies on the grid."""
        for key in keys:
            begin = self.grid.first - self.cells[key].grid.first
            yield self.cells[key], slice(begin, begin + self.grid.n)

    def as_read(self, keys: Sequence[str]) -> RuleInput | None:
        """This input with doubted readings of some channels as they stand; None where none is doubted."""
        used = {key: self.cells[key] for key in keys}
        if all(c.as_read is None for c in used.values()):
            return None
        return replace(self, cells={**self.cells, **{key: c.as_read or c for key, c in used.items()}})

    def labels(self, keys: Sequence[str]) -> tuple[str, ...]:
        """Names of the probes."""
        return tuple(self.cells[key].channel.probe for key in keys)

    def in_blocks(self, things: Sequence[T], before: int = 0) -> Iterator[Sequence[T]]:
        """The things in as many parts as blocks are needed."""
        return in_blocks(things, self.grid.n + before)

    def during(self, from_ns: int, to_ns: int | None) -> Bool:
        """True in the cells of the grid that start in [from, to)."""
        inside = np.zeros(self.grid.n, np.bool_)
        inside[self.grid.clip(from_ns, to_ns)] = True
        return inside
