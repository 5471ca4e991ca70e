"""Minimum, maximum, sum and count over cells of time: arrays in, arrays out.

A minimum of minima is the minimum: nothing that a chart must show is lost by going over cells,
which no mean could say of itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...series import Float, Int


@dataclass(frozen=True)
class OverviewCells:
    """Ascending in `start_ns`; only cells that hold a value. A reading is a cell of its own, too."""

    start_ns: Int
    low: Float
    high: Float
    total: Float
    n: Int

    def __len__(self) -> int:
        return len(self.start_ns)

    def part(self, from_ns: int, to_ns: int) -> OverviewCells:
        """Those that start in [from, to)."""
        a, b = np.searchsorted(self.start_ns, [from_ns, to_ns])
        return OverviewCells(self.start_ns[a:b], self.low[a:b], self.high[a:b], self.total[a:b], self.n[a:b])


@dataclass(frozen=True)
class Envelope:
    """Bins [start, end) that hold a value, ascending: extremes, mean, count, in the probe's unit."""

    start_ns: Int
    end_ns: Int
    low: Float
    high: Float
    mean: Float
    n: Int

    def __len__(self) -> int:
        return len(self.start_ns)


def cells_of_readings(taken_ns: Int, value: Float) -> OverviewCells:
    """Each reading that has a value, ascending in the instant taken."""
    valid = np.isfinite(value)
    if not valid.all():
        taken_ns, value = taken_ns[valid], value[valid]
    return OverviewCells(taken_ns, value, value, value, np.ones(len(value), np.int64))


def join_cells(parts: Sequence[OverviewCells]) -> OverviewCells:
    """All cells in order of their start; equal starts stay apart."""
    parts = [part for part in parts if len(part)] or list(parts[:1])
    if len(parts) == 1:
        return parts[0]
    start = np.concatenate([part.start_ns for part in parts])
    low, high, total = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("low", "high", "total")
    )
    cells = OverviewCells(start, low, high, total, np.concatenate([part.n for part in parts]))
    if not np.any(np.diff(start) < 0):
        return cells
    order = np.argsort(start, kind="stable")
    return OverviewCells(*(getattr(cells, name)[order] for name in ("start_ns", "low", "high", "total", "n")))


def coarsen(cells: OverviewCells, width_ns: int) -> OverviewCells:
    """Cells merged into wider ones of `width_ns`, whose starts are multiples of it."""
    if not len(cells):
        return cells
    start = cells.start_ns // width_ns * width_ns
    first = np.concatenate([[0], np.flatnonzero(np.diff(start)) + 1])
    return OverviewCells(start[first], *_reduce(cells, first))


def bin_cells(cells: OverviewCells, edges: Int) -> Envelope:
    """Cells in the bins between ascending edges; a bin without any is left out."""
    places = np.searchsorted(cells.start_ns, edges)
    filled = np.flatnonzero(np.diff(places))
    if not len(filled):
        none, nothing = np.empty(0, np.int64), np.empty(0)
        return Envelope(none, none, nothing, nothing, nothing, none)
    inside = cells.part(int(edges[0]), int(edges[-1]))
    low, high, total, n = _reduce(inside, places[filled] - places[0])
    return Envelope(edges[filled], edges[filled + 1], low, high, total / n, n)


def _reduce(cells: OverviewCells, first: Int) -> tuple[Float, Float, Float, Int]:
    return (
        np.minimum.reduceat(cells.low, first),
        np.maximum.reduceat(cells.high, first),
        np.add.reduceat(cells.total, first),
        np.add.reduceat(cells.n, first),
    )
