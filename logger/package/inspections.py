"""Inspections in a package: verdict, decisions, and the people of the record with their roles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..core.measurement.stamp import stamp_text
from ..inspections.assess import question_of
from ..inspections.batch import assess_many
from ..inspections.case_forms import CaseForm
from ..inspections.revisions import revise_answers
from ..instants import rfc3339
from ..people import People
from ..record.acts import inspections_of
from ..record.case_facts import decisions_by_inspection

if TYPE_CHECKING:
    from ..verdicts.verdicts import Verdicts


def inspection_facts(
    verdicts: Verdicts, cases: Sequence[CaseForm], span: tuple[int, int], now_ns: int
) -> dict[str, Any]:
    """Inspections that touch the interval, and every account with person and roles."""
    from ..acts.inspections import inspections

    store = verdicts.store
    rows = inspections_of(store, None, *span)
    keys = {row["key"] for row in rows}
    jobs = [job for job in inspections(store) if job.key in keys]
    answers = assess_many(verdicts, [question_of(job, now_ns) for job in jobs], now_ns, in_table=True)
    revisions = revise_answers(store, jobs, answers, now_ns, "package")
    verdict = {
        job.key: _verdict(answer) | {"revision": revisions[job.key].number if job.key in revisions else None}
        for job, answer in zip(jobs, answers, strict=True)
    }
    decisions = decisions_by_inspection(cases)
    people = [
        {
            "account": account.name,
            "person": account.person,
            "roles": sorted(role.value for role in account.roles),
            "active": account.active,
            "since": rfc3339(account.made_ns),
        }
        for account in People(store).all()
    ]
    return {
        "inspections": [
            {**row, **verdict[row["key"]], "decisions": decisions.get(row["key"], [])} for row in rows
        ],
        "people": people,
    }


def _verdict(answer: Any) -> dict[str, Any]:
    """Verdict, reason and digest of an inspection, or why it cannot be judged."""
    if answer.assessment is None:
        return {"verdict": "not shown", "reason": answer.refused, "digest": None}
    check = answer.assessment.check.to_dict()
    return {name: check[name] for name in ("verdict", "reason", "digest")} | {"stamp": stamp_text(check)}
