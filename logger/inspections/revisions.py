"""Revisions of the verdict on a registered inspection: numbered in the journal, none is ever changed.

Whatever prints such a verdict writes its revision first, also while it is provisional and where no service
runs, so that every stamp leads to one. A service writes those that nobody printed: when an inspection has
ended and its verdict is final, and again whenever its digest is another one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ..acts.inspections import inspections
from ..core.measurement.check import Check
from ..model import Inspection, Verdict
from ..model.entry_forms import RevisionEntry
from ..store import Store
from ..verdicts.verdicts import Verdicts
from .assess import Assessment, question_of
from .batch import BatchAnswer, assess_many
from .revision_causes import causes_since

KIND = "verdict-issue"
SERVICE = "service"


@dataclass(frozen=True)
class Issue:
    """One revision of the verdict on an inspection.

    difference: in words, empty for the first; because: the sentence beside the verdict, empty in revisions of
    before it was kept. cause: what was entered since the revision before. way: what printed it, or "service".
    entry: its number in the journal.
    """

    inspection: str
    number: int
    at_ns: int
    verdict: Verdict
    reason: str
    digest: str
    difference: str = ""
    other_verdict: bool = False
    because: str = ""
    provisional: bool = False
    cause: str = ""
    setup: str = ""
    way: str = ""
    entry: int = 0


def issues(store: Store) -> dict[str, list[Issue]]:
    """Key of an inspection -> its revisions, the first one first."""
    by_inspection: dict[str, list[Issue]] = {}
    for entry in store.journal.entries(kind=KIND):
        w = entry.read(RevisionEntry)
        by_inspection.setdefault(w["inspection"], []).append(
            Issue(
                w["inspection"],
                w["issue"],
                entry.at_ns,
                w["verdict"],
                w["reason"],
                w["digest"],
                w["difference"],
                w["other_verdict"],
                w.get("because", ""),
                w.get("provisional", False),
                w.get("cause", ""),
                w.get("setup", ""),
                w.get("way", ""),
                entry.number,
            )
        )
    return by_inspection


def of_digest(store: Store, digest: str) -> Issue | None:
    """The revision that a stamp's digest belongs to; the newest where a verdict came back."""
    mine = [i for group in issues(store).values() for i in group if i.digest == digest]
    return mine[-1] if mine else None


def review(
    store: Store, verdicts: Verdicts, now_ns: int, only: Iterable[str] | None = None
) -> list[tuple[Inspection, Issue]]:
    """Write new and changed final verdicts, of all inspections or of `only`; returns those revisions."""
    keys = None if only is None else set(only)
    ended = [
        j for j in inspections(store) if j.to_ns is not None and (keys is None or j.key in keys)
    ]  # fmt: skip
    answers = assess_many(
        verdicts, [question_of(inspection, now_ns) for inspection in ended], now_ns, in_table=True
    )
    final = [
        (inspection, answer.assessment.check)
        for inspection, answer in zip(ended, answers, strict=True)
        if answer.assessment is not None and not answer.assessment.check.provisional
    ]
    before = {key: group[-1].number for key, group in issues(store).items()}
    written = revise(store, final, now_ns, SERVICE)
    return [(i, written[i.key]) for i, _ in final if written[i.key].number > before.get(i.key, 0)]


def revise(
    store: Store, judged: Sequence[tuple[Inspection, Check]], now_ns: int, way: str
) -> dict[str, Issue]:
    """Key -> the revision of each verdict that is about to be printed; those that are new are written.

    Inspections that still run are left out: their interval is another one at every look. So is, of a record
    that is only read, what has no revision yet.
    """
    ended = [(i, c, c.digest) for i, c in judged if i.to_ns is not None]
    if not ended:
        return {}
    issued = issues(store)
    if all(_is_newest(issued.get(i.key), digest) for i, _, digest in ended):
        return {i.key: issued[i.key][-1] for i, _, _ in ended}
    if store.read_only:
        return {i.key: issued[i.key][-1] for i, _, digest in ended if _is_newest(issued.get(i.key), digest)}
    with store.begin() as conn:  # nobody else writes meanwhile, so numbers cannot be given twice
        issued = issues(store)
        for inspection, check, digest in ended:
            before = issued.setdefault(inspection.key, [])
            if not _is_newest(before, digest):
                issue = _next(store, inspection, check, before, now_ns, way)
                entry = store.journal.append(KIND, "stillroom", _content(issue), issue.difference, conn)
                before.append(Issue(**{**vars(issue), "at_ns": entry.at_ns, "entry": entry.number}))
    return {i.key: issued[i.key][-1] for i, _, _ in ended}


def revise_answers(
    store: Store, jobs: Sequence[Inspection], answers: Sequence[BatchAnswer], now_ns: int, way: str
) -> dict[str, Issue]:
    """Key -> the revision of each registered inspection among those that were answered."""
    registered = {job.key: job for job in inspections(store)}
    return revise(
        store,
        [
            (inspection, answer.assessment.check)
            for inspection, answer in zip(jobs, answers, strict=True)
            if answer.assessment is not None and registered.get(inspection.key) == inspection
        ],
        now_ns,
        way,
    )


def revise_assessment(verdicts: Verdicts, assessment: Assessment, now_ns: int, way: str) -> list[Issue]:
    """The revisions of the inspections that are about exactly the interval of an answer; often none."""
    check, store = assessment.check, verdicts.store
    span = (check.zone, check.from_ns, check.to_ns, check.activity)
    mine = [j for j in inspections(store, check.zone) if (j.zone, j.from_ns, j.to_ns, j.activity) == span]
    if not mine:
        return []
    if verdicts.pre_window_s(check.zone, check.from_ns, check.to_ns, now_ns, None) != check.pre_window_s:
        return []  # another question than that of the inspection
    return list(revise(store, [(job, check) for job in mine], now_ns, way).values())


def _is_newest(before: Sequence[Issue] | None, digest: str) -> bool:
    return bool(before) and before[-1].digest == digest  # type: ignore[index]


def _next(  # noqa: PLR0917 (what is judged, against what, when and for what)
    store: Store, inspection: Inspection, check: Check, before: Sequence[Issue], now_ns: int, way: str
) -> Issue:
    """The next revision; what it differs in from the one before, and what was entered since."""
    difference, other, cause = "", False, ""
    if before:
        last = before[-1]
        other = (last.verdict, last.reason) != (check.verdict, check.reason)
        difference = _difference(last, check, other=other)
        cause = causes_since(store, last.entry, inspection)
    return Issue(
        inspection.key,
        len(before) + 1,
        now_ns,
        check.verdict,
        check.reason,
        check.digest,
        difference,
        other,
        check.because,
        check.provisional,
        cause,
        check.setup,
        way,
    )


def _difference(last: Issue, check: Check, *, other: bool) -> str:
    was, now = f"{last.verdict} ({last.reason})", f"{check.verdict} ({check.reason})"
    if other:
        return f"was {was}, now {now}"
    if last.provisional and not check.provisional:
        return f"{now} as before, now final"
    return f"{now} as before; its figures changed"


def _content(issue: Issue) -> RevisionEntry:
    return {
        "inspection": issue.inspection,
        "issue": issue.number,
        "verdict": issue.verdict,
        "reason": issue.reason,
        "digest": issue.digest,
        "difference": issue.difference,
        "other_verdict": issue.other_verdict,
        "because": issue.because,
        "provisional": issue.provisional,
        "cause": issue.cause,
        "setup": issue.setup,
        "way": issue.way,
    }
