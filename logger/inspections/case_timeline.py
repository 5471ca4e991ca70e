"""What happened in a case, in order of time: the room, alarms and who heard of them, acts of people."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypedDict

from sqlalchemy import select

from ..acts.inspections import inspections
from ..acts.marks import marks
from ..instants import NS, rfc3339
from ..model import Setup
from ..model.entry_forms import AlarmEntry, CaseEntry, DispositionEntry, ZoneEntry
from ..store import JournalEntry, Store
from ..store.hot.tables import notice
from .case_record import CaseRecord

DAY_NS = 86_400 * NS
ROOM = "room"
LABELS = {
    "cause": "cause",
    "detail": "cause in words",
    "immediate_action": "immediate action",
    "impact": "effect on results",
    "decision": "decision",
    "customer": "customer",
    "corrective_action": "corrective action",
    "look_on": "day on which its effect is reviewed",
    "effect": "its effect",
}


class HappeningForm(TypedDict):
    """One thing that happened, as plain data."""

    at: str
    what: str
    who: str


@dataclass(frozen=True)
class Happening:
    """One thing that happened: when, what in a sentence, and who did it."""

    at_ns: int
    what: str
    who: str

    def to_dict(self) -> HappeningForm:
        """Plain data for programs."""
        return {"at": rfc3339(self.at_ns), "what": self.what, "who": self.who}


def case_timeline(store: Store, setup: Setup, record: CaseRecord) -> list[Happening]:
    """Everything that happened in a case, ascending."""
    events = [
        *_of_room(setup, record),
        *_of_alarms(store, setup, record),
        *_of_work(store, record),
        *(_of_act(entry) for entry in record.work.entries),
    ]
    return sorted(events, key=lambda h: h.at_ns)


def _of_room(setup: Setup, record: CaseRecord) -> Iterator[Happening]:
    for e in record.case.runs:
        name = setup.rule_names.get(e.rule, e.rule)
        probes = f" at {', '.join(e.probes)}" if e.probes else ""
        yield Happening(e.from_ns, f"{name} out of limits{probes}", ROOM)
        if not record.running:
            yield Happening(e.to_ns, f"{name} within limits again", ROOM)
    for zone, settled in record.settled_ns.items():
        last = max(e.to_ns for e in record.case.runs if e.zone == zone)
        if settled > last and not record.running:
            yield Happening(settled, f"{setup.zone(zone).name} settled", ROOM)


def _of_alarms(store: Store, setup: Setup, record: CaseRecord) -> Iterator[Happening]:
    """What alarms of its rules did from its begin until a day after it had settled, and notices of them."""
    rules = {e.rule for e in record.case.runs}
    names = setup.rule_names
    keys = {alarm.key: names.get(alarm.rule, alarm.key) for alarm in setup.alarms if alarm.rule in rules}
    begin, end = record.case.from_ns, max(record.settled_ns.values()) + DAY_NS
    for entry in store.journal.entries(kind="alarm") if keys else ():
        what = entry.read(AlarmEntry)
        if what.get("alarm") in keys and begin <= entry.at_ns < end:
            change = f"{what.get('was', '')} → {what['is']}" if "is" in what else what.get("act", "")
            key = what["alarm"]
            why = f": {entry.why.removeprefix(key + ': ')}" if entry.why else ""
            yield Happening(entry.at_ns, f"alarm {keys[key]}, {change}{why}", entry.who)
    t = notice
    query = select(t.c.route, t.c.alarm, t.c.sent_ns).where(
        t.c.alarm.in_(sorted(keys)), t.c.sent_ns >= begin, t.c.sent_ns < end
    )
    with store.read() as conn:
        for row in conn.execute(query):
            yield Happening(row.sent_ns, f"notice of alarm {keys[row.alarm]} sent by {row.route}", "service")


def _of_work(store: Store, record: CaseRecord) -> Iterator[Happening]:
    """Affected inspections, work that was stopped and resumed, and marks."""
    case, end = record.case, max(record.settled_ns.values())
    for job in inspections(store):
        if job.key in record.affected:
            yield Happening(job.from_ns, f"inspection {job.key} started: {job.title}", job.person)
            if job.to_ns is not None:
                yield Happening(job.to_ns, f"inspection {job.key} ended", job.person)
    for kind, words in (("work-stopped", "work stopped"), ("work-resumed", "work resumed")):
        for entry in store.journal.entries(kind=kind):
            zone = entry.read(ZoneEntry)["zone"]
            if zone in case.zones and case.from_ns <= entry.at_ns < end + 30 * DAY_NS:
                yield Happening(entry.at_ns, f"{words} in {zone}: {entry.why}", entry.who)
    for zone in case.zones:
        for m in marks(store, zone):
            if m.from_ns < end and m.to_ns > case.from_ns:
                yield Happening(m.from_ns, f"marked as not to be used: {m.reason}", m.who)


def _of_act(entry: JournalEntry) -> Happening:
    return Happening(entry.at_ns, act_sentence(entry), entry.who)


def act_sentence(entry: JournalEntry) -> str:
    """An act on a case in a sentence; those on single excursions, before there were cases, as well."""
    why = f": {entry.why}" if entry.why else ""
    if entry.kind != "case":
        earlier = entry.read(DispositionEntry)
        key = earlier.get("inspection")
        return f"inspection {key}: {earlier.get('decision', '')}" if key else "noted on one excursion" + why
    what = entry.read(CaseEntry)
    act = what["act"]
    if act == "note":
        texts = what.get("texts") or {}
        names = [LABELS[name] for name in LABELS if name in texts]
        again = f"opened again: {what['reopened']}; " if what.get("reopened") else ""
        return f"{again}wrote {', '.join(names)}" if names else again.rstrip("; ")
    if act == "decision":
        return f"inspection {what['inspection']}: {what['decision']}{why}"
    number = what["case"]
    return {
        "opened": f"case {number} numbered",
        "revised": f"case {number}, revision {what.get('revision')}: {what.get('changed')}",
        "void": f"case {number} void{why}",
        "closed": f"case {number} closed",
        "effect": f"effect of the corrective action reviewed: {(what.get('texts') or {}).get('effect')}",
        "joined": f"case {number} continued in case {what.get('to_case')}{why}",
        "parted": f"case {number} parted{why}",
    }.get(act, act)
