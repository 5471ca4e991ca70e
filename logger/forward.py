"""Readings over a window that moves forward in time: what two windows share is not read twice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .series import Readings, merged
from .store import Store


class Forward:
    """Readings of some channels, window after window; each begins and ends no earlier than the last."""

    def __init__(self, store: Store, channels: Sequence[str]) -> None:
        self._store = store
        self._kept = {channel: Readings.empty() for channel in channels}
        self._end_ns: int | None = None

    def over(self, begin_ns: int, end_ns: int) -> dict[str, Readings]:
        """Readings in [begin, end) of every channel."""
        fresh = begin_ns if self._end_ns is None else max(begin_ns, self._end_ns)
        self._kept = {
            channel: merged([_since(kept, begin_ns), self._store.readings(channel, fresh, end_ns)])
            for channel, kept in self._kept.items()
        }
        self._end_ns = end_ns
        return self._kept


def _since(readings: Readings, begin_ns: int) -> Readings:
    part = slice(int(np.searchsorted(readings.taken_ns, begin_ns)), None)
    return Readings(readings.taken_ns[part], readings.value[part], readings.status[part], readings.late[part])
