"""How often a probe that does not answer is asked, so that its neighbours on the line keep their time."""

from __future__ import annotations

from random import Random

from .driver import Status

FIRST_S = 0.2
LONGEST_S = 30.0
_SPREAD = 0.2


class Backoff:
    """Pause after failures in a row: 0.2 s, doubled each time up to 30 s, ± 20 %.

    Only a proper answer ends it. That the port could be opened does not: an adapter with a dead
    probe behind it opens well.
    """

    def __init__(self, random: Random) -> None:
        self.failures = 0
        self.status: Status = "timeout"  # of the last failure
        self._random = random
        self._not_before_s = 0.0

    def may_ask(self, now_s: float) -> bool:
        """Whether the pause is over, on the monotonic clock."""
        return self.failures == 0 or now_s >= self._not_before_s

    def learn(self, status: Status, now_s: float) -> None:
        """Takes in how a poll went."""
        if status == "ok":
            self.failures = 0
            return
        self.status = status
        pause_s = min(LONGEST_S, FIRST_S * 2.0 ** min(self.failures, 20))
        self._not_before_s = now_s + pause_s * self._random.uniform(1 - _SPREAD, 1 + _SPREAD)
        self.failures += 1
