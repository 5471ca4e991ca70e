"""Verdicts of inspections as they were issued: late or corrected data makes a new issue, the old one stays.

An issue is an entry of the journal. It is made when a registered inspection has ended and its verdict
is final, and again whenever its digest is another one; who answers for it is told when the verdict is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..acts.inspections import inspections
from ..model import Inspection
from ..store import Store
from ..verdicts.verdicts import Verdicts
from .assess import question_of
from .batch import Answer, assess_many

KIND = "verdict-issue"


@dataclass(frozen=True)
class Issue:
    """One issue of the verdict on an inspection.

    difference: in words, empty for the first; because: the sentence beside the verdict, empty in issues of
    before it was kept.
    """

    inspection: str
    number: int
    at_ns: int
    verdict: str
    reason: str
    digest: str
    difference: str = ""
    other_verdict: bool = False
    because: str = ""


def issues(store: Store) -> dict[str, list[Issue]]:
    """Key of an inspection -> its issues, the first one first."""
    found: dict[str, list[Issue]] = {}
    for entry in store.journal.entries(kind=KIND):
        w: Mapping[str, Any] = entry.what
        told = (
            w["verdict"],
            w["reason"],
            w["digest"],
            w["difference"],
            w["other_verdict"],
            w.get("because", ""),
        )
        found.setdefault(w["inspection"], []).append(Issue(w["inspection"], w["issue"], entry.at_ns, *told))
    return found


def of_digest(store: Store, digest: str) -> Issue | None:
    """The issue that a stamp's digest belongs to."""
    return next((i for each in issues(store).values() for i in each if i.digest == digest), None)


def told_of_digest(store: Store, digest: str, verdict: str) -> list[str]:
    """What became of the issue that a stamp's digest belongs to; that none does is said, too."""
    mine = of_digest(store, digest)
    if mine is None or mine.verdict != verdict:
        return ["No issue of a registered inspection has that digest with that verdict."]
    newest = issues(store)[mine.inspection][-1]
    now = f"; issue {newest.number} says {newest.verdict} ({newest.reason})" if newest != mine else ""
    return [f"It is of issue {mine.number} of inspection {mine.inspection}{now}."]


def review(
    store: Store, verdicts: Verdicts, now_ns: int, only: Iterable[str] | None = None
) -> list[tuple[Inspection, Issue]]:
    """Issue what is new or another one now, of all inspections or of some; gives those issues."""
    wanted = None if only is None else set(only)
    known = issues(store)
    jobs = [
        j for j in inspections(store) if j.to_ns is not None and (wanted is None or j.key in wanted)
    ]  # fmt: skip
    answers = assess_many(verdicts, [question_of(job, now_ns) for job in jobs], now_ns)
    found = []
    for job, answer in zip(jobs, answers, strict=True):
        issue = _issue(job, answer, known.get(job.key, []), now_ns)
        if issue is not None:
            _issued(store, issue)
            found.append((job, issue))
    return found


def _issue(job: Inspection, answer: Answer, before: Sequence[Issue], now_ns: int) -> Issue | None:
    """The next issue; None while the verdict is provisional, or where it is the last one's."""
    if answer.found is None or answer.found.check.provisional:
        return None
    check = answer.found.check
    digest = str(check.to_json()["digest"])
    if before and before[-1].digest == digest:
        return None
    reason = check.reason
    difference, other = "", False
    if before:
        last = before[-1]
        other = (last.verdict, last.reason) != (check.verdict, reason)
        was, now = f"{last.verdict} ({last.reason})", f"{check.verdict} ({reason})"
        difference = f"was {was}, now {now}" if other else f"{now} as before; its figures changed"
    number = len(before) + 1
    said = (check.verdict, reason, digest, difference, other, check.because)
    return Issue(job.key, number, now_ns, *said)


def _issued(store: Store, issue: Issue) -> None:
    told: dict[str, Any] = {
        "inspection": issue.inspection,
        "issue": issue.number,
        "verdict": issue.verdict,
        "reason": issue.reason,
        "digest": issue.digest,
        "difference": issue.difference,
        "other_verdict": issue.other_verdict,
        "because": issue.because,
    }
    store.journal.append(KIND, "stillroom", told, issue.difference)
