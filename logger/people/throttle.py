"""How often a password may be tried: bounded for each name and for each address, in memory."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable

from ..errors import Refused

TRIES, ADDRESS_TRIES, WINDOW_S = 5, 20, 300.0
_MOST_KEYS = 10_000


class TooOften(Refused):
    """Too many tries; `wait_s` says for how long none is taken."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = max(1, round(wait_s))
        super().__init__(f"Too many tries. Wait {self.wait_s} s; then try again.")


class Throttle:
    """Failed tries of the last five minutes; a success clears those of its name."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._failed: dict[str, deque[float]] = {}
        self._turn = threading.Lock()

    def admit(self, name: str, address: str) -> None:
        """Counts a try; TooOften where there were too many. A success takes it back by `passed`."""
        with self._turn:
            now = self._clock()
            waits = [self._wait(key, most, now) for key, most in self._keys(name, address)]
            if max(waits) > 0:
                raise TooOften(max(waits))
            for key, _ in self._keys(name, address):
                self._failed.setdefault(key, deque()).append(now)

    def passed(self, name: str, address: str) -> None:
        """The try was a success."""
        with self._turn:
            self._failed.pop(_named(name, address), None)
            for key in (address, _named(name, "")):
                if tried := self._failed.get(key):
                    tried.pop()

    def _keys(self, name: str, address: str) -> tuple[tuple[str, int], ...]:
        """Name and address together, so that nobody is locked out from elsewhere; then each alone."""
        return (
            (_named(name, address), TRIES),
            (address, ADDRESS_TRIES),
            (_named(name, ""), 4 * ADDRESS_TRIES),
        )

    def _wait(self, key: str, most: int, now: float) -> float:
        tried = self._failed.get(key, deque())
        while tried and now - tried[0] > WINDOW_S:
            tried.popleft()
        if not tried:
            self._failed.pop(key, None)
        if len(self._failed) > _MOST_KEYS:
            self._failed.pop(next(iter(self._failed)))
        return WINDOW_S - (now - tried[0]) if len(tried) >= most else 0.0


def _named(name: str, address: str) -> str:
    return f"{name.strip().casefold()[:200]}@{address}"
