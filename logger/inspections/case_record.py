"""A case with everything that was done about it: its state, what is missing, and as plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cached_property

from ..acts.case_book import CaseDecision, CaseWork, is_closed
from ..acts.cases import lacking
from ..core.judge.cases import NOT_NAMED, Case, Event
from ..instants import rfc3339
from ..model import Excursion
from .case_forms import CaseForm, CaseInspection, CaseSummary


@dataclass(frozen=True)
class CaseRecord:
    """A case with everything that was done about it.

    settled_ns: by zone, when air and bodies had recovered. running: a rule is still broken. affected: keys of
    the inspections that it touches, its settling included.
    """

    case: Case
    work: CaseWork
    settled_ns: Mapping[str, int]
    running: bool
    affected: tuple[str, ...]
    revision: int = 0

    @property
    def number(self) -> int | None:
        return self.case.number

    @property
    def undecided(self) -> list[str]:
        """Affected inspections without a decision."""
        return [key for key in self.affected if key not in self.work.decisions]

    @property
    def missing(self) -> list[str]:
        """What is missing before it can be closed, in words; nothing where nothing is asked."""
        if not self.case.in_use or self.state == "closed":
            return []
        return list(lacking(self.work.texts, running=self.running, undecided=self.undecided))

    @property
    def missing_count(self) -> int:
        """How many decisions and texts are missing; that it still runs is no entry of a person."""
        if not self.missing:  # nothing is asked, also while it still runs
            return 0
        return len(self.missing) - self.running - bool(self.undecided) + len(self.undecided)

    @property
    def state(self) -> str:
        """Running, open, decided, closed, or "no decision needed"."""
        if not self.case.in_use:
            return "no decision needed"
        if is_closed(self.work, self.case) and not self.undecided:
            return "closed"
        if self.running:
            return "running"
        decided = not self.undecided and bool(self.work.texts.decision)
        return "decided" if decided else "open"

    @property
    def waits(self) -> bool:
        """Whether it still waits for a person: it asks for a decision and is not closed."""
        return self.case.in_use and self.state != "closed"

    @property
    def cause(self) -> str:
        """Its cause; "no cause yet" while there is none."""
        return self.work.texts.cause or NOT_NAMED

    @cached_property
    def worst(self) -> Excursion:
        """The run with the largest exceedance in units of its uncertainty; a proven one before others."""
        return max(self.case.runs, key=lambda e: (e.proven, e.exceedance / max(e.U, 1e-9)))

    @property
    def event(self) -> Event:
        """The case as figures need it."""
        return Event(self.case, self.cause, self.settled_ns)

    def summary(self) -> CaseSummary:
        """Plain data without what people wrote and without inspections: instants in UTC (RFC 3339)."""
        case = self.case
        return {
            "case": case.number,
            "continued": list(case.continued),
            "revision": self.revision,
            "state": self.state,
            "in_use": case.in_use,
            "cause": self.cause,
            "zones": list(case.zones),
            "from": rfc3339(case.from_ns),
            "to": rfc3339(case.to_ns),
            "settled": {zone: rfc3339(ns) for zone, ns in self.settled_ns.items()},
            "runs": [e.to_dict() for e in case.runs],
        }

    def to_dict(self) -> CaseForm:
        """Plain data for programs, all of it: instants in UTC (RFC 3339)."""
        work = self.work
        return {
            **self.summary(),
            "texts": asdict(work.texts),
            "written": {
                name: {"who": w.who, "at": rfc3339(w.at_ns), "entry": w.entry}
                for name, w in work.text_entries.items()
            },
            "inspections": [_decision_dict(key, work.decisions.get(key)) for key in self.affected],
            "missing": self.missing,
            "reopened": work.reopened or None,
            "closed": None
            if work.closing is None
            else {"who": work.closing.who, "at": rfc3339(work.closing.at_ns), "entry": work.closing.entry},
        }


def _decision_dict(key: str, d: CaseDecision | None) -> CaseInspection:
    if d is None:
        return {"inspection": key, "decision": None}
    return {
        "inspection": key,
        "decision": d.decision,
        "customer": d.customer,
        "why": d.reason,
        "who": d.who,
        "at": rfc3339(d.at_ns),
        "entry": d.entry,
    }
