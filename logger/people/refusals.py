"""Refused attempts, for the journal (kind `refused`): each at once, and repetitions counted, not repeated.

Whoever tries a thousand times must not be able to fill the disk with it, nor to hide anything behind it.
So each kind has room of its own; what finds none is counted, and the count is written a minute later.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import Counter, OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from ..errors import StoreError
from ..store import Store

log = logging.getLogger(__name__)
REPEAT_S = 60.0
_MOST_A_MINUTE = 60  # entries of one kind
_MOST_KEYS = 1000
Key = tuple[str, str, str]


class Kind(StrEnum):
    """What was refused. A flood of one kind hides nothing of the others."""

    SIGN_IN = "sign-in"  # a wrong name or password, or too many of them
    SIGNATURE = "signature"  # a wrong password of who is signed in
    TOKEN = "token"  # noqa: S105 (a kind of attempt: a token that is none, or has not the scope)
    REQUEST = "request"  # anything else that somebody may not


@dataclass
class _Count:
    """The last entry of one attempt, and how many came since that are in no entry."""

    at_s: float
    since: int = 0


class Refusals:
    """What was tried and refused, on its way into the journal of one record."""

    def __init__(self, store: Store, clock: Callable[[], float] = time.monotonic) -> None:
        self._store = store
        self._clock = clock
        self._written: dict[Kind, OrderedDict[Key, _Count]] = {kind: OrderedDict() for kind in Kind}
        self._uncounted: Counter[Kind] = Counter()
        self._turn = threading.Lock()
        self._timer: threading.Timer | None = None

    def note(self, who: str, attempt: str, why: str, address: str, kind: Kind = Kind.REQUEST) -> None:
        """Somebody tried something and was refused. A record that cannot be written opens no door."""
        count = self._count(kind, (who, attempt, address))
        if count:
            self._write(kind, (who, attempt, address), why, count)
        else:
            self._later()

    def flush(self) -> None:
        """Write what was counted and stands in no entry yet: one entry for each attempt or kind."""
        with self._turn:
            self._timer = None
            due = [
                (kind, key, count_.since)
                for kind, counts in self._written.items()
                for key, count_ in counts.items()
                if count_.since
            ]
            for kind, key, _ in due[:_MOST_A_MINUTE]:
                self._written[kind][key] = _Count(self._clock())
            for kind, key, count in due[_MOST_A_MINUTE:]:
                self._uncounted[kind] += count
                self._written[kind][key].since = 0
            more, self._uncounted = self._uncounted, Counter()
        for kind, key, count in due[:_MOST_A_MINUTE]:
            self._write(kind, key, "repeated", count)
        for kind, count in more.items():
            self._write(kind, ("several", "further ones", ""), "more than are written one by one", count)

    def _write(self, kind: Kind, key: Key, why: str, times: int) -> None:
        who, attempt, address = key
        what: dict[str, str | int] = {"attempt": attempt[:200], "address": address, "times": times}
        what["kind"] = kind.value
        try:
            self._store.journal.append("refused", who[:120], {**what}, why)
        except StoreError:
            log.exception("a refused attempt could not be journalled: %s by %s", attempt, who)

    def _count(self, kind: Kind, key: Key) -> int:
        """How many attempts the entry stands for that is due now; 0: none is due."""
        with self._turn:
            now, counts = self._clock(), self._written[kind]
            earlier = counts.pop(key, None)
            recent = sum(now - count_.at_s < REPEAT_S for count_ in counts.values())
            if earlier is None and recent >= _MOST_A_MINUTE:
                self._uncounted[kind] += 1
                return 0
            if earlier is not None and now - earlier.at_s < REPEAT_S:
                counts[key] = _Count(earlier.at_s, earlier.since + 1)
                return 0
            counts[key] = _Count(now)
            while len(counts) > _MOST_KEYS:
                self._uncounted[kind] += counts.popitem(last=False)[1].since
            return 1 + (earlier.since if earlier else 0)

    def _later(self) -> None:
        """See to it that what is only counted is written, also when nobody tries any more."""
        with self._turn:
            if self._timer is None:
                self._timer = threading.Timer(REPEAT_S, self.flush)
                self._timer.daemon = True
                self._timer.start()
