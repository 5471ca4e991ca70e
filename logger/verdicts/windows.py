"""Work on readings over windows that move forward in time; their overlap is read once.

While one window is in use, the next ones are read and worked on in threads: numpy and file access let other
threads run.
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
# Windows worked on beside the one in use, and one more in memory. Two at a time wait for each other between
# short steps of numpy: a tenth more of a processor, and no sooner done on two cores.
AT_ONCE = 1


def read_windows(
    store: Store,
    channels: Sequence[str],
    windows: Sequence[Window],
    work: Callable[[int, dict[str, Readings]], T],
) -> Iterator[T]:
    """Yield work(i, readings by channel) for each window i, in order, reading ahead in a thread.

    windows: [begin, end) in ns, each no earlier than the last. `work` runs in threads, too.
    """
    if len(windows) == 1:  # nothing to read ahead, and a thread costs more than a live minute
        yield work(0, store.readings.read_channels(channels, *windows[0]))
        return
    with (
        ThreadPoolExecutor(1, "stillroom-read") as reading,
        ThreadPoolExecutor(AT_ONCE, "stillroom-look") as looking,
    ):
        sliding, coming = _SlidingReadings(store, channels, windows[-1][1]), deque[Future[T]]()
        for number, window in enumerate(windows):
            readings = reading.submit(sliding.during, window)
            coming.append(looking.submit(_work_on, work, number, readings))
            if len(coming) > AT_ONCE:
                yield coming.popleft().result()
        while coming:
            yield coming.popleft().result()


def _work_on(
    work: Callable[[int, dict[str, Readings]], T], number: int, readings: Future[dict[str, Readings]]
) -> T:
    return work(number, readings.result())


class _SlidingReadings:
    """Readings since the latest window. Whole months are read, as they are stored in files."""

    def __init__(self, store: Store, channels: Sequence[str], end_ns: int) -> None:
        """`end_ns`: end of the last window."""
        self._store, self._channels, self._end_ns = store, channels, end_ns
        self._months: list[tuple[int, dict[str, Readings]]] = []  # end in ns, readings up to there
        self._until_ns: int | None = None

    def during(self, window: Window) -> dict[str, Readings]:
        """Readings of a window, which begins no earlier than the one before."""
        begin_ns, end_ns = window
        self._months = [(until_ns, month) for until_ns, month in self._months if until_ns > begin_ns]
        from_ns = begin_ns if self._until_ns is None else max(begin_ns, self._until_ns)
        if from_ns < end_ns:
            self._until_ns = min(month_span(*month_of(end_ns - 1))[1], self._end_ns)
            new = self._store.readings.read_channels(self._channels, from_ns, self._until_ns)
            self._months.append((self._until_ns, new))
        return {
            channel: merge_readings(
                [_readings_between(month[channel], begin_ns, end_ns) for _, month in self._months]
            )
            for channel in self._channels
        }


def _readings_between(readings: Readings, begin_ns: int, end_ns: int) -> Readings:
    """Readings taken in [begin, end); the arrays are views."""
    begin, end = np.searchsorted(readings.taken_ns, [begin_ns, end_ns])
    return Readings(*(column[begin:end] for column in vars(readings).values()))
