"""The database refuses: the one alarm that cannot be stored before it is told, and so is told directly."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..duty import addresses, every_way
from ..model import Config, MailRoute
from ..notify.mail import Sender, identity, message
from ..notify.text import Wording
from ..notify.ways import Ways

TOLD_AFTER_S = 60.0  # a disk that is slow for a moment calls nobody
AGAIN_S = 3600.0


@dataclass
class Unstored:
    """Remembers since when nothing can be stored, and tells it by every way, hourly while it lasts."""

    sender: Sender
    ways: Ways = field(default_factory=Ways)
    _since_s: float | None = None
    _told_s: float | None = None

    def turn(self, config: Config, trouble: str, waiting: int, *, monotonic_s: float, now_ns: int) -> int:
        """How many recipients took it now. `trouble`: why nothing is stored, empty when it is."""
        if not trouble:
            self._since_s = self._told_s = None
            return 0
        self._since_s = monotonic_s if self._since_s is None else self._since_s
        lasted_s = monotonic_s - self._since_s
        if lasted_s < TOLD_AFTER_S or (self._told_s is not None and monotonic_s - self._told_s < AGAIN_S):
            return 0
        taken = self._tell(config, _words(config, trouble, waiting, lasted_s), now_ns)
        if taken:
            self._told_s = monotonic_s
        return taken

    def _tell(self, config: Config, words: Wording, now_ns: int) -> int:
        taken, simulated = 0, config.setup.room.simulated
        for to in addresses(every_way(config), config, now_ns):
            route, named = config.routes[to.route], identity(f"unstored|{now_ns}|{to.recipient}", to.sender)
            if isinstance(route, MailRoute):
                mail = message(
                    words, sender=to.sender, recipient=to.recipient, identity=named, at_ns=now_ns,
                    simulated=simulated,
                )  # fmt: skip
                taken += self.sender.send(route, mail).result == "accepted"
            else:
                facts = {"message_id": named, "subject": words.subject, "text": words.body}
                taken += self.ways.send(route, facts).result == "accepted"
        return taken


def _words(config: Config, trouble: str, waiting: int, lasted_s: float) -> Wording:
    room = config.setup.room
    mark = "SIMULATED: " if room.simulated else ""
    return Wording(
        f"{mark}{room.name}: the record takes nothing",
        f"{mark}Nothing could be stored for {lasted_s / 60:.0f} min: {trouble[:300]}\n"
        f"{waiting} readings wait in memory; they are lost when it overflows or the machine stops.\n"
        "Do first: look at the disk of the data folder, whether it is full, read-only or gone.\n",
    )
