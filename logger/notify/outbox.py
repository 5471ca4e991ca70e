"""Notices on their way: queued in the database together with the alarm, so that none is lost.

waiting -> sent, or failed when the server refuses for good or nobody took it for a day. A crash
between the server's acceptance and our commit sends a second time under the same Message-ID.
The schedule is in the table, not in a timer: it outlives a restart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from email.message import EmailMessage
from typing import Any

from sqlalchemy import Connection, Select, Table, func, insert, select, update

from ..core.alarms.lifecycle import AlarmNotice
from ..core.alarms.recipients import Address
from ..instants import NS, rfc3339
from ..model import MailRoute, Route
from .mail import Sender, SendOutcome, identity, message, message_id
from .text import Wording
from .ways import Ways

FIRST_RETRY_NS = 30 * NS
LONGEST_RETRY_NS = 15 * 60 * NS
GIVE_UP_NS = 24 * 3600 * NS


@dataclass(frozen=True)
class Letter:
    """One notice for one recipient as it lies in the outbox."""

    id: int
    at_ns: int
    alarm: str
    route: str
    state: str
    tries: int
    error: str
    body: Mapping[str, Any]


@dataclass(frozen=True)
class Outbox:
    """The `notice` table of a store, reached through its `begin` and `read`."""

    begin: Callable[[], AbstractContextManager[Connection]]
    read: Callable[[], AbstractContextManager[Connection]]
    table: Table
    simulated: bool

    def queue(
        self,
        conn: Connection,
        notice: AlarmNotice,
        wording: Wording,
        routes: Iterable[MailRoute],
        now_ns: int,
    ) -> int:
        """Puts one letter for each recipient of mail routes in the caller's transaction; how many."""
        letters = [(address, wording) for address in _recipients(routes)]
        return self.put(conn, notice, letters, now_ns)

    def put(
        self,
        conn: Connection,
        notice: AlarmNotice,
        letters: Iterable[tuple[Address, Wording]],
        now_ns: int,
        *,
        next_ns: int | None = None,
        further: Mapping[str, Any] | None = None,
    ) -> int:
        """Puts one letter for each address in the caller's transaction, to go out from `next_ns` on.

        `told`: further plain facts for programs that receive it.
        """
        facts = {
            "alarm": notice.alarm,
            "step": notice.step,
            "occurrence": notice.occurrence,
            **(further or {}),
        }
        named = [(a, w, message_id(notice, a.recipient or a.route, a.sender)) for a, w in letters]
        row = {
            "at_ns": notice.at_ns,
            "alarm": notice.alarm,
            "next_ns": now_ns if next_ns is None else next_ns,
        }
        return self._put(conn, row, named, facts)

    def put_letter(
        self, conn: Connection, key: str, wording: Wording, routes: Iterable[MailRoute], now_ns: int
    ) -> None:
        """Puts a letter that belongs to no alarm, one for each recipient; `key` makes it the same again."""
        self.post(conn, key, [(address, wording) for address in _recipients(routes)], now_ns)

    def post(
        self, conn: Connection, key: str, letters: Iterable[tuple[Address, Wording]], now_ns: int
    ) -> int:
        """Puts a letter that belongs to no alarm, one for each address; gives how many."""
        named = [(a, w, identity(f"{key}|{a.recipient or a.route}", a.sender)) for a, w in letters]
        return self._put(conn, {"at_ns": now_ns, "alarm": key, "next_ns": now_ns}, named, {})

    def _put(
        self,
        conn: Connection,
        row: Mapping[str, Any],
        letters: Iterable[tuple[Address, Wording, str]],
        facts: Mapping[str, Any],
    ) -> int:
        common = {
            "at": rfc3339(row["at_ns"]),
            "queued_ns": row["next_ns"],
            "simulated": self.simulated,
            **facts,
        }
        rows = [
            {**row, "route": address.route, "state": "waiting", "body": {
                "recipient": address.recipient, "message_id": named, "subject": wording.subject,
                "text": wording.body, **common,
            }}
            for address, wording, named in letters
        ]  # fmt: skip
        if rows:
            conn.execute(insert(self.table), rows)
        return len(rows)

    def waiting(self, now_ns: int, limit: int = 50, route: str | None = None) -> list[Letter]:
        """Letters whose time has come, oldest first; of one route, or of all."""
        t = self.table
        due = select(t).where(t.c.state == "waiting", t.c.next_ns <= now_ns).order_by(t.c.id).limit(limit)
        return self._letters(due if route is None else due.where(t.c.route == route))

    def routes_due(self, now_ns: int) -> list[str]:
        """Routes for which a letter waits whose time has come."""
        t = self.table
        query = select(t.c.route).where(t.c.state == "waiting", t.c.next_ns <= now_ns).distinct()
        with self.read() as conn:
            return sorted(conn.execute(query).scalars())

    def undelivered_letters(self) -> list[Letter]:
        """Letters that nobody took at the first attempt and that are tried again, due just now or not."""
        t = self.table
        return self._letters(select(t).where(t.c.state == "waiting", t.c.tries > 0).order_by(t.c.id))

    def of(self, alarm: str) -> list[Letter]:
        """Every letter about an alarm or under a key, oldest first, whatever became of it."""
        t = self.table
        return self._letters(select(t).where(t.c.alarm == alarm).order_by(t.c.id))

    def receipts(self) -> dict[str, int]:
        """When each route last took a letter."""
        t = self.table
        query = select(t.c.route, func.max(t.c.sent_ns)).where(t.c.state == "sent").group_by(t.c.route)
        with self.read() as conn:
            return {route: at for route, at in conn.execute(query) if at is not None}

    def failed_letters(self, since_ns: int | None = None) -> list[Letter]:
        """Letters that were given up, or that were since then: a person must hear of them on the screen."""
        t = self.table
        query = select(t).where(t.c.state == "failed").order_by(t.c.id)
        return self._letters(query if since_ns is None else query.where(t.c.next_ns > since_ns))

    def send_due(
        self,
        sender: Sender,
        routes: Mapping[str, Route],
        now_ns: int,
        going_on: Callable[[], bool] = lambda: True,
        ways: Ways | None = None,
        *,
        route: str | None = None,
    ) -> list[tuple[Letter, SendOutcome]]:
        """One attempt for each letter that is due; each result is committed before the next attempt.

        `route`: only letters of that one.
        """
        results = []
        for letter in self.waiting(now_ns, route=route):
            if not going_on():
                break
            outcome = self._attempt(letter, routes.get(letter.route), sender, ways or Ways())
            self._note(letter, outcome, now_ns)
            results.append((letter, outcome))
        return results

    def _attempt(self, letter: Letter, route: Route | None, sender: Sender, ways: Ways) -> SendOutcome:
        if route is None:
            return SendOutcome("refused", 0, f"Route {letter.route!r} was removed from the setup.")
        if isinstance(route, MailRoute):
            return sender.send(route, self._message(letter, route))
        return ways.send(route, letter.body)

    def _letters(self, query: Select[Any]) -> list[Letter]:
        names = ("id", "at_ns", "alarm", "route", "state", "tries", "error", "body")
        with self.read() as conn:
            return [Letter(*(row[name] for name in names)) for row in conn.execute(query).mappings()]

    def _message(self, letter: Letter, route: MailRoute) -> EmailMessage:
        return message(
            Wording(letter.body["subject"], letter.body["text"]),
            sender=route.sender,
            recipient=letter.body["recipient"],
            identity=letter.body["message_id"],
            at_ns=letter.at_ns,
            simulated=self.simulated,
        )

    def _note(self, letter: Letter, outcome: SendOutcome, now_ns: int) -> None:
        tries = letter.tries + 1
        values: dict[str, Any] = {"tries": tries, "error": f"{outcome.code} {outcome.reply}".strip()}
        if outcome.result == "accepted":
            values |= {"state": "sent", "sent_ns": now_ns, "next_ns": None, "error": ""}
        elif gives_up(letter, outcome, now_ns):
            values |= {"state": "failed", "next_ns": now_ns}  # when it was given up
        else:
            values |= {"next_ns": now_ns + back_off_ns(tries)}
        with self.begin() as conn:
            conn.execute(update(self.table).where(self.table.c.id == letter.id).values(**values))


def back_off_ns(tries: int) -> int:
    """How long to wait after so many attempts: 30 s, doubled, at most 15 min.

    >>> [back_off_ns(n) // NS for n in (1, 2, 6, 99)]
    [30, 60, 900, 900]
    """
    return min(FIRST_RETRY_NS << min(tries - 1, 10), LONGEST_RETRY_NS)


def gives_up(letter: Letter, outcome: SendOutcome, now_ns: int) -> bool:
    """Whether a letter will not be tried again: refused for good, or nobody took it for a day."""
    return outcome.result == "refused" or now_ns - int(letter.body["queued_ns"]) > GIVE_UP_NS


def _recipients(routes: Iterable[MailRoute]) -> list[Address]:
    return [Address(route.key, recipient, route.sender) for route in routes for recipient in route.recipients]
