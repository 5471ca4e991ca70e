"""A watcher outside: whether the service on another machine gives signs of life, and who is told if not.

The sign is the file `heartbeat`, read over a share or as the service writes it elsewhere, or what an address
answers. It counts by this machine's own clock how long the sign has not changed: a clock that is wrong over
there neither hides a death nor makes one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http.client import HTTPException
from pathlib import Path

from ..core.alarms.recipients import Address, addresses, default_routes
from ..instants import NS, rfc3339
from ..model import Config, MailRoute
from ..notify.mail import Sender, SendOutcome, SmtpSender, identity, message
from ..notify.text import Wording
from ..notify.ways import Ways
from ..processes.deadline import BoundedCall, Lines, opener, within

REPEATED_S = 86_400.0
ANSWER_S = 10.0
Read = Callable[[], str]


def of_file(path: Path) -> Read:
    """The sign in a file; empty where it cannot be read."""

    call = BoundedCall(f"reading {path}", ANSWER_S)

    def read() -> str:
        try:
            return call.run(lambda _: path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError):
            return ""

    return read


def of_address(url: str) -> Read:
    """What an address answers; empty where it does not. No proxy: one could answer for the dead."""

    def request(lines: Lines) -> str:
        with opener(lines).open(url, timeout=ANSWER_S) as answer:
            return str(answer.read(100_000).decode("utf-8", "replace"))

    def read() -> str:
        try:
            return within(ANSWER_S, f"asking {url}", request)
        except (OSError, HTTPException):
            return ""

    return read


@dataclass
class Watcher:
    """Looks at the heartbeat of a service; `turn` notifies people once it has ended, and when it is back.

    `older_s`: a sign that has not changed for so long means that the service is dead.
    """

    read: Read
    config: Config
    older_s: float = 180.0
    routes: tuple[str, ...] = ()
    sender: Sender = field(default_factory=SmtpSender)
    ways: Ways = field(default_factory=Ways)
    _sign: str = ""
    _changed_s: float | None = None
    _since_ns: int = 0
    _notified_s: float | None = None
    _waiting: list[tuple[Address, Wording, str]] = field(default_factory=list)

    @property
    def dead(self) -> bool:
        """Whether people were notified, or are being notified, that it is dead."""
        return self._notified_s is not None

    def turn(self, monotonic_s: float, now_ns: int) -> list[tuple[Address, SendOutcome]]:
        """One look. What could not be handed over is tried again at the next one."""
        sign = self.read()
        if self._changed_s is None:
            self._changed_s = monotonic_s  # it gets its time also when it was dead before we came
        if sign and sign != self._sign:
            self._sign, self._changed_s = sign, monotonic_s
            if self.dead:
                self._notified_s = None
                self._waiting = self._letters(self._back(now_ns), f"alive|{now_ns}", now_ns)
        silent_s = monotonic_s - self._changed_s
        due = self._notified_s is None or monotonic_s - self._notified_s >= REPEATED_S
        if silent_s >= self.older_s and due:
            if self._notified_s is None:
                self._since_ns = now_ns - round(silent_s * NS)
            self._notified_s = monotonic_s
            self._waiting = self._letters(self._gone(silent_s), f"dead|{now_ns}", now_ns)
        return self._send(now_ns)

    def _letters(self, words: Wording, key: str, now_ns: int) -> list[tuple[Address, Wording, str]]:
        to = addresses(self.routes or default_routes(self.config), self.config, now_ns)
        return [(a, words, identity(f"{key}|{a.recipient or a.route}", a.sender)) for a in to]

    def _gone(self, silent_s: float) -> Wording:
        room, mark = self.config.setup.room.name, self._mark
        facts = _facts(self._sign)
        last = f"The last heartbeat was at {facts['at']}" if "at" in facts else "There was no heartbeat yet"
        how = ", when the service was stopped in order" if facts.get("stopped") is True else ""
        return Wording(
            f"{mark}{room}: no heartbeat from the service",
            f"{mark}The service of {room} has sent no heartbeat for {silent_s / 60:.0f} min.\n"
            f"{last}{how}.\n"
            "Until it runs again, no alarm is sent and no reading is taken.\n"
            "Action: check that the machine runs and has power; then start `stillroom run`.\n",
        )

    def _back(self, now_ns: int) -> Wording:
        room, mark = self.config.setup.room.name, self._mark
        return Wording(
            f"{mark}{room}: the service is back",
            f"{mark}The service of {room} sends heartbeats again since {rfc3339(now_ns // NS * NS)}.\n"
            f"There was none from about {rfc3339(self._since_ns // NS * NS)} on. "
            "See the gap on page Trend.\n",
        )

    @property
    def _mark(self) -> str:
        return "SIMULATED: " if self.config.setup.room.simulated else ""

    def _send(self, now_ns: int) -> list[tuple[Address, SendOutcome]]:
        results = [(letter, self._attempt(letter, now_ns)) for letter in self._waiting]
        self._waiting = [letter for letter, outcome in results if outcome.result == "later"]
        return [(letter[0], outcome) for letter, outcome in results]

    def _attempt(self, letter: tuple[Address, Wording, str], now_ns: int) -> SendOutcome:
        to, words, named = letter
        route = self.config.routes[to.route]
        if not isinstance(route, MailRoute):
            facts = {"message_id": named, "subject": words.subject, "text": words.body, "alarm": "heartbeat"}
            return self.ways.send(route, facts)
        simulated = self.config.setup.room.simulated
        mail = message(
            words, sender=to.sender, recipient=to.recipient, identity=named, at_ns=now_ns, simulated=simulated
        )
        return self.sender.send(route, mail)


def _facts(sign: str) -> Mapping[str, object]:
    try:
        facts = json.loads(sign)
    except (ValueError, RecursionError):
        return {}
    return facts if isinstance(facts, dict) else {}
