"""Work on readings over windows that move forward in time: what two share is not read twice.

While one window is concluded, the next ones are read and looked at: during work on long arrays, and while
files are read, another thread may run.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from ..series import Readings, merge_readings
from ..store import Store
from ..store.archive.months import month_of, month_span

Window = tuple[int, int]
T = TypeVar("T")
# Windows that are looked at side by side: as many as two cores carry, and one more in memory.
AT_ONCE = 2


def forward(
    store: Store,
    channels: Sequence[str],
    windows: Sequence[Window],
    made: Callable[[int, dict[str, Readings]], T],
) -> Iterator[T]:
    """What `made` makes, in order, of each window's number and readings.

    windows: [begin, end) in ns, each no earlier than the last. `made` runs in threads.
    """
    if len(windows) == 1:  # nothing to read ahead, and a thread costs more than a live minute
        yield made(0, store.readings_of(channels, *windows[0]))
        return
    with (
        ThreadPoolExecutor(1, "stillroom-read") as reading,
        ThreadPoolExecutor(AT_ONCE, "stillroom-look") as looking,
    ):
        known, coming = _Known(store, channels, windows[-1][1]), deque[Future[T]]()
        for number, window in enumerate(windows):
            readings = reading.submit(known.during, window)
            coming.append(looking.submit(_made, made, number, readings))
            if len(coming) > AT_ONCE:
                yield coming.popleft().result()
        while coming:
            yield coming.popleft().result()


def _made(
    made: Callable[[int, dict[str, Readings]], T], number: int, readings: Future[dict[str, Readings]]
) -> T:
    return made(number, readings.result())


class _Known:
    """Readings since the window that was asked for last. Whole months are read, as they lie in files."""

    def __init__(self, store: Store, channels: Sequence[str], end_ns: int) -> None:
        """`end_ns`: nobody will ask for later ones."""
        self._store, self._end_ns = store, end_ns
        self._readings = {channel: Readings.empty() for channel in channels}
        self._until_ns: int | None = None

    def during(self, window: Window) -> dict[str, Readings]:
        """Those of a window, which begins no earlier than the one before."""
        begin_ns, end_ns = window
        kept = {channel: _between(some, begin_ns, self._end_ns) for channel, some in self._readings.items()}
        from_ns = begin_ns if self._until_ns is None else max(begin_ns, self._until_ns)
        if from_ns < end_ns:
            self._until_ns = min(month_span(*month_of(end_ns - 1))[1], self._end_ns)
            new = self._store.readings_of(list(kept), from_ns, self._until_ns)
            kept = {channel: merge_readings([some, new[channel]]) for channel, some in kept.items()}
        self._readings = kept
        return {channel: _between(some, begin_ns, end_ns) for channel, some in kept.items()}


def _between(readings: Readings, begin_ns: int, end_ns: int) -> Readings:
    """Those taken in [begin, end); the arrays are views."""
    begin, end = np.searchsorted(readings.taken_ns, [begin_ns, end_ns])
    return Readings(*(column[begin:end] for column in vars(readings).values()))
