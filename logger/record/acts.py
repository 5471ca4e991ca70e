"""What people and alarms did in an interval, as plain data for its record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..core.alarms.performance import PerformanceForm, change_of, performance_figures
from ..instants import rfc3339
from ..model import Setup
from ..model.entry_forms import AlarmEntry
from .act_forms import ActsFacts, AlarmFacts, InspectionFacts, MarkFacts
from .names import Names

if TYPE_CHECKING:
    from ..inspections.batch import BatchAnswer
    from ..inspections.revisions import Issue
    from ..model import Inspection
    from ..store import Store
    from ..verdicts.verdicts import Verdicts
    from .interval import Interval


def acts_in(
    store: Store, verdicts: Verdicts, setup: Setup, span: Interval, *, draft: bool = False
) -> ActsFacts:
    """Inspections with their verdicts, marks, and what alarms did and were told."""
    return {
        "inspections": _inspections(store, verdicts, span, draft=draft),
        "marks": _marks(store, span),
        "alarms": _alarms(store, setup, span),
        "alarm_figures": _alarm_performance(store, setup, span),
    }


def inspections_of(
    store: Store, zone: str | None = None, from_ns: int | None = None, to_ns: int | None = None
) -> list[dict[str, Any]]:
    """Registered inspections that touch the interval, by start; `to_ns` None: still running."""
    from sqlalchemy import or_, select

    from ..store.hot.tables import inspection as t

    query = select(t).order_by(t.c.from_ns, t.c.key)
    if zone is not None:
        query = query.where(t.c.zone == zone)
    if to_ns is not None:
        query = query.where(t.c.from_ns < to_ns)
    if from_ns is not None:
        query = query.where(or_(t.c.to_ns.is_(None), t.c.to_ns > from_ns))
    with store.read() as conn:
        rows = conn.execute(query).mappings().all()
    return [{**row["body"], **{k: row[k] for k in ("key", "zone", "from_ns", "to_ns")}} for row in rows]


def _inspections(store: Store, verdicts: Verdicts, span: Interval, *, draft: bool) -> list[InspectionFacts]:
    """Those that touch the interval, each with its verdict and µm, and with the revision of that verdict.

    A draft writes no revision: it is not printed yet.
    """
    from ..acts.inspections import inspections
    from ..inspections.assess import question_of
    from ..inspections.batch import assess_many
    from ..inspections.revisions import revise_answers

    keys = {row["key"] for row in inspections_of(store, span.zone, span.from_ns, span.to_ns)}
    jobs = sorted(
        (j for j in inspections(store, span.zone) if j.key in keys), key=lambda j: (j.from_ns, j.key)
    )
    answers = assess_many(
        verdicts, [question_of(job, span.now_ns) for job in jobs], span.now_ns, in_table=True
    )
    revisions = {} if draft else revise_answers(store, jobs, answers, span.now_ns, "record")
    return [
        _inspection(job, answer, span, revisions.get(job.key))
        for job, answer in zip(jobs, answers, strict=True)
    ]


def _inspection(
    job: Inspection, answer: BatchAnswer, span: Interval, revision: Issue | None
) -> InspectionFacts:
    assessment = answer.assessment
    thermal: Mapping[str, Any] = assessment.thermal[0].to_dict() if assessment and assessment.thermal else {}
    return {
        "key": job.key,
        "title": job.title,
        "part": job.part,
        "person": job.person,
        "activity": job.activity,
        "from": rfc3339(job.from_ns),
        "to": rfc3339(span.now_ns if job.to_ns is None else job.to_ns),
        "running": job.to_ns is None,
        "verdict": assessment.check.verdict if assessment else "not shown",
        "reason": assessment.check.reason if assessment else answer.refused,
        "because": assessment.check.because if assessment else answer.refused,
        "digest": assessment.check.digest if assessment else None,
        "error_um": thermal.get("nde_um"),
        "U_um": thermal.get("U_um"),
        "tolerance_um": job.tolerance_um,
        "share_of_tolerance": thermal.get("share_of_tolerance"),
        "revision": None if revision is None else revision.number,
        "revision_cause": "" if revision is None else revision.cause,
    }


def _marks(store: Store, span: Interval) -> list[MarkFacts]:
    from sqlalchemy import select

    from ..store.hot.tables import mark as t

    query = select(t).where(t.c.zone == span.zone, t.c.from_ns < span.to_ns, t.c.to_ns > span.from_ns)
    with store.read() as conn:
        rows = conn.execute(query.order_by(t.c.from_ns, t.c.id)).mappings().all()
    proven = Names(store).proven_marks() if rows else {}
    return [
        {
            "from": rfc3339(r["from_ns"]),
            "to": rfc3339(r["to_ns"]),
            "reason": r["reason"],
            "who": r["who"],
            "proven": proven.get(r["id"], False),
        }
        for r in rows
    ]


def _alarm_performance(store: Store, setup: Setup, span: Interval) -> PerformanceForm:
    """How the alarms of the zone's rules did their work."""
    entries = store.journal.entries(kind="alarm")
    keys = _alarm_keys(setup, span)
    changes = [c for e in entries if (c := change_of(e.at_ns, e.who, e.what)) and c.alarm in keys]
    return performance_figures(changes, span.from_ns, span.to_ns).to_dict()


def _alarm_keys(setup: Setup, span: Interval) -> set[str]:
    rules = {rule.key for rule in setup.rules if rule.zone == span.zone}
    return {alarm.key for alarm in setup.alarms if alarm.rule in rules}


def _alarms(store: Store, setup: Setup, span: Interval) -> list[AlarmFacts]:
    """What alarms of the zone's rules did, and who took notice of them."""
    keys, names = _alarm_keys(setup, span), Names(store)
    return [
        {
            "at": rfc3339(entry.at_ns),
            "alarm": entry.read(AlarmEntry)["alarm"],
            "what": _change(entry.read(AlarmEntry)),
            "who": entry.who,
            "proven": names.proven(entry.who, entry.what),
            "why": entry.why,
        }
        for entry in store.journal.entries(kind="alarm")
        if span.from_ns <= entry.at_ns < span.to_ns and entry.what.get("alarm") in keys
    ]


def _change(what: AlarmEntry) -> str:
    return f"{what.get('was', '')} → {what['is']}" if "is" in what else what.get("act", "")
