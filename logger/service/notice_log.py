"""Lines of the log about notices that a route did not take: each once an hour, and one when it takes some."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from ..notify.mail import SendOutcome
from ..notify.outbox import Letter

log = logging.getLogger(__name__)

AGAIN_S = 3600.0


class NoticeLog:
    """What the log has of each route; a mail server that is away all night does not fill it."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._clock_s = clock_s
        self._said_s: dict[tuple[str, str, str, str], float] = {}

    def note(self, letter: Letter, outcome: SendOutcome) -> None:
        """Of one attempt."""
        if outcome.result == "accepted":
            of_route = [key for key in self._said_s if key[0] == letter.route]
            for key in of_route:
                del self._said_s[key]
            if of_route:
                log.warning("route %s accepts notices again", letter.route)
            return
        recipient = str(letter.body["recipient"] or letter.route)
        answer = f"{outcome.code} {outcome.reply}" if outcome.code else outcome.reply
        key, now_s = (letter.route, letter.alarm, recipient, answer), self._clock_s()
        if now_s - self._said_s.get(key, -AGAIN_S) < AGAIN_S:
            return
        self._said_s = {k: at for k, at in self._said_s.items() if now_s - at < AGAIN_S} | {key: now_s}
        later = "waits and is sent again" if outcome.result == "later" else "is refused for good"
        log.warning(
            "route %s: the notice of %s to %s %s: %s", letter.route, letter.alarm, recipient, later, answer
        )
