"""What became of a stamp: its revision, of which inspection, and what replaced that, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from ..acts.inspections import inspections
from ..core.measurement.stamp import Stamp
from ..instants import rfc3339, wall
from ..model import Inspection
from ..store import Store
from .revisions import Issue, issues


@dataclass(frozen=True)
class StampTrace:
    """The revision that a stamp was printed from and those after it, oldest first."""

    stamp: Stamp
    revision: Issue
    later: tuple[Issue, ...]
    altered: str = ""  # what the stamp says otherwise than its revision

    @property
    def holds(self) -> bool:
        """Whether it is the newest revision, unaltered."""
        return not self.later and not self.altered

    def lines(self, zone: ZoneInfo) -> list[str]:
        """Sentences for a person; times are local with their offset."""
        r = self.revision
        name = f"revision {r.number} of inspection {r.inspection}, printed {wall(r.at_ns, zone)}"
        if self.altered:
            return [f"The stamp was altered: its digest is that of {name}; {self.altered}."]
        if self.holds:
            return [f"The stamp holds: {name}."]
        head = f"The stamp is out of date. It is {name}: {r.verdict} ({r.reason})"
        head += ", provisional." if r.provisional else "."
        return [head, *(_replaced(i, zone) for i in self.later)]

    def to_dict(self) -> dict[str, Any]:
        """Plain data: the revision and those after it, instants in UTC."""
        return {
            "inspection": self.revision.inspection,
            "revision": _revision_dict(self.revision),
            "replaced_by": [_revision_dict(i) for i in self.later],
            "altered": self.altered,
        }


def trace_stamp(store: Store, stamp: Stamp) -> StampTrace | None:
    """The trace of a stamp; None where no revision has its digest: its interval is no inspection."""
    for group in issues(store).values():
        for place, issue in reversed(list(enumerate(group))):
            if issue.digest == stamp.digest:
                job = next(j for j in inspections(store) if j.key == issue.inspection)
                return StampTrace(stamp, issue, tuple(group[place + 1 :]), _altered(stamp, issue, job))
    return None


def inspection_of(store: Store, trace: StampTrace) -> Inspection:
    """The inspection that a stamp is about."""
    return next(j for j in inspections(store) if j.key == trace.revision.inspection)


def _altered(stamp: Stamp, issue: Issue, job: Inspection) -> str:
    """What a stamp says otherwise than what was printed; "" where it says the same."""
    printed = {
        "verdict": issue.verdict,
        "zone": job.zone,
        "start": rfc3339(job.from_ns),
        "end": rfc3339(job.to_ns or 0),
        "activity": job.activity or "none",
    }
    says = {
        "verdict": stamp.verdict,
        "zone": stamp.zone,
        "start": rfc3339(stamp.from_ns),
        "end": rfc3339(stamp.to_ns),
        "activity": stamp.activity or "none",
    }
    differing = [
        f"{name} printed: {printed[name]}, now: {says[name]}" for name in says if says[name] != printed[name]
    ]
    return "; ".join(differing)


def _replaced(issue: Issue, zone: ZoneInfo) -> str:
    because = f", because of {issue.cause}" if issue.cause else ""
    young = " It is provisional." if issue.provisional else ""
    head = f"Replaced by revision {issue.number} on {wall(issue.at_ns, zone)}"
    return f"{head}{because}: {issue.difference}.{young}"


def _revision_dict(issue: Issue) -> dict[str, Any]:
    body = {k: v for k, v in vars(issue).items() if k not in ("at_ns", "inspection", "entry")}
    return body | {"at": rfc3339(issue.at_ns)}
