"""Sliding windows (t − w, t] of UTC time over cells, and whether their evidence suffices.

Never calendar days: a local one can have 23 or 25 hours. Whether a window is complete depends on
the readings inside it alone, so that any piece of a record is judged like the whole.
"""

from __future__ import annotations

import bottleneck as bn
import numpy as np
from numpy.typing import NDArray

from ..calibration import Why
from ..evidence import Cells
from ..model import NS
from ..series import Bool, Float, Int

FEWEST_READINGS = 5


def moving_sum(values: Int, width: int) -> Int:
    """Sum over the last `width` cells, or over all there are at the start; whole numbers, exact."""
    total = np.concatenate([[0], np.cumsum(values)])
    end = np.arange(1, len(values) + 1)
    return np.asarray(total[end] - total[np.maximum(end - width, 0)])


def moving_min(values: Float, width: int) -> Float:
    """Smallest value of the last `width` cells, NaN left out."""
    return np.asarray(bn.move_min(values, min(width, len(values)), min_count=1))


def moving_max(values: Float, width: int) -> Float:
    """Largest value of the last `width` cells, NaN left out."""
    return np.asarray(bn.move_max(values, min(width, len(values)), min_count=1))


def sufficiency(cells: Cells, window_s: int, completeness: float) -> NDArray[np.uint8]:
    """Why.EVIDENCE where the window ending with each cell has enough readings, else the reason.

    Enough: at least `completeness` of those that the sampling interval promises, no time without a
    reading longer than max(three intervals, window/12), at least five readings. Readings in doubt
    are no readings here, and where the window fails for want of them, the doubt is the reason.
    """
    width = window_s // cells.grid.step_s
    count = moving_sum(cells.count, width)
    interval_s = cells.channel.interval_s
    why = np.where(count < FEWEST_READINGS, Why.TOO_COARSE, Why.EVIDENCE).astype(np.uint8)
    why[count * interval_s < completeness * window_s] = Why.INCOMPLETE
    why[_has_gap(cells, width, int(max(3 * interval_s, window_s / 12) * NS))] = Why.GAP
    doubt = moving_max(np.where(cells.why > Why.NO_READING, cells.why, 0).astype(np.float64), width)
    return np.where(why > Why.EVIDENCE, np.maximum(why, doubt), why).astype(np.uint8)


def _has_gap(cells: Cells, width: int, longest_ns: int) -> Bool:
    """Whether some time without a valid reading inside each window is longer than `longest_ns`."""
    n, step_ns = cells.grid.n, cells.grid.step_ns
    start = cells.grid.start_ns()
    filled = np.flatnonzero(cells.count)
    if not len(filled):
        return np.ones(n, np.bool_)
    window_start = start - (width - 1) * step_ns
    first_cell = np.maximum(np.arange(n) - width + 1, 0)
    left = np.searchsorted(filled, first_cell)  # first filled cell of the window, as a place in `filled`
    right = np.searchsorted(filled, np.arange(n), side="right") - 1  # last one
    inside = moving_sum((cells.inside_ns > longest_ns).astype(np.int64), width) > 0
    between = np.zeros(len(filled) + 1, np.int64)
    between[2:] = np.cumsum(cells.first_ns[filled[1:]] - cells.last_ns[filled[:-1]] > longest_ns)
    empty = left > right
    l, r = np.minimum(left, len(filled) - 1), np.maximum(right, 0)  # noqa: E741
    interior = between[r + 1] - between[l + 1] > 0
    lead = cells.first_ns[filled[l]] - window_start > longest_ns
    trail = start + step_ns - cells.last_ns[filled[r]] > longest_ns
    return np.asarray(empty | inside | interior | lead | trail)
