"""Refused attempts, for the journal (kind `refused`): each at once, and repetitions counted, not repeated.

Whoever tries a thousand times must not be able to fill the disk with it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from ..errors import StoreError
from ..store import Store

log = logging.getLogger(__name__)
REPEAT_S = 60.0
_MOST_A_MINUTE = 60
_MOST_KEYS = 1000


@dataclass
class _Told:
    at_s: float
    more: int = 0


class Refusals:
    """What was tried and refused, on its way into the journal of one record."""

    def __init__(self, store: Store, clock: Callable[[], float] = time.monotonic) -> None:
        self._store = store
        self._clock = clock
        self._told: OrderedDict[tuple[str, str, str], _Told] = OrderedDict()
        self._turn = threading.Lock()

    def note(self, who: str, attempt: str, why: str, address: str) -> None:
        """Somebody tried something and was refused. A record that cannot be written opens no door."""
        count = self._count((who, attempt, address))
        if not count:
            return
        what: dict[str, str | int] = {"attempt": attempt[:200], "address": address, "times": count}
        try:
            self._store.journal.append("refused", who[:120], {**what}, why)
        except StoreError:
            log.exception("a refused attempt could not be journalled: %s by %s", attempt, who)

    def _count(self, key: tuple[str, str, str]) -> int:
        """How many attempts the entry stands for that is due now; 0: none is due."""
        with self._turn:
            now = self._clock()
            known = self._told.pop(key, None)
            recent = sum(now - told.at_s < REPEAT_S for told in self._told.values())
            if known is None and recent >= _MOST_A_MINUTE:
                return 0
            due = known is None or now - known.at_s >= REPEAT_S
            times = 1 + (known.more if known else 0)
            self._told[key] = _Told(now) if due or known is None else _Told(known.at_s, times)
            while len(self._told) > _MOST_KEYS:
                self._told.popitem(last=False)
            return times if due else 0
