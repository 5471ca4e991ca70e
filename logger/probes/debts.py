"""Answers that may still come: which question of which device was not answered in time, and until when.

Neither Modbus RTU nor a line of text says in its answer which question it belongs to. An answer that comes
too late would be taken for that to the next question: for another register, another probe or a later poll.
So who missed a deadline is not asked before its answer can have come, and a Modbus device first gets a
question whose answer has another length than any that may be on its way.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Collection

# Time-outs after a missed deadline within which an answer may still come. Common practice, no source:
# gateways and busy devices may answer up to five time-outs late.
LATEST = 5.5
NOT_ASKED = "not asked: a late answer may still come"
_REMEMBERED = 60  # questions of one device without an answer, the oldest of which have long passed
PROOFS = 2  # so often a device is asked in another shape; some leave such questions unanswered


class Debts:
    """What is owed on one line, by the name of who owes it (a probe, a device, an address)."""

    def __init__(self) -> None:
        self._until_s: dict[str, float] = {}
        self._shapes: dict[str, deque[int]] = {}
        self._missed: dict[str, int] = {}

    def note(self, who: str, timeout_s: float, shape: int = 0) -> None:
        """An answer of that shape (registers, say) did not come in time."""
        until_s = time.monotonic() + LATEST * timeout_s
        self._until_s[who] = max(until_s, self._until_s.get(who, 0.0))
        self._shapes.setdefault(who, deque(maxlen=_REMEMBERED)).append(shape)
        self._missed[who] = self._missed.get(who, 0) + 1

    def left_s(self, whose: Collection[str]) -> float:
        """How long answers of any of these may still come, in seconds; 0 when none may."""
        now_s = time.monotonic()
        return max((self._until_s.get(who, now_s) - now_s for who in whose), default=0.0)

    def owing(self, who: str) -> bool:
        """Whether its answer may still come."""
        return self.left_s((who,)) > 0

    def unlike(self, who: str, most: int) -> int:
        """The smallest shape from 1 to `most` that no answer on its way has; 0 where no proof is needed.

        After some proofs without an answer none is asked for: having waited must do.
        """
        shapes = self._shapes.get(who)
        if not shapes or self._missed[who] > PROOFS:
            return 0
        return next((shape for shape in range(1, most + 1) if shape not in shapes), 0)

    def settle(self, who: str) -> None:
        """It answered the newest question: earlier answers have come or never will."""
        self._until_s.pop(who, None)
        self._shapes.pop(who, None)
        self._missed.pop(who, None)
