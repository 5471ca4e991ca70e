"""What a file adds to the record: what is there already, what is new, what contradicts.

same value at the same instant     already there: skipped and counted
another value at the same instant  a conflict: both are kept, and the judge trusts neither
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..series import Readings
from .reading import Series

Int = NDArray[np.int64]
Float = NDArray[np.float64]


@dataclass(frozen=True)
class Conflict:
    """Two values for one instant of a channel, in the channel's unit."""

    channel: str
    taken_ns: int
    stored: float
    incoming: float


@dataclass(frozen=True)
class Compared:
    """The readings of one channel that are new, how many are not, and what contradicts."""

    new: Series
    duplicates: int
    conflicts: tuple[Conflict, ...]


def against(series: Series, stored: Readings) -> Compared:
    """One channel against everything that is stored of it in that time, and against itself."""
    t, v = series.taken_ns, series.value
    if len(t) == 0:
        return Compared(series, 0, ())
    shared = _among(t, stored.taken_ns)
    shared[1:] |= t[1:] == t[:-1]
    is_new = ~shared
    settled = shared & _told_already(t, v, stored)
    stored_at = _by_instant(stored.taken_ns, stored.value, t[shared & ~settled])
    first_of_run = np.flatnonzero(shared[1:] & (t[1:] == t[:-1]) & ~shared[:-1])
    for i in first_of_run:
        stored_at.setdefault(int(t[i]), []).append(float(v[i]))
    conflicts = []
    for i in np.flatnonzero(shared & ~settled):
        there = stored_at.setdefault(int(t[i]), [])
        if any(_same(float(v[i]), other) for other in there):
            continue
        is_new[i] = True
        others = [other for other in there if not np.isnan(other)]
        if others and not np.isnan(v[i]):
            conflicts.append(Conflict(series.channel.key, int(t[i]), others[0], float(v[i])))
        there.append(float(v[i]))
    return Compared(series if is_new.all() else series.part(is_new), int((~is_new).sum()), tuple(conflicts))


def _told_already(t: Int, v: Float, stored: Readings) -> NDArray[np.bool_]:
    """Which readings stand once in the file and once, with the same value, in what is stored."""
    if len(stored.taken_ns) == 0:
        return np.zeros(len(t), np.bool_)
    at = np.minimum(np.searchsorted(stored.taken_ns, t), len(stored.taken_ns) - 1)
    there = stored.value[at]
    same = (stored.taken_ns[at] == t) & ((v == there) | (np.isnan(v) & np.isnan(there)))
    return np.asarray(same & _once(stored.taken_ns)[at] & _once(t))


def _once(t: Int) -> NDArray[np.bool_]:
    """Which of these ascending instants occur once."""
    again = t[1:] == t[:-1]
    once = np.ones(len(t), np.bool_)
    once[1:] &= ~again
    once[:-1] &= ~again
    return once


def _among(t: Int, stored_t: Int) -> NDArray[np.bool_]:
    """Which of the instants `t` are in `stored_t`, both ascending."""
    if len(stored_t) == 0:
        return np.zeros(len(t), np.bool_)
    at = np.minimum(np.searchsorted(stored_t, t), len(stored_t) - 1)
    return np.asarray(stored_t[at] == t)


def _by_instant(stored_t: Int, stored_v: Float, instants: Int) -> dict[int, list[float]]:
    by_instant: dict[int, list[float]] = {}
    among = np.isin(stored_t, instants)
    for t, v in zip(stored_t[among].tolist(), stored_v[among].tolist(), strict=True):
        by_instant.setdefault(t, []).append(v)
    return by_instant


def _same(a: float, b: float) -> bool:
    return a == b or (np.isnan(a) and np.isnan(b))
