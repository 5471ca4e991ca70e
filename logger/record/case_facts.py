"""Cases in a record and a package, as plain data: what happened, what was decided, and who is proven to have.

What customers were told stands in packages and case sheets, not in records, which go to customers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..inspections.case_forms import CaseForm
from ..inspections.case_record import CaseRecord
from ..inspections.case_timeline import HappeningForm, case_timeline
from ..inspections.cases import cases_in, impacts_of_each
from .act_forms import DecisionFacts
from .names import Names

if TYPE_CHECKING:
    from ..inspections.impact import Impact
    from ..store import Store
    from ..verdicts.verdicts import Verdicts
    from .interval import Interval

CONFIDENTIAL = ("customer",)


def record_cases(verdicts: Verdicts, span: Interval, *, write: bool = True) -> list[CaseForm]:
    """Cases of a zone that touch the interval of a record, without what customers were told.

    write: whether new cases get their number now.
    """
    records = cases_in(verdicts, span.zone, span.from_ns, span.to_ns, span.now_ns, write=write)
    names = Names(verdicts.store)
    return [_without_customers(facts) for facts in facts_of_each(verdicts, records, names, span.now_ns)]


def case_facts(verdicts: Verdicts, record: CaseRecord, names: Names, now_ns: int) -> CaseForm:
    """All of a case; beside each name whether an account proved it."""
    return facts_of_each(verdicts, [record], names, now_ns)[0]


def facts_of_each(
    verdicts: Verdicts, records: Sequence[CaseRecord], names: Names, now_ns: int
) -> list[CaseForm]:
    """`case_facts` of several cases, in their order; their inspections are judged once for all."""
    impacts = impacts_of_each(verdicts, records, now_ns)
    return [_facts(record, names, group) for record, group in zip(records, impacts, strict=True)]


def _facts(record: CaseRecord, names: Names, impacts: Sequence[Impact]) -> CaseForm:
    proven = {e.number: names.proven(e.who, e.what) for e in record.work.entries}
    facts = record.to_dict()
    effects = {i.job.key: i for i in impacts}
    for row in facts["inspections"]:
        impact = effects[row["inspection"]]
        row["verdict"], row["reason"] = impact.verdict, impact.reason
        row["effect_um"], row["share_of_tolerance"] = impact.effect_um, impact.share
        row["title"] = impact.job.title
        if row.get("entry"):
            row["proven"] = proven.get(row["entry"], False)
    for text in facts["written"].values():
        text["proven"] = proven.get(text["entry"], False)
    if facts["closed"]:
        facts["closed"]["proven"] = proven.get(facts["closed"]["entry"], False)
    return facts


def case_history(store: Store, verdicts: Verdicts, record: CaseRecord) -> list[HappeningForm]:
    """What happened in a case in order of time."""
    return [h.to_dict() for h in case_timeline(store, verdicts.setup, record)]


def _without_customers(facts: CaseForm) -> CaseForm:
    facts["texts"] = {name: text for name, text in facts["texts"].items() if name not in CONFIDENTIAL}
    facts["written"] = {name: act for name, act in facts["written"].items() if name not in CONFIDENTIAL}
    for row in facts["inspections"]:
        row.pop("customer", None)
    return facts


def decisions_by_inspection(cases: Sequence[CaseForm]) -> dict[str, list[DecisionFacts]]:
    """Key of an inspection -> the decision on it in each case that affects it, and where none is yet."""
    decisions: dict[str, list[DecisionFacts]] = {}
    for case in cases:
        for row in case["inspections"]:
            more = {k: v for k, v in row.items() if k != "inspection"}
            decision: DecisionFacts = {"case": case["case"], **more}  # type: ignore[typeddict-item]
            decisions.setdefault(row["inspection"], []).append(decision)
    return decisions


def decision_words(decision: DecisionFacts) -> str:
    """A decision in words, as in "case 1: measure again"; one that is missing says so."""
    return f"case {decision['case']}: {decision['decision'] or 'not decided'}"
