"""What people do with alarms: shelve, reset, take out of service, acknowledge by mail.

Each act is one transaction with its entry of kind `alarm`, and is refused where the state does not know it.
A notice that was withheld meanwhile and still stands is told by the service's next turn.
"""

from __future__ import annotations

from collections.abc import Sequence

from . import actions
from .alarms import Act, ActKind, Alarm, AlarmState, acted
from .approval import person, said
from .causes import cause_of, leads
from .errors import Refused, UnknownName
from .instants import NS, rfc3339
from .links import Permit
from .store import Store

DAY_NS = 86_400 * NS
LONGEST_SHELF_NS = 31 * DAY_NS
_SAID: dict[ActKind, str] = {
    "shelve": "reason for shelving",
    "unshelve": "reason for taking it off the shelf",
    "reset": "reason for the reset",
    "remove": "reason for taking it out of service",
    "return": "reason for putting it back in service",
}


def shelve(store: Store, key: str, who: str, reason: str, *, until_ns: int, now_ns: int) -> Alarm:
    """Put an alarm aside until an instant; it is evaluated all the while, and comes back by itself."""
    if until_ns <= now_ns:
        raise Refused(f"Alarm {key!r} cannot be shelved until {rfc3339(until_ns)}, which is over.")
    if until_ns - now_ns > LONGEST_SHELF_NS:
        raise Refused(
            f"Alarm {key!r}: wanted at most 31 days on the shelf, found {(until_ns - now_ns) // DAY_NS}. "
            "What is not wanted for longer is taken out of service, or out of alarms.toml."
        )
    return _act(store, key, "shelve", who, reason, now_ns=now_ns, until_ns=until_ns)


def unshelve(store: Store, key: str, who: str, reason: str, now_ns: int) -> Alarm:
    """Take an alarm off the shelf before its time."""
    return _act(store, key, "unshelve", who, reason, now_ns=now_ns)


def reset(store: Store, key: str, who: str, reason: str, now_ns: int) -> Alarm:
    """End a latched alarm that was acknowledged and is over."""
    return _act(store, key, "reset", who, reason, now_ns=now_ns)


def take_out(store: Store, key: str, who: str, reason: str, now_ns: int) -> Alarm:
    """Take an alarm out of service, for work on what it watches."""
    return _act(store, key, "remove", who, reason, now_ns=now_ns)


def put_back(store: Store, key: str, who: str, reason: str, now_ns: int) -> Alarm:
    """Put an alarm back in service."""
    return _act(store, key, "return", who, reason, now_ns=now_ns)


def _act(
    store: Store, key: str, kind: ActKind, who: str, reason: str, *, now_ns: int, until_ns: int | None = None
) -> Alarm:
    act = Act(kind, person(who), now_ns, said(reason, _SAID[kind]), until_ns)
    with store.begin() as conn:
        before = actions.known_alarm(conn, key)
        _refuse_idle(before, kind)
        done = acted(before, act)
        after = leads(done.alarm, now_ns) if done.notices else done.alarm
        actions.put_alarm(conn, after, now_ns)
        until = {} if until_ns is None else {"until": rfc3339(until_ns)}
        what = actions.change(before, after) | {"act": kind, **until}
        store.journal.append("alarm", act.who, what, act.comment, conn)
    return after


def _refuse_idle(alarm: Alarm, kind: ActKind) -> None:
    """An act that would change nothing is refused, so that nobody believes it was done."""
    idle = {
        "unshelve": alarm.shelved_until_ns is None,
        "reset": alarm.condition is not AlarmState.LATCHED_ACKNOWLEDGED,
        "remove": bool(alarm.removed_by),
        "return": not alarm.removed_by,
    }
    if idle.get(kind):
        raise Refused(f"Alarm {alarm.key!r} is {alarm.state}: there is nothing to {kind}.")


def acknowledge_many(store: Store, keys: Sequence[str], who: str, comment: str, now_ns: int) -> list[Alarm]:
    """Acknowledge all alarms of one cause by one comment; Refused where they have several causes."""
    known = {alarm.key: alarm for alarm in actions.alarm_list(store)}
    missing = [key for key in keys if key not in known]
    if missing:
        raise UnknownName("alarm", missing[0], known)
    causes = {cause_of(known[key]) or (key, 0) for key in keys}
    if len(causes) > 1:
        named = ", ".join(key for key, _ in sorted(causes))
        raise Refused(
            f"These alarms have several causes ({named}). Acknowledge each cause with a comment of its own."
        )
    return actions.acknowledge_all(store, keys, who, comment, now_ns)


def acknowledge_by_mail(store: Store, permit: Permit, comment: str, now_ns: int) -> Alarm:
    """What the holder of a link does; Refused where its notice is not the one that waits any more."""
    refuse_used(store, permit)
    return actions.acknowledge(store, permit.alarm, permit.who, comment, now_ns)


def refuse_used(store: Store, permit: Permit) -> Alarm:
    """The alarm of a link, while the link still has something to do; Refused otherwise."""
    alarm = next((a for a in actions.alarm_list(store) if a.key == permit.alarm), None)
    if alarm is None or alarm.occurrence != permit.occurrence:
        raise Refused(f"Alarm {permit.alarm!r} of that mail is over; look at page Now.")
    if alarm.acknowledged_by:
        raise Refused(f"{alarm.acknowledged_by} has acknowledged it already.")
    if alarm.repeats and not permit.step.endswith(f" {alarm.repeats}"):
        raise Refused("The alarm was told again since; use the link of the newest mail.")
    return alarm
