"""Readings reduced to cells, and what an empty cell between two readings may hold.

Cells of several channels lie one after the other on one long row, so that a live minute of many probes
costs the work of one; a year is reduced channel by channel, in blocks that fit a processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ...series import Float, Int

# Numbers in one array of a block: a quarter of a megabyte.
BLOCK = 32_768
T = TypeVar("T")


def in_blocks(things: Sequence[T], n: int) -> Iterator[Sequence[T]]:
    """The things in parts, as many at once as arrays of n numbers each fit a block; at least one."""
    at_once = max(1, BLOCK // max(n, 1))
    for begin in range(0, len(things), at_once):
        yield things[begin : begin + at_once]


@dataclass(frozen=True)
class ReducedCells:
    """Valid readings reduced to cells; arrays of shape (n,), NaN and 0 where a cell has none.

    low, high, mean; U: the largest; count; first, last: instants; inside: longest time between two;
    opening, closing: the first and the last value, each with its U.
    """

    low: Float
    high: Float
    mean: Float
    U: Float
    count: Int
    first: Int
    last: Int
    inside: Int
    opening: Float
    closing: Float
    opening_U: Float
    closing_U: Float


def reduce_to_cells(index: Int, taken_ns: Int, micro: Float, U: Float, n: int) -> ReducedCells:
    """Readings of shape (m,) reduced to n cells; `index`: the cell of each, ascending."""
    single = not len(index) or bool((index[1:] > index[:-1]).all())  # one reading a cell, the usual case
    low, high, mean, most = np.full((4, n), np.nan)
    # Of a cell with one reading, the first and the last are the lowest.
    ends = (low, low, most, most) if single else tuple(np.full((4, n), np.nan))
    cells = ReducedCells(low, high, mean, most, *np.zeros((4, n), np.int64), *ends)
    if not len(index):
        return cells
    if single:
        whole_run = index[-1] - index[0] + 1 == len(index)
        at = slice(index[0], index[-1] + 1) if whole_run else index
        for array in (cells.low, cells.high, cells.mean):
            array[at] = micro
        cells.U[at], cells.count[at] = U, 1
        cells.first[at] = cells.last[at] = taken_ns
        return cells
    begin = np.flatnonzero(np.diff(index, prepend=-1))
    cell, end = index[begin], np.append(begin[1:], len(index))
    cells.count[cell] = end - begin
    cells.low[cell] = np.minimum.reduceat(micro, begin)
    cells.high[cell] = np.maximum.reduceat(micro, begin)
    cells.mean[cell] = np.rint(np.add.reduceat(micro, begin) / cells.count[cell])
    cells.U[cell] = np.maximum.reduceat(U, begin)
    cells.first[cell], cells.last[cell] = taken_ns[begin], taken_ns[end - 1]
    cells.opening[cell], cells.closing[cell] = micro[begin], micro[end - 1]
    cells.opening_U[cell], cells.closing_U[cell] = U[begin], U[end - 1]
    between = np.diff(taken_ns, prepend=taken_ns[0])
    between[begin] = 0
    cells.inside[cell] = np.maximum.reduceat(between, begin)
    return cells


def cover_empty_cells(
    cells: ReducedCells, why: NDArray[np.uint8], n: int, max_age_ns: Float, now_ns: int
) -> None:
    """Give an empty cell between two valid readings no more than max_age apart min and max of both readings.

    The cells of k channels, n of each; max_age_ns: of each channel, shape (k,). After the newest reading of
    a channel a cell keeps that reading's values while the reading is younger than max_age at `now_ns`; the
    judge calls such cells provisional. A cell that is empty for a reason of its own (`why`) stays so.
    """
    empty, filled = np.flatnonzero((cells.count == 0) & (why == 0)), np.flatnonzero(cells.count)
    if not len(empty) or not len(filled):
        return
    after = np.searchsorted(filled, empty)
    before_cell, after_cell = filled[after - 1], filled[np.minimum(after, len(filled) - 1)]
    row = empty // n
    has_left = (after > 0) & (before_cell // n == row)
    at_edge = (after == len(filled)) | (after_cell // n != row)
    until = np.where(at_edge, now_ns, cells.first[after_cell])
    near = has_left & (until - cells.last[before_cell] <= max_age_ns[row])
    before, U_before = cells.closing[before_cell[near]], cells.closing_U[before_cell[near]]
    after_edge, after_cell = at_edge[near], after_cell[near]
    after = np.where(after_edge, before, cells.opening[after_cell])
    U_after = np.where(after_edge, U_before, cells.opening_U[after_cell])
    empty = empty[near]
    cells.low[empty], cells.high[empty] = np.minimum(before, after), np.maximum(before, after)
    cells.U[empty] = np.maximum(U_before, U_after)
