"""Readings reduced to cells, and what an empty cell between two readings may hold.

Arrays that are equal by their nature are one and the same, so that there is half the memory to go through:
with one reading a cell low, high and mean, first and last. None of them is changed in place.

Cells of several channels lie one after the other on one long row, so that a live minute of many probes
costs the work of one; a year is reduced channel by channel, in blocks that fit a processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from ...series import Bool, Float, Int

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
    if len(index) and not (index[1:] > index[:-1]).all():
        return _reduce_runs(index, taken_ns, micro, U, n)
    # One reading a cell, the usual case: it is the lowest and the first, and what else it may be.
    value, most = _laid_out(micro, index, n, np.nan), _laid_out(U, index, n, np.nan)
    count = _laid_out(np.ones(1, np.int64), index, n, 0)
    instant = _laid_out(taken_ns, index, n, 0)
    inside = np.zeros(n, np.int64)
    return ReducedCells(
        value, value, value, most, count, instant, instant, inside, value, value, most, most
    )  # fmt: skip


def _laid_out(values: NDArray[Any], index: Int, n: int, nothing: float) -> NDArray[Any]:
    """Values (m,), or one for all, in the cells of `index`, and `nothing` in the others; shape (n,)."""
    array = np.full(n, nothing, values.dtype)
    if len(index):
        whole_run = index[-1] - index[0] + 1 == len(index)
        array[slice(index[0], index[-1] + 1) if whole_run else index] = values
    return array


def _reduce_runs(index: Int, taken_ns: Int, micro: Float, U: Float, n: int) -> ReducedCells:
    """Several readings to a cell: what `reduce_to_cells` gives."""
    begin = np.flatnonzero(np.diff(index, prepend=-1))
    cell, end = index[begin], np.append(begin[1:], len(index))
    count = end - begin
    between = np.diff(taken_ns, prepend=taken_ns[0])
    between[begin] = 0

    def lay_out(values: NDArray[Any], nothing: float = np.nan) -> NDArray[Any]:
        return _laid_out(values, cell, n, nothing)

    return ReducedCells(
        low=lay_out(np.minimum.reduceat(micro, begin)),
        high=lay_out(np.maximum.reduceat(micro, begin)),
        mean=lay_out(np.rint(np.add.reduceat(micro, begin) / count)),
        U=lay_out(np.maximum.reduceat(U, begin)),
        count=lay_out(count, 0),
        first=lay_out(taken_ns[begin], 0),
        last=lay_out(taken_ns[end - 1], 0),
        inside=lay_out(np.maximum.reduceat(between, begin), 0),
        opening=lay_out(micro[begin]),
        closing=lay_out(micro[end - 1]),
        opening_U=lay_out(U[begin]),
        closing_U=lay_out(U[end - 1]),
    )


def cover_empty_cells(
    cells: ReducedCells, why: NDArray[np.uint8], n: int, max_age_ns: Float, now_ns: int
) -> ReducedCells:
    """Give an empty cell between two valid readings no more than max_age apart min and max of both readings.

    The cells of k channels, n of each; max_age_ns: of each channel, shape (k,). After the newest reading of
    a channel a cell keeps that reading's values while the reading is younger than max_age at `now_ns`; the
    judge calls such cells provisional. A cell that is empty for a reason of its own (`why`) stays so.
    """
    empty, before_cell, after_cell = _flanked(cells.count == 0)
    own = why[empty] == 0
    empty, before_cell, after_cell = empty[own], before_cell[own], after_cell[own]
    row = empty // n
    at_edge = after_cell // n != row
    after_cell = after_cell % len(cells.count)  # any, where none follows
    until = np.where(at_edge, now_ns, cells.first[after_cell])
    near = (before_cell // n == row) & (until - cells.last[before_cell] <= max_age_ns[row])
    if not near.any():
        return cells
    before, U_before = cells.closing[before_cell[near]], cells.closing_U[before_cell[near]]
    after_edge, after_cell = at_edge[near], after_cell[near]
    after = np.where(after_edge, before, cells.opening[after_cell])
    U_after = np.where(after_edge, U_before, cells.opening_U[after_cell])
    return with_values(
        cells,
        empty[near],
        low=np.minimum(before, after),
        high=np.maximum(before, after),
        U=np.maximum(U_before, U_after),
    )


def with_values(cells: ReducedCells, at: Int, **values: Float) -> ReducedCells:
    """The cells with other values of some arrays at some places; no array is changed in place."""
    arrays = {name: getattr(cells, name).copy() for name in values}
    for name, array in arrays.items():
        array[at] = values[name]
    return replace(cells, **arrays)


def _flanked(empty: Bool) -> tuple[Int, Int, Int]:
    """Places of empty cells, and of the filled ones before and after each: −1 and len(empty) without any."""
    at = np.flatnonzero(empty)
    begins = np.diff(at, prepend=-2) > 1
    run = np.cumsum(begins) - 1
    first = at[begins]
    last = np.append(at[np.flatnonzero(begins)[1:] - 1], at[-1:])
    return at, first[run] - 1, last[run] + 1
