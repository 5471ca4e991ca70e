"""What was noted on single excursions and on inspections because of them, before there were cases.

Those entries of the journal are read and never written any more: acts on cases are in `cases.py`, which
carries them over. Causes and decisions are the lists that people choose from.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from ..instants import NS, parse, rfc3339
from ..model import Excursion
from ..model.entry_forms import DispositionEntry
from ..store import JournalEntry, Store

EXCURSION, INSPECTION = "disposition-excursion", "disposition-inspection"
# A short list makes causes countable; common practice, no source.
CAUSES = (
    *("door or traffic", "air handling", "heat from a machine", "people in the room", "weather"),
    *("power", "maintenance", "probe or wiring", "not found", "other"),
)
DECISIONS = ("stands", "stands, corrected", "measure again", "withdrawn")


@dataclass(frozen=True)
class Span:
    """Where and when: an excursion, or the time in which something was wrong, as decisions name it."""

    kind: str  # "excursion", "probe", "certificate", "position"
    zone: str
    what: str  # the rule, probe, certificate or position
    from_ns: int
    to_ns: int

    def meets(self, other: Span) -> bool:
        """Whether both speak of the same thing: late readings may move an excursion's ends."""
        same = (self.kind, self.zone, self.what) == (other.kind, other.zone, other.what)
        return same and self.from_ns < other.to_ns and other.from_ns < self.to_ns

    def to_dict(self) -> dict[str, Any]:
        """As the journal holds it."""
        span = {"from": rfc3339(self.from_ns), "to": rfc3339(self.to_ns)}
        return {"of": self.kind, "zone": self.zone, "what": self.what, **span}


def span_of(e: Excursion) -> Span:
    """An excursion as decisions name it."""
    return Span("excursion", e.zone, e.rule, e.from_ns, max(e.to_ns, e.from_ns + NS))


@dataclass(frozen=True)
class Findings:
    """What must be said before an excursion can be closed."""

    cause: str = ""
    detail: str = ""
    immediate_action: str = ""
    impact: str = ""
    decision: str = ""
    customer: str = ""


@dataclass(frozen=True)
class Disposition:
    """The newest word on an excursion, or one on an inspection (`inspection` its key)."""

    number: int
    at_ns: int
    who: str
    about: Span
    findings: Findings
    closed: bool
    inspection: str = ""
    decision: str = ""
    customer: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Book:
    """Everything that was decided, in order."""

    of_excursions: tuple[Disposition, ...]
    of_inspections: tuple[Disposition, ...]

    def excursion(self, e: Excursion) -> Disposition | None:
        """The newest word on an excursion."""
        mine = span_of(e)
        return next((d for d in reversed(self.of_excursions) if d.about.meets(mine)), None)

    def decision_on(self, key: str, span: Span) -> Disposition | None:
        """The newest decision on an inspection because of something."""
        matches = (d for d in reversed(self.of_inspections) if d.inspection == key and d.about.meets(span))
        return next(matches, None)


def book(store: Store) -> Book:
    """Read everything that was decided."""
    decisions = [
        tuple(_read(entry) for entry in store.journal.entries(kind=kind)) for kind in (EXCURSION, INSPECTION)
    ]
    return Book(*decisions)


def _read(entry: JournalEntry) -> Disposition:
    from zoneinfo import ZoneInfo

    what = entry.read(DispositionEntry)
    span, utc = what["about"], ZoneInfo("UTC")
    return Disposition(
        entry.number,
        entry.at_ns,
        entry.who,
        Span(span["of"], span["zone"], span["what"], parse(span["from"], utc), parse(span["to"], utc)),
        Findings(**{f.name: what.get("findings", {}).get(f.name, "") for f in fields(Findings)}),
        bool(what.get("closed")),
        what.get("inspection", ""),
        what.get("decision", ""),
        what.get("customer", ""),
        entry.why,
    )
