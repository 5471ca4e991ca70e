"""Every act of a person: done and journalled in one transaction, or not done at all.

The journal kinds are `alarm`, `mark` and `inspection`, and those of `approval.py`; `what` says what was,
what is, and what it is about. Refusals come before anything is written and name what is wanted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, insert, select, update

from .accounts import refuse_unseen
from .alarms import ACKNOWLEDGED, Act, Alarm, acted
from .approval import apply_setup, visible
from .approval import person as _person
from .approval import said as _said
from .errors import IntervalError, Refused, UnknownName
from .instants import rfc3339
from .model import AlarmSpec, Inspection, Mark, Setup
from .notify.outbox import Letter, Outbox
from .store import Store, tables
from .view import view_specs

__all__ = [
    "acknowledge",
    "acknowledge_all",
    "add_inspection",
    "add_inspections",
    "alarm_list",
    "alarm_of",
    "alarm_specs",
    "alarms_in",
    "apply_setup",
    "change",
    "comment_of",
    "inspections",
    "known_alarm",
    "mark",
    "marks",
    "outbox",
    "put_alarm",
    "start_inspection",
    "stop_inspection",
    "undelivered",
]  # fmt: skip

_COLUMNS = ("key", "zone", "from_ns", "to_ns")  # of an inspection; its other fields are in the body


def acknowledge(store: Store, alarm_key: str, who: str, comment: str, now_ns: int) -> Alarm:
    """A person takes notice of an alarm and says so; gives the alarm after it."""
    return acknowledge_all(store, [alarm_key], who, comment, now_ns)[0]


def acknowledge_all(
    store: Store, alarm_keys: Iterable[str], who: str, comment: str, now_ns: int
) -> list[Alarm]:
    """The same for several alarms by one comment: all of them, or none."""
    act = Act("acknowledge", _person(who), now_ns, comment_of(comment))
    with store.begin() as conn:
        return [_acknowledged(store, conn, key, act, now_ns) for key in dict.fromkeys(alarm_keys)]


def comment_of(text: str) -> str:
    """What a person saw or did, without blanks around it; Refused where nothing can be seen of it."""
    if not visible(text):
        raise Refused("Enter a comment: what you saw or did. Nothing was changed.")
    return refuse_unseen(text.strip(), "comment")


def _acknowledged(store: Store, conn: Connection, key: str, act: Act, now_ns: int) -> Alarm:
    alarm = known_alarm(conn, key)
    if alarm.condition not in ACKNOWLEDGED:
        raise Refused(f"Alarm {key!r} is {alarm.state}: there is nothing to acknowledge.")
    after = acted(alarm, act).alarm
    put_alarm(conn, after, now_ns)
    store.journal.append("alarm", act.who, change(alarm, after) | {"act": act.kind}, act.comment, conn)
    return after


def alarm_list(store: Store) -> list[Alarm]:
    """Every alarm that was ever evaluated, by key; what waits for a person is not hidden by sorting."""
    with store.read() as conn:
        return alarms_in(conn)


def alarms_in(conn: Connection) -> list[Alarm]:
    """The same within a transaction."""
    bodies = conn.execute(select(tables.alarm.c.body).order_by(tables.alarm.c.key)).scalars()
    return [Alarm.from_json(body) for body in bodies]


def alarm_specs(setup: Setup, routes: Iterable[str] = ()) -> tuple[AlarmSpec, ...]:
    """The alarms of the setup, and those that nobody has to declare (`view.py`), which go out by `routes`."""
    return (*setup.alarms, *view_specs(setup, tuple(routes)))


def outbox(store: Store) -> Outbox:
    """Notices on their way out of this store."""
    return Outbox(store.begin, store.read, tables.notice, store.simulated)


def undelivered(store: Store) -> list[Letter]:
    """Notices that no server took: shown to a person, because nobody was told."""
    return outbox(store).failed()


def alarm_of(conn: Connection, key: str) -> Alarm:
    """The alarm as stored, or a new one in its normal state."""
    body = conn.execute(select(tables.alarm.c.body).where(tables.alarm.c.key == key)).scalar()
    return Alarm(key) if body is None else Alarm.from_json(body)


def put_alarm(conn: Connection, alarm: Alarm, now_ns: int) -> None:
    """Keep the alarm for its next step, in the caller's transaction."""
    values = {"state": alarm.state.value, "at_ns": now_ns, "body": alarm.to_json()}
    known = conn.execute(update(tables.alarm).where(tables.alarm.c.key == alarm.key).values(**values))
    if known.rowcount == 0:
        conn.execute(insert(tables.alarm).values(key=alarm.key, **values))


def change(before: Alarm, after: Alarm) -> dict[str, Any]:
    """What the journal says of a transition."""
    return {
        "alarm": after.key,
        "occurrence": after.occurrence,
        "was": before.state.value,
        "is": after.state.value,
    }


def mark(store: Store, setup: Setup, mark: Mark) -> int:
    """Declare an interval of a zone as not to be trusted; gives the number of the mark.

    A mark is never removed; a wrong one is answered by a note in the journal.
    """
    setup.zone(mark.zone)
    _interval(mark.from_ns, mark.to_ns)
    mark = replace(mark, who=_person(mark.who), reason=_said(mark.reason, "reason of the mark"))
    with store.begin() as conn:
        made = insert(tables.mark).values(**asdict(mark)).returning(tables.mark.c.id)
        number = int(conn.execute(made).scalar_one())
        span = {"from": rfc3339(mark.from_ns), "to": rfc3339(mark.to_ns)}
        what: dict[str, Any] = {"mark": number, "zone": mark.zone, **span}
        store.journal.append("mark", mark.who, what, mark.reason, conn)
    return number


def marks(store: Store, zone: str | None = None) -> list[Mark]:
    """Marks in order of their begin."""
    t = tables.mark
    wanted = select(t.c.zone, t.c.from_ns, t.c.to_ns, t.c.reason, t.c.who).order_by(t.c.from_ns, t.c.id)
    with store.read() as conn:
        rows = conn.execute(wanted if zone is None else wanted.where(t.c.zone == zone))
        return [Mark(*row) for row in rows]


def add_inspection(store: Store, setup: Setup, inspection: Inspection, who: str) -> Inspection:
    """Register a job, over or still running (`to_ns` None)."""
    inspection, who = _valid(setup, inspection), _person(who)
    t = tables.inspection
    with store.begin() as conn:
        if conn.execute(select(t.c.key).where(t.c.key == inspection.key)).first():
            raise Refused(f"There is already an inspection {inspection.key!r}; give this one another key.")
        conn.execute(insert(t).values(**_inspection_columns(inspection)))
        what = {"inspection": inspection.key, "act": "add", **asdict(inspection)}
        store.journal.append("inspection", who, what, conn=conn)
    return inspection


def add_inspections(store: Store, setup: Setup, jobs: Sequence[Inspection], who: str) -> None:
    """Register several jobs: all of them, or none."""
    valid, who = [_valid(setup, job) for job in jobs], _person(who)
    known = {job.key for job in inspections(store)}
    twice = [job.key for job in valid if job.key in known]
    if twice:
        more = f" and {len(twice) - 5} more" if len(twice) > 5 else ""
        raise Refused(f"Nothing was registered: there are already {', '.join(twice[:5])}{more}.")
    with store.begin() as conn:
        for job in valid:
            conn.execute(insert(tables.inspection).values(**_inspection_columns(job)))
            what = {"inspection": job.key, "act": "add", **asdict(job)}
            store.journal.append("inspection", who, what, conn=conn)


def start_inspection(store: Store, setup: Setup, inspection: Inspection, who: str, now_ns: int) -> Inspection:
    """Register a job that begins now."""
    return add_inspection(store, setup, replace(inspection, from_ns=now_ns, to_ns=None), who)


def stop_inspection(store: Store, key: str, who: str, now_ns: int) -> Inspection:
    """End a running job; gives it as it is now."""
    running = {job.key: job for job in inspections(store)}
    if key not in running:
        raise UnknownName("inspection", key, running)
    job = running[key]
    if job.to_ns is not None:
        raise Refused(f"Inspection {key!r} was over at {rfc3339(job.to_ns)}; its end is not changed.")
    _interval(job.from_ns, now_ns)
    t = tables.inspection
    with store.begin() as conn:
        done = conn.execute(update(t).where(t.c.key == key, t.c.to_ns.is_(None)).values(to_ns=now_ns))
        if done.rowcount != 1:
            raise Refused(f"Inspection {key!r} was ended by somebody else just now.")
        what = {"inspection": key, "act": "stop", "to": rfc3339(now_ns)}
        store.journal.append("inspection", _person(who), what, conn=conn)
    return replace(job, to_ns=now_ns)


def inspections(store: Store, zone: str | None = None) -> list[Inspection]:
    """Registered jobs in order of their begin."""
    t = tables.inspection
    wanted = select(t).order_by(t.c.from_ns, t.c.key)
    with store.read() as conn:
        rows = conn.execute(wanted if zone is None else wanted.where(t.c.zone == zone)).mappings()
        return [Inspection(**{name: row[name] for name in _COLUMNS}, **row["body"]) for row in rows]


def known_alarm(conn: Connection, key: str) -> Alarm:
    """The alarm as stored; UnknownName where none of that key was ever evaluated."""
    keys = list(conn.execute(select(tables.alarm.c.key)).scalars())
    if key not in keys:
        raise UnknownName("alarm", key, keys)
    return alarm_of(conn, key)


def _valid(setup: Setup, job: Inspection) -> Inspection:
    setup.zone(job.zone)
    if job.to_ns is not None:
        _interval(job.from_ns, job.to_ns)
    key, title = _said(job.key, "key of the inspection"), _said(job.title, "title of the inspection")
    for name in ("length_mm", "tolerance_um"):
        value = getattr(job, name)
        if value is not None and not 0 < value < 1e6:
            raise Refused(f"{name} of inspection {key!r}: wanted a length above 0, found {value}.")
    return replace(job, key=key, title=title)


def _inspection_columns(job: Inspection) -> dict[str, Any]:
    fields = asdict(job)
    columns = {name: fields.pop(name) for name in _COLUMNS}
    return {**columns, "body": fields}


def _interval(from_ns: int, to_ns: int) -> None:
    if to_ns <= from_ns:
        raise IntervalError(
            f"The interval is empty: it begins {rfc3339(from_ns)} and ends {rfc3339(to_ns)}; "
            "the end must come after the begin."
        )
