"""Readings of one channel as arrays, and the regular grid on which they are judged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from .model import Status

# How a stored status is written in an array: its place in this tuple.
STATUS: tuple[str, ...] = get_args(Status)

Int = NDArray[np.int64]
Float = NDArray[np.float64]
Bool = NDArray[np.bool_]


def of_one_number(work: Callable[[Float], Float], values: Float) -> Float:
    """What `work` gives of each value, shape (n,); of one number that stands for all it is asked once.

    >>> twice = of_one_number(lambda x: 2 * x, np.broadcast_to(np.array([3.0]), 4))
    >>> twice.tolist(), twice.strides
    ([6.0, 6.0, 6.0, 6.0], (0,))
    """
    if values.ndim != 1 or values.strides != (0,) or not len(values):
        return work(values)
    return np.broadcast_to(work(values[:1]), values.shape)


@dataclass(frozen=True)
class Readings:
    """Readings of one channel, ascending in `taken_ns`; all arrays of shape (n,).

    value: in the channel's own unit, NaN where the poll failed; status: place in STATUS;
    late: whether it arrived by import or after a lost link.
    """

    taken_ns: Int
    value: Float
    status: NDArray[np.uint8]
    late: Bool

    def __len__(self) -> int:
        return len(self.taken_ns)

    @staticmethod
    def empty() -> Readings:
        """No readings at all."""
        return Readings(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8), np.empty(0, np.bool_))


@dataclass(frozen=True)
class ImportedReadings:
    """Readings of one channel in a file, arrays of shape (n,); a fault is NaN with its text in `raw`."""

    channel: str
    taken_ns: Int
    value: Float
    raw: Sequence[str] | NDArray[np.object_]
    received_ns: int
    source: str

    def part(self, where: slice) -> ImportedReadings:
        """The readings of a slice."""
        return replace(self, taken_ns=self.taken_ns[where], value=self.value[where], raw=self.raw[where])


def merge_readings(parts: Sequence[Readings]) -> Readings:
    """All parts in one, ascending in `taken_ns`; equal instants keep the order of the parts."""
    parts = [p for p in parts if len(p)]
    if len(parts) < 2:
        return parts[0] if parts else Readings.empty()
    taken_ns = np.concatenate([p.taken_ns for p in parts])
    order: slice | Int = slice(None)
    if (np.diff(taken_ns) < 0).any():
        order = np.argsort(taken_ns, kind="stable")
    return Readings(
        taken_ns[order],
        np.concatenate([p.value for p in parts])[order],
        np.concatenate([p.status for p in parts])[order],
        np.concatenate([p.late for p in parts])[order],
    )


def find_conflicts(readings: Readings) -> Bool:
    """True (n,) for valid readings with another valid value at the same instant.

    Both stay stored; neither supports a verdict until a person has decided.
    """
    same = np.zeros(len(readings), np.bool_)
    if not (readings.taken_ns[1:] == readings.taken_ns[:-1]).any():
        return same
    _, group = np.unique(readings.taken_ns, return_inverse=True)
    valid = np.isfinite(readings.value)
    low = np.full(group.max() + 1, np.inf)
    high = np.full(group.max() + 1, -np.inf)
    np.minimum.at(low, group[valid], readings.value[valid])
    np.maximum.at(high, group[valid], readings.value[valid])
    return np.asarray(valid & (low[group] != high[group]))


def without_repeats(readings: Readings) -> Readings:
    """Without repeated readings: of those with the same instant and value, the first.

    >>> column = np.zeros(4)
    >>> twice = Readings(np.array([1, 2, 2, 3]), column + 20, column.astype(np.uint8), column > 0)
    >>> without_repeats(twice).taken_ns.tolist()
    [1, 2, 3]
    """
    keep = first_occurrences(readings)
    return readings if keep.all() else Readings(*(column[keep] for column in vars(readings).values()))


def first_occurrences(readings: Readings) -> Bool:
    """True (n,) for readings that do not repeat the one before: same instant, same value."""
    keep = np.ones(len(readings), np.bool_)
    same = readings.taken_ns[1:] == readings.taken_ns[:-1]
    if same.any():
        keep[1:] = ~(same & (np.diff(readings.value) == 0))
    return keep
