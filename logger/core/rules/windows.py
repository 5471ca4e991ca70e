"""Sliding windows (t − w, t] of UTC time over cells, and whether their evidence suffices.

Never calendar days: a local one can have 23 or 25 hours. Whether a window is complete depends on
the readings inside it alone, so that any piece of a record is judged like the whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...instants import NS
from ...model.reasons import Why
from ...series import Bool, Float, Int
from ..evidence.cells import Cells
from ..evidence.grid import Grid
from .inputs import Block

FEWEST_READINGS = 5


def moving_sum(values: Int | Bool, width: int) -> Int:
    """Sum over the last `width` cells of the last axis, or over all there are at the start; exact."""
    total = np.cumsum(values, axis=-1, dtype=np.int64)
    total[..., width:] -= total[..., :-width].copy()
    return total


def moving_min(values: Float, width: int) -> Float:
    """Smallest value of the last `width` cells of the last axis, NaN left out."""
    return _moving(np.fmin, values, width)


def moving_max(values: Float, width: int) -> Float:
    """Largest value of the last `width` cells of the last axis, NaN left out."""
    return _moving(np.fmax, values, width)


def _moving(extreme: np.ufunc, values: Float, width: int) -> Float:
    """The extreme of the last `width` cells of the last axis, or of all there are at the start.

    From windows of 1, 2, 4 … cells, each of two of the last, which a processor compares eight at a time; the
    last two overlap. A fifth to a half of what a queue of candidates costs, cell by cell.
    """
    newest, before = values.copy(), np.empty_like(values)
    covered = 1
    while covered < min(width, values.shape[-1]):
        step = min(covered, width - covered)
        newest, before = before, newest
        newest[..., :step] = before[..., :step]
        extreme(before[..., step:], before[..., :-step], out=newest[..., step:])
        covered += step
    return newest


def sufficiency(block: Block, window_s: int, completeness: float) -> NDArray[np.uint8]:
    """Why.EVIDENCE where the window ending with each cell has enough readings, else the reason; (k, n).

    Enough: at least `completeness` of those that the sampling interval promises, no time without a
    reading longer than max(three intervals, window/12), at least five readings. Readings in doubt
    are no readings here, and where the window fails for want of them, the doubt is the reason.
    """
    count, width = block.of("count"), window_s // block.grid.step_s
    why = np.zeros(count.shape, np.uint8)
    why[:, : width - 1] = Why.INCOMPLETE
    fewest = count.min(axis=1, initial=2**31)
    for row, cells in enumerate(block.cells):
        if not _is_unbroken(cells, int(fewest[row]), block.grid.step_s, window_s, completeness):
            why[row] = _examine_windows(cells, block.grid, count[row], window_s, completeness)
    return why


def _examine_windows(
    cells: Cells, grid: Grid, count: Int, window_s: int, completeness: float
) -> NDArray[np.uint8]:
    """What `sufficiency` gives for one channel, shape (n,), with every window looked at."""
    width, interval_s = window_s // grid.step_s, cells.channel.interval_s
    part = slice(grid.first - cells.grid.first, grid.first - cells.grid.first + grid.n)
    total = moving_sum(count, width)
    why = np.where(total < FEWEST_READINGS, Why.TOO_COARSE, Why.EVIDENCE).astype(np.uint8)
    why[total * interval_s < completeness * window_s] = Why.INCOMPLETE
    longest_ns = int(max(3 * interval_s, window_s / 12) * NS)
    why[_has_gap(_ReadingTimes.of(cells, part, grid), width, longest_ns)] = Why.GAP
    reasons = cells.why[part]
    doubt = moving_max(np.where(reasons > Why.NO_READING, reasons, 0).astype(np.float64), width)
    return np.where(why > Why.EVIDENCE, np.maximum(why, doubt), why).astype(np.uint8)


@dataclass(frozen=True)
class _ReadingTimes:
    """When a channel was read, by cell; arrays of shape (n,)."""

    grid: Grid
    count: Int
    first_ns: Int
    last_ns: Int
    inside_ns: Int

    @staticmethod
    def of(cells: Cells, part: slice, grid: Grid) -> _ReadingTimes:
        """Of a part of the cells."""
        return _ReadingTimes(
            grid, cells.count[part], cells.first_ns[part], cells.last_ns[part], cells.inside_ns[part]
        )


def _is_unbroken(cells: Cells, fewest: int, step_s: int, window_s: int, completeness: float) -> bool:
    """Whether every full window must suffice: a reading in each cell, and none of the rules near its bound.

    Years of a healthy probe are like that, and the count of each window need not be taken.
    """
    interval_s, windows = cells.channel.interval_s, window_s // step_s
    if fewest == 0 or fewest * windows < FEWEST_READINGS:
        return False
    longest_ns = max(3 * interval_s, window_s / 12) * NS
    apart_ns = 2 * step_s * NS  # no further may neighbours in adjacent cells be from each other
    return apart_ns <= longest_ns and fewest * windows * interval_s >= completeness * window_s


def _has_gap(cells: _ReadingTimes, width: int, longest_ns: int) -> Bool:
    """Whether some time without a valid reading inside each window is longer than `longest_ns`."""
    n, step_ns = cells.grid.n, cells.grid.step_ns
    filled = np.flatnonzero(cells.count)
    if not len(filled):
        return np.ones(n, np.bool_)
    start = cells.grid.start_ns()
    apart = cells.first_ns[filled[1:]] - cells.last_ns[filled[:-1]]
    if max(apart.max(initial=0), cells.inside_ns.max(initial=0)) <= longest_ns:
        # No gap anywhere: only before the first reading and after the last one can a window lack one.
        lead = cells.first_ns[filled[0]] - (start - (width - 1) * step_ns) > longest_ns
        trail = start + step_ns - cells.last_ns[filled[-1]] > longest_ns
        return np.asarray(lead | trail)
    # How many filled cells lie before each cell: it turns a cell into a place in `filled`.
    before = np.concatenate([[0], np.cumsum(cells.count > 0)])
    end = np.arange(1, n + 1)
    first, last = before[np.maximum(end - width, 0)], before[end] - 1
    empty = first > last
    first, last = np.minimum(first, len(filled) - 1), np.maximum(last, 0)
    inside = moving_sum(cells.inside_ns > longest_ns, width) > 0
    between = np.zeros(len(filled), np.int64)
    between[1:] = np.cumsum(apart > longest_ns)
    interior = between[last] > between[first]
    lead = cells.first_ns[filled][first] - (start - (width - 1) * step_ns) > longest_ns
    trail = start + step_ns - cells.last_ns[filled][last] > longest_ns
    return np.asarray(empty | inside | interior | lead | trail)
