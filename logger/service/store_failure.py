"""The database refuses: the one alarm that cannot be stored before its notices, which so go out directly."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial

from ..core.alarms.recipients import Address, addresses, default_routes
from ..instants import NS
from ..model import Config, MailRoute
from ..notify.mail import Sender, identity, message
from ..notify.quantities import duration
from ..notify.text import Wording, count_phrase
from ..notify.ways import Ways
from ..processes.deadline import Attempt

NOTIFIED_AFTER_S = 30.0  # a disk that is slow for a moment calls nobody
AGAIN_S = 3600.0
ANSWERED_S = 60.0  # longer than any route may take


@dataclass
class StoreFailure:
    """Remembers since when nothing can be stored, and notifies by every route, hourly while it lasts.

    A route that fails is tried again at the next turn; it holds back none of the others.
    """

    sender: Sender
    ways: Ways = field(default_factory=Ways)
    on_server: bool = False  # whether the newest readings lie on a database server
    _since_s: float | None = None
    _begun_s: float | None = None  # when the newest round of notices began
    _reached: set[Address] = field(default_factory=set)  # in that round

    def turn(self, config: Config, trouble: str, waiting: int, *, monotonic_s: float, now_ns: int) -> int:
        """How many recipients took it now. `trouble`: why nothing is stored, empty when it is."""
        if not trouble:
            self._since_s = self._begun_s = None
            return 0
        self._since_s = monotonic_s if self._since_s is None else self._since_s
        lasted_s = monotonic_s - self._since_s
        if lasted_s < NOTIFIED_AFTER_S:
            return 0
        if self._begun_s is None or monotonic_s - self._begun_s >= AGAIN_S:
            self._begun_s, self._reached = monotonic_s, set()
        return self._notify(
            config, _words(config, trouble, waiting, lasted_s, _ACTION[self.on_server]), now_ns
        )

    def _notify(self, config: Config, words: Wording, now_ns: int) -> int:
        recipients = addresses(default_routes(config), config, now_ns)
        attempts = {
            to: Attempt(f"notice by {to.route}", partial(self._send, config, to, words, now_ns))
            for to in recipients
            if to not in self._reached
        }
        reached = {to for to, attempt in attempts.items() if attempt.wait(ANSWERED_S) and attempt.result()}
        self._reached |= reached
        return len(reached)

    def _send(self, config: Config, to: Address, words: Wording, now_ns: int) -> bool:
        route, named = config.routes[to.route], identity(f"unstored|{now_ns}|{to.recipient}", to.sender)
        if isinstance(route, MailRoute):
            mail = message(
                words, sender=to.sender, recipient=to.recipient, identity=named, at_ns=now_ns,
                simulated=config.setup.room.simulated,
            )  # fmt: skip
            return self.sender.send(route, mail).result == "accepted"
        facts = {"message_id": named, "subject": words.subject, "text": words.body}
        return self.ways.send(route, facts).result == "accepted"


_ACTION = {
    False: "check the disk of the data folder, whether it is full, read-only or gone.",
    True: "check that the database server runs, answers, takes the password of the room's role and has room "
    "on its disk, and that this machine can reach it.",
}


def _words(config: Config, trouble: str, waiting: int, lasted_s: float, action: str) -> Wording:
    room = config.setup.room
    mark = "SIMULATED: " if room.simulated else ""
    in_memory = count_phrase(waiting, "{} reading waits", "{} readings wait") or "No reading waits yet"
    return Wording(
        f"{mark}{room.name}: readings cannot be stored",
        f"{mark}Nothing could be stored for {duration(round(lasted_s) * NS)}: {trouble[:600]}\n{in_memory} "
        f"in memory; what waits is lost when memory overflows or the machine stops.\nAction: {action}\n",
    )
