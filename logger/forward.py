"""Readings over windows that move forward in time: what two share is not read twice.

The next window is read while the last one is being judged: reading files leaves the other core idle.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from .series import Readings, merged
from .store import Store

Window = tuple[int, int]


def forward(
    store: Store, channels: Sequence[str], windows: Sequence[Window]
) -> Iterator[dict[str, Readings]]:
    """Readings of the channels in each window [begin, end) in ns; each no earlier than the last."""
    nothing = {channel: Readings.empty() for channel in channels}
    if len(windows) == 1:  # nothing to read ahead, and a thread costs more than a live minute
        yield _read(store, nothing, windows[0], None)
        return
    with ThreadPoolExecutor(1, "stillroom-read") as pool:
        coming = pool.submit(_read, store, nothing, windows[0], None)
        for window, following in zip(windows, [*windows[1:], None], strict=True):
            readings = coming.result()
            if following is not None:
                coming = pool.submit(_read, store, readings, following, window[1])
            yield readings


def _read(
    store: Store, kept: dict[str, Readings], window: Window, known_ns: int | None
) -> dict[str, Readings]:
    """The window's readings: what was kept of the last one, and what lies behind its end."""
    begin_ns, end_ns = window
    fresh = begin_ns if known_ns is None else max(begin_ns, known_ns)
    new = store.readings_of(list(kept), fresh, end_ns)
    return {channel: merged([_since(readings, begin_ns), new[channel]]) for channel, readings in kept.items()}


def _since(readings: Readings, begin_ns: int) -> Readings:
    part = slice(int(np.searchsorted(readings.taken_ns, begin_ns)), None)
    return Readings(readings.taken_ns[part], readings.value[part], readings.status[part], readings.late[part])
