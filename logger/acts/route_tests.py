"""Tests of the routes: a notice to everybody whom any alarm can reach, and by name what was not proven.

What an alarm reaches is more than who is on duty now: routes of single alarms, escalations, every person of a
calendar, and who stands in. What stays unproven is named with the alarms that depend on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from ..core.alarms.recipients import Address, all_addresses, default_routes
from ..errors import Refused, UnknownName
from ..instants import NS, rfc3339
from ..model import Config
from ..notify.outbox import Letter
from ..notify.text import Wording
from ..store import Store
from ..store.types import JSON
from . import alarms as attending
from .required import required_person

PROOF = "proof"
NAMED = 6  # alarms named in one sentence


@dataclass(frozen=True)
class Receipt:
    """What became of one test notice; `state` is waiting, sent or failed."""

    route: str
    recipient: str
    state: str
    answer: str


def prove(store: Store, config: Config, who: str, now_ns: int, routes: Sequence[str] = ()) -> tuple[str, int]:
    """Queue a test for every recipient of the routes, all where none is named; the test's key, how many."""
    names = [*(d.key for d in config.duties), *config.routes]
    for route in routes:
        if route not in names:
            raise UnknownName("route", route, names)
    to = all_addresses(routes or names, config)
    if not to:
        raise Refused("There is no route to test: alarms.toml has none but the screen.")
    with store.begin() as conn:
        recipients = [f"{a.route}: {a.recipient or a.route}" for a in to]
        entry = store.journal.append(
            PROOF, required_person(who), {"to": list[JSON](recipients), "act": "sent"}, conn=conn
        )
        key = f"{PROOF}.{entry.number}"
        letters = [(a, _test_words(config, key, a, now_ns, store.simulated)) for a in to]
        return key, attending.outbox(store).post(conn, key, letters, now_ns)


def _test_words(config: Config, key: str, to: Address, now_ns: int, simulated: bool) -> Wording:
    mark = "SIMULATED: " if simulated else ""
    room = config.setup.room.name
    return Wording(
        f"{mark}{room}: test of the route to you",
        f"{mark}This is a test at {rfc3339(now_ns // NS * NS)}; there is no alarm in {room}.\n"
        f"It came by the route {to.route}. "
        f"If you are not the right person, tell {config.setup.room.custodian}.\n"
        f"Test {key}.\n",
    )


def receipts(store: Store, key: str) -> list[Receipt]:
    """What became of a test so far, one for each recipient."""
    return [_receipt(letter) for letter in attending.outbox(store).of(key)]


def _receipt(letter: Letter) -> Receipt:
    return Receipt(letter.route, letter.body["recipient"], letter.state, letter.error)


def unproven_recipients(config: Config, receipts: Iterable[Receipt]) -> list[str]:
    """What a test did not prove, a sentence each: recipients, people without a route, the screen."""
    by_address = {(r.route, r.recipient): r for r in receipts}
    users = _users(config)
    recipients = all_addresses([*(d.key for d in config.duties), *config.routes], config)
    return [
        *(_unproven_reason(a, by_address.get((a.route, a.recipient)), users.get(a.route, ()))
          for a in recipients
          if (a.route, a.recipient) not in by_address or by_address[a.route, a.recipient].state != "sent"),
        *_unreachable(config, recipients),
        *_on_the_screen_alone(config),
    ]  # fmt: skip


def _unproven_reason(to: Address, receipt: Receipt | None, users: Sequence[str]) -> str:
    if receipt is None:
        what = "not tested this time"
    elif receipt.state == "waiting":
        what = f"not sent yet{f' ({receipt.answer})' if receipt.answer else ''}"
    else:
        what = f"not reached ({receipt.answer})"
    whom = f" to {to.person or to.recipient}" if to.recipient else ""
    return f"Route {to.route}{whom}: {what}. {_needed_by(users)}"


def _needed_by(users: Sequence[str]) -> str:
    if not users:
        return "No alarm uses it."
    more = f" and {len(users) - NAMED} more" if len(users) > NAMED else ""
    return f"Alarms that use it: {', '.join(users[:NAMED])}{more}."


def _users(config: Config) -> Mapping[str, list[str]]:
    """By route: alarms that go out by it, also through a calendar or when they are escalated."""
    carried = {d.key: d.route for d in config.duties}
    users: dict[str, list[str]] = {}
    for spec in attending.alarm_specs(config.setup, default_routes(config)):
        names = (*spec.routes, *spec.escalate_to)
        for route in dict.fromkeys(carried.get(name, name) for name in names if name != "screen"):
            users.setdefault(route, []).append(spec.key)
    return users


def _unreachable(config: Config, recipients: Iterable[Address]) -> Iterator[str]:
    reached = {a.recipient for a in recipients}
    for person in config.people:
        if person.address not in reached:
            yield f"{person.name} ({person.address}): no route and no calendar leads to this person."


def _on_the_screen_alone(config: Config) -> Iterator[str]:
    specs = attending.alarm_specs(config.setup, default_routes(config))
    alone = [s.key for s in specs if set(s.routes) <= {"screen"} and s.priority != "low"]
    if alone:
        more = f" and {len(alone) - NAMED} more" if len(alone) > NAMED else ""
        yield f"Alarms that only the screen shows, which no test proves: {', '.join(alone[:NAMED])}{more}."
