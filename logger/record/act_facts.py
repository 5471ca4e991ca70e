"""Acts of people about an interval, whenever they were done, and people with their roles, as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from ..inspections.case_forms import CaseForm
from ..inspections.case_timeline import act_sentence
from ..instants import rfc3339
from ..people import People
from .act_forms import ActFacts, PersonFacts
from .act_times import ActTimes
from .fact_forms import JudgedFacts
from .names import MACHINES, Names

if TYPE_CHECKING:
    from ..store import JournalEntry, Store
    from .interval import Interval

CASE_KINDS = ("case", "disposition-excursion", "disposition-inspection")
KINDS = (*CASE_KINDS, "mark", "decision", "inspection", "setup", "setup-approved", "import")
OTHER_KINDS = ("clock-comparison", "clock-correction", "work-stopped", "work-resumed", "review")


def acts_about(store: Store, span: Interval) -> list[ActFacts]:
    """Acts about a part of the interval in order of doing: when done, about which time, who, and what.

    An act that names no time is about the moment at which it was done. What customers were told is left out.
    """
    times, names = ActTimes(store), Names(store)
    rows: list[ActFacts] = []
    entries = (e for kind in (*KINDS, *OTHER_KINDS) for e in store.journal.entries(kind=kind))
    for entry in sorted((e for e in entries if e.who not in MACHINES), key=lambda e: e.number):
        about = times.about(entry)
        if about.overlaps(span.zone, span.from_ns, span.to_ns):
            rows.append(
                {
                    "entry": entry.number,
                    "at": rfc3339(entry.at_ns),
                    "about": about.to_dict(),
                    "kind": entry.kind,
                    "what": _sentence(entry),
                    "who": entry.who,
                    "proven": names.proven(entry.who, entry.what),
                }
            )
    return rows


def _sentence(entry: JournalEntry) -> str:
    what: Mapping[str, Any] = entry.what
    if entry.kind in CASE_KINDS:
        return act_sentence(entry)
    why = f": {entry.why}" if entry.why else ""
    if entry.kind == "inspection":
        act = {"add": "registered", "start": "started", "stop": "ended"}.get(str(what.get("act")), "changed")
        return f"inspection {what.get('inspection')} {act}"
    return {
        "mark": f"marked as not to be used{why}",
        "decision": f"decided between values of {what.get('channel')}{why}",
        "setup": f"setup {what.get('version')} put in force{why}",
        "setup-approved": f"setup {what.get('version')} approved: {what.get('reason') or entry.why}",
        "import": f"file {what.get('name')} imported",
        "clock-comparison": f"clock of {what.get('probe')} compared{why}",
        "clock-correction": f"clock of the machine corrected{why}",
        "work-stopped": f"work stopped{why}",
        "work-resumed": f"work resumed{why}",
        "review": f"reviewed {what.get('period', '')}{why}",
    }[entry.kind]


def people_of(store: Store, facts: JudgedFacts) -> list[PersonFacts]:
    """Everybody who is named in a record: what they did in it, and the roles of their account where they have
    one.
    """
    accounts = {account.person: account for account in People(store).all()}
    did: dict[str, dict[str, None]] = {}
    for name, part in _parts(facts):
        if name and name not in MACHINES:
            did.setdefault(name, {})[part] = None
    return [
        {
            "person": name,
            "did": list(parts),
            "roles": sorted(role.value for role in accounts[name].roles) if name in accounts else [],
            "account": accounts[name].name if name in accounts else None,
        }
        for name, parts in did.items()
    ]


def _parts(facts: JudgedFacts) -> Iterable[tuple[str, str]]:
    yield facts["room"]["custodian"], "custodian"
    for version in facts["setup"]["versions"]:
        if version["version"] == facts["setup"]["version"]:
            yield version["author"], "proposed the setup"
            yield version["approver"] or "", "approved the setup"
    for job in facts["inspections"]:
        yield job["person"], "measured"
    for mark in facts["marks"]:
        yield mark["who"], "marked time"
    for case in facts["cases"]:
        yield from _parts_in_case(case)
    for review in facts["reviews"]:
        yield review["who"], "reviewed"
    for alarm in facts["alarms"]:
        yield alarm["who"], "acknowledged alarms"


def _parts_in_case(case: CaseForm) -> Iterable[tuple[str, str]]:
    for text in case["written"].values():
        yield text["who"], "wrote on cases"
    for row in case["inspections"]:
        yield row.get("who") or "", "decided on inspections"
    if case["closed"]:
        yield case["closed"]["who"], "closed cases"
