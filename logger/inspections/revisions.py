"""Issued verdicts of inspections: late or corrected data makes a new issue, the old one stays.

An issue is an entry of the journal. It is made when a registered inspection has ended and its verdict
is final, and again whenever its digest is another one; the custodian is notified when the verdict changes.
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
from .batch import BatchAnswer, assess_many

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
    by_inspection: dict[str, list[Issue]] = {}
    for entry in store.journal.entries(kind=KIND):
        w: Mapping[str, Any] = entry.what
        content = (
            w["verdict"],
            w["reason"],
            w["digest"],
            w["difference"],
            w["other_verdict"],
            w.get("because", ""),
        )
        by_inspection.setdefault(w["inspection"], []).append(
            Issue(w["inspection"], w["issue"], entry.at_ns, *content)
        )
    return by_inspection


def of_digest(store: Store, digest: str) -> Issue | None:
    """The issue that a stamp's digest belongs to."""
    return next((i for group in issues(store).values() for i in group if i.digest == digest), None)


def digest_lines(store: Store, digest: str, verdict: str) -> list[str]:
    """Sentences on the issue that a stamp's digest belongs to and on the newest one after it."""
    mine = of_digest(store, digest)
    if mine is None or mine.verdict != verdict:
        return ["No issue of a registered inspection has that digest with that verdict."]
    newest = issues(store)[mine.inspection][-1]
    now = f"; issue {newest.number} says {newest.verdict} ({newest.reason})" if newest != mine else ""
    return [f"It is of issue {mine.number} of inspection {mine.inspection}{now}."]


def review(
    store: Store, verdicts: Verdicts, now_ns: int, only: Iterable[str] | None = None
) -> list[tuple[Inspection, Issue]]:
    """Issue new and changed verdicts, of all inspections or of `only`; returns those issues."""
    keys = None if only is None else set(only)
    issued = issues(store)
    ended = [
        j for j in inspections(store) if j.to_ns is not None and (keys is None or j.key in keys)
    ]  # fmt: skip
    answers = assess_many(verdicts, [question_of(inspection, now_ns) for inspection in ended], now_ns)
    new_issues = []
    for inspection, answer in zip(ended, answers, strict=True):
        issue = _issue(inspection, answer, issued.get(inspection.key, []), now_ns)
        if issue is not None:
            _journal_issue(store, issue)
            new_issues.append((inspection, issue))
    return new_issues


def _issue(inspection: Inspection, answer: BatchAnswer, before: Sequence[Issue], now_ns: int) -> Issue | None:
    """The next issue; None while the verdict is provisional, or where it is the last one's."""
    if answer.assessment is None or answer.assessment.check.provisional:
        return None
    check = answer.assessment.check
    digest = str(check.to_dict()["digest"])
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
    content = (check.verdict, reason, digest, difference, other, check.because)
    return Issue(inspection.key, number, now_ns, *content)


def _journal_issue(store: Store, issue: Issue) -> None:
    what: dict[str, Any] = {
        "inspection": issue.inspection,
        "issue": issue.number,
        "verdict": issue.verdict,
        "reason": issue.reason,
        "digest": issue.digest,
        "difference": issue.difference,
        "other_verdict": issue.other_verdict,
        "because": issue.because,
    }
    store.journal.append(KIND, "stillroom", what, issue.difference)
