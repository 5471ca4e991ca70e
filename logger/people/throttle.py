"""How often a password may be tried: bounded for each account and for each address, in memory.

A stranger's tries must not shut out whoever belongs here. So there are three counts that never meet:

- strangers: browsers that never signed in to this account. Few tries for a name from one address, more
  for an address, more for a name from everywhere.
- known browsers: they hold a mark of a sign-in to this account (a cookie), and have tries of their own.
- signatures: whoever signs is signed in already, and has tries of their own there, too.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable

from ..errors import Refused

# Tries in five minutes. An address may be that of a whole house, or of a proxy that was not declared.
TRIES, ADDRESS_TRIES, NAME_TRIES, WINDOW_S = 5, 40, 80, 300.0
_MOST_KEYS = 10_000
Key = tuple[str, str, str]


class TooOften(Refused):
    """Too many attempts; none is accepted for `wait_s` seconds."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = max(1, round(wait_s))
        super().__init__(f"Too many attempts. Wait {self.wait_s} s, then try again.")


class Throttle:
    """Failed tries of the last five minutes; a success clears those of its name."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._failed: dict[Key, deque[float]] = {}
        self._turn = threading.Lock()

    def admit(self, name: str, address: str, browser: str = "") -> None:
        """Counts a try; TooOften where there were too many. A success takes it back by `note_success`.

        `browser` is the mark of a browser that signed in to this account before, verified by the caller.
        """
        self._admit(_keys(name, address, browser))

    def note_success(self, name: str, address: str, browser: str = "") -> None:
        """The try was a success."""
        first, *others = _keys(name, address, browser)
        with self._turn:
            self._failed.pop(first[0], None)
            for key, _ in others:
                if tried := self._failed.get(key):
                    tried.pop()

    def admit_signature(self, name: str, session: str) -> None:
        """Count a signature's try by a signed-in person: nobody else's tries count here."""
        self._admit([(("signature", _name(name), session), TRIES)])

    def note_signature(self, name: str, session: str) -> None:
        """The signature was given."""
        with self._turn:
            self._failed.pop(("signature", _name(name), session), None)

    def _admit(self, keys: list[tuple[Key, int]]) -> None:
        with self._turn:
            now = self._clock()
            waits = [self._wait(key, most, now) for key, most in keys]
            if max(waits) > 0:
                raise TooOften(max(waits))
            for key, _ in keys:
                self._failed.setdefault(key, deque()).append(now)

    def _wait(self, key: Key, most: int, now: float) -> float:
        tried = self._failed.get(key, deque())
        while tried and now - tried[0] > WINDOW_S:
            tried.popleft()
        if not tried:
            self._failed.pop(key, None)
        if len(self._failed) > _MOST_KEYS:
            self._failed.pop(next(iter(self._failed)))
        return WINDOW_S - (now - tried[0]) if len(tried) >= most else 0.0


def _keys(name: str, address: str, browser: str) -> list[tuple[Key, int]]:
    """What a try counts for, with the most that each takes."""
    if browser:
        return [(("known", _name(name), browser), TRIES)]
    return [
        (("both", _name(name), address), TRIES),
        (("address", "", address), ADDRESS_TRIES),
        (("name", _name(name), ""), NAME_TRIES),
    ]


def _name(name: str) -> str:
    return name.strip().casefold()[:200]
