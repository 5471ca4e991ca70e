"""What people do with alarms: shelve, reset, take out of service, acknowledge by mail.

Each act is one transaction with its entry of kind `alarm`, and is refused where the state does not know it.
A notice that was withheld meanwhile and still stands is told by the service's next turn.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Text, insert, select, type_coerce, update

from ..core.alarms.grouping import cause_of, start_cause
from ..core.alarms.lifecycle import ACKNOWLEDGED, ActKind, Alarm, AlarmAct, AlarmState, apply_act
from ..core.alarms.system import system_alarms
from ..errors import Refused, UnknownName
from ..instants import NS, rfc3339
from ..model import AlarmSpec, Setup
from ..model.entry_forms import AlarmEntry
from ..model.roles import refuse_unseen
from ..notify.links import Permit
from ..notify.outbox import Letter, Outbox
from ..store import Store
from ..store.hot import tables
from .required import required_person, required_text, visible

if TYPE_CHECKING:
    from ..store import Store

log = logging.getLogger(__name__)

DAY_NS = 86_400 * NS
LONGEST_SHELF_NS = 31 * DAY_NS
_SAID: dict[ActKind, str] = {
    "shelve": "reason for shelving",
    "unshelve": "reason for unshelving",
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
            f"Alarm {key!r}: expected at most 31 days on the shelf, found {(until_ns - now_ns) // DAY_NS}. "
            "To silence it for longer, take it out of service, or out of alarms.toml."
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
    act = AlarmAct(kind, required_person(who), now_ns, required_text(reason, _SAID[kind]), until_ns)
    with store.begin() as conn:
        before = known_alarm(conn, key)
        _refuse_idle(before, kind)
        outcome = apply_act(before, act)
        after = start_cause(outcome.alarm, now_ns) if outcome.notices else outcome.alarm
        put_alarm(conn, after, now_ns)
        what: AlarmEntry = {**change(before, after), "act": kind}
        if until_ns is not None:
            what["until"] = rfc3339(until_ns)
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
    alarms = {alarm.key: alarm for alarm in alarm_list(store)}
    missing = [key for key in keys if key not in alarms]
    if missing:
        raise UnknownName("alarm", missing[0], alarms)
    causes = {cause_of(alarms[key]) or (key, 0) for key in keys}
    if len(causes) > 1:
        named = ", ".join(key for key, _ in sorted(causes))
        raise Refused(
            f"These alarms have several causes ({named}). Acknowledge each cause with a comment of its own."
        )
    return acknowledge_all(store, keys, who, comment, now_ns)


def acknowledge_by_mail(store: Store, permit: Permit, comment: str, now_ns: int) -> Alarm:
    """What the holder of a link does; Refused where its notice is not the one that waits any more."""
    refuse_used_link(store, permit)
    return acknowledge(store, permit.alarm, permit.who, comment, now_ns)


def refuse_used_link(store: Store, permit: Permit) -> Alarm:
    """The alarm of a link, while the link still has something to do; Refused otherwise."""
    alarm = next((a for a in alarm_list(store) if a.key == permit.alarm), None)
    if alarm is None or alarm.occurrence != permit.occurrence:
        raise Refused(f"Alarm {permit.alarm!r} of that mail has cleared. See page Now.")
    if alarm.acknowledged_by:
        raise Refused(f"{alarm.acknowledged_by} has acknowledged it already.")
    if alarm.repeats and not permit.step.endswith(f" {alarm.repeats}"):
        raise Refused("A newer notice was sent. Use the link in the newest mail.")
    return alarm


def acknowledge(store: Store, alarm_key: str, who: str, comment: str, now_ns: int) -> Alarm:
    """A person takes notice of an alarm and says so; gives the alarm after it."""
    return acknowledge_all(store, [alarm_key], who, comment, now_ns)[0]


def acknowledge_all(
    store: Store, alarm_keys: Iterable[str], who: str, comment: str, now_ns: int
) -> list[Alarm]:
    """Acknowledge several alarms by one comment: all of them, or none."""
    act = AlarmAct("acknowledge", required_person(who), now_ns, comment_of(comment))
    with store.begin() as conn:
        return [_acknowledge(store, conn, key, act, now_ns) for key in dict.fromkeys(alarm_keys)]


def comment_of(text: str) -> str:
    """What a person saw or did, without blanks around it; Refused where nothing can be seen of it."""
    if not visible(text):
        raise Refused("Enter a comment: what you saw or did. Nothing was changed.")
    return refuse_unseen(text.strip(), "comment")


def _acknowledge(store: Store, conn: Connection, key: str, act: AlarmAct, now_ns: int) -> Alarm:
    alarm = known_alarm(conn, key)
    if alarm.condition not in ACKNOWLEDGED:
        raise Refused(f"Alarm {key!r} is {alarm.state}: there is nothing to acknowledge.")
    after = apply_act(alarm, act).alarm
    put_alarm(conn, after, now_ns)
    what: AlarmEntry = {**change(alarm, after), "act": act.kind}
    store.journal.append("alarm", act.who, what, act.comment, conn)
    return after


def alarm_list(store: Store) -> list[Alarm]:
    """Every alarm that was ever evaluated, by key; what waits for a person is not hidden by sorting."""
    with store.read() as conn:
        return alarms_in(conn)


def alarms_in(conn: Connection) -> list[Alarm]:
    """Every alarm that was ever evaluated, by key, within the caller's transaction."""
    t = tables.alarm
    rows = conn.execute(select(t.c.key, type_coerce(t.c.body, Text)).order_by(t.c.key)).all()
    return [_alarm(key, body) for key, body in rows]


def _alarm(key: str, body: str) -> Alarm:
    """An alarm as stored. One that was damaged begins anew, and is announced again where it still stands."""
    try:
        return Alarm.from_dict(json.loads(body))
    except (ValueError, TypeError, KeyError, AttributeError):
        log.warning("the state of alarm %s was damaged; the alarm begins anew", key)
        return Alarm(key)


def alarm_specs(setup: Setup, routes: Iterable[str] = ()) -> tuple[AlarmSpec, ...]:
    """The alarms of the setup, and those that nobody has to declare (`view.py`), which go out by `routes`."""
    return (*setup.alarms, *system_alarms(setup, tuple(routes)))


def outbox(store: Store) -> Outbox:
    """Notices on their way out of this store."""
    return Outbox(store.begin, store.read, tables.notice, store.simulated)


def undelivered_letters(store: Store) -> list[Letter]:
    """Notices that no server took: shown to a person, because nobody was told."""
    return outbox(store).failed_letters()


def alarm_of(conn: Connection, key: str) -> Alarm:
    """The alarm as stored, or a new one in its normal state."""
    body = conn.execute(
        select(type_coerce(tables.alarm.c.body, Text)).where(tables.alarm.c.key == key)
    ).scalar()
    return Alarm(key) if body is None else _alarm(key, body)


def put_alarm(conn: Connection, alarm: Alarm, now_ns: int) -> None:
    """Keep the alarm for its next step, in the caller's transaction."""
    values = {"state": alarm.state.value, "at_ns": now_ns, "body": alarm.to_dict()}
    updated = conn.execute(update(tables.alarm).where(tables.alarm.c.key == alarm.key).values(**values))
    if updated.rowcount == 0:
        conn.execute(insert(tables.alarm).values(key=alarm.key, **values))


def change(before: Alarm, after: Alarm) -> AlarmEntry:
    """What the journal says of a transition."""
    return {
        "alarm": after.key,
        "occurrence": after.occurrence,
        "was": before.state.value,
        "is": after.state.value,
    }


def known_alarm(conn: Connection, key: str) -> Alarm:
    """The alarm as stored; UnknownName where none of that key was ever evaluated."""
    keys = list(conn.execute(select(tables.alarm.c.key)).scalars())
    if key not in keys:
        raise UnknownName("alarm", key, keys)
    return alarm_of(conn, key)


def alarms_open(store: Store) -> list[dict[str, Any]]:
    """Alarms that are not normal just now: what a person would see waiting."""
    from sqlalchemy import select

    from ..store.hot.tables import alarm as t

    query = select(t.c.key, t.c.state, t.c.at_ns).where(t.c.state != "normal").order_by(t.c.key)
    with store.read() as conn:
        return [{"alarm": r.key, "state": r.state, "since": rfc3339(r.at_ns)} for r in conn.execute(query)]
