"""What people decided about excursions and about the inspections that they touch.

Each decision is an entry of the journal and nothing else, so that none can be changed; the newest one
holds. An excursion closes only when cause, immediate action, impact, decision and what the customer
must be told are said, and every inspection that it touches has a decision (ISO/IEC 17025:2017, 7.10, 8.7).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

from ..errors import Refused
from ..instants import NS, parse, rfc3339
from ..model import Excursion
from ..model.roles import refuse_unseen
from ..store import JournalEntry, Store

EXCURSION, INSPECTION = "disposition-excursion", "disposition-inspection"
# A short list makes causes countable; common practice, no source.
CAUSES = (
    *("door or traffic", "air handling", "heat from a machine", "people in the room", "weather"),
    *("power", "maintenance", "probe or wiring", "not found", "other"),
)
DECISIONS = ("stands", "stands, corrected", "measure again", "withdrawn")
REPEATS, WITHIN_NS = 3, 30 * 86_400 * NS
_WORDS = {
    "cause": f"a cause, one of: {', '.join(CAUSES)}",
    "detail": "what happened, in a sentence",
    "immediate_action": "what was done at once",
    "impact": "what it means for results",
    "decision": "the decision",
    "customer": "what the customer must be told (or that there is nothing to tell, and why)",
}


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

    def to_json(self) -> dict[str, Any]:
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

    @property
    def missing(self) -> list[str]:
        """What is still to be said, in words."""
        values = asdict(self)
        missing = [_WORDS[name] for name in values if not values[name].strip()]
        unknown = self.cause.strip() and self.cause not in CAUSES
        return [*missing, *([_WORDS["cause"]] if unknown else [])]


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

    def repetitions(self, e: Excursion) -> int:
        """How many excursions of this zone had the same cause in the 30 days before it, itself included."""
        decision = self.excursion(e)
        if decision is None or not decision.findings.cause:
            return 0
        same = {
            (d.about.what, d.about.from_ns)
            for d in self.newest()
            if d.about.zone == e.zone
            and d.findings.cause == decision.findings.cause
            and e.to_ns - WITHIN_NS <= d.about.from_ns <= e.from_ns
        }
        return len(same | {(decision.about.what, decision.about.from_ns)})

    def newest(self) -> list[Disposition]:
        """The newest word on each excursion."""
        newest: list[Disposition] = []
        for d in self.of_excursions:
            newest = [decision for decision in newest if not decision.about.meets(d.about)] + [d]
        return newest


def book(store: Store) -> Book:
    """Read everything that was decided."""
    decisions = [
        tuple(_read(entry) for entry in store.journal.entries(kind=kind)) for kind in (EXCURSION, INSPECTION)
    ]
    return Book(*decisions)


def _read(entry: JournalEntry) -> Disposition:
    from zoneinfo import ZoneInfo

    what: Mapping[str, Any] = entry.what
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


def note_excursion(
    store: Store, e: Excursion, findings: Findings, who: str, *, close: bool, undecided: Iterable[str] = ()
) -> None:
    """Write down what is known of an excursion; `close` asks for all of it.

    undecided: keys of the inspections that it affects and that have no decision yet. What was entered is
    saved also where closing is refused, unless the excursion is closed already.
    """
    who = _person(who)
    if findings.cause and findings.cause not in CAUSES:
        raise Refused(f"Nothing was changed: wanted {_WORDS['cause']}; found {findings.cause!r}.")
    if not any(asdict(findings).values()):
        raise Refused("Nothing was changed: nothing was said about the excursion.")
    for name, text in asdict(findings).items():
        refuse_unseen(text, f"text of {name.replace('_', ' ')}")
    refused = _not_closed(findings, sorted(undecided)) if close else ""
    before = book(store).excursion(e) if refused else None
    if before is not None and before.closed:
        raise Refused(f"Nothing was changed: the excursion stays closed as it was. {refused}")
    closed = close and not refused
    what: dict[str, Any] = {"about": span_of(e).to_json(), "findings": asdict(findings), "closed": closed}
    if before is None or before.findings != findings:
        store.journal.append(EXCURSION, who, what, findings.detail)
    if refused:
        raise Refused(f"Not closed. {refused} What you entered is saved.")


def _not_closed(findings: Findings, open_jobs: Sequence[str]) -> str:
    if findings.missing:
        return f"Missing: {'; '.join(findings.missing)}."
    return f"Decide on {', '.join(open_jobs)} first." if open_jobs else ""


def decide(
    store: Store, key: str, about: Span, *, decision: str, customer: str, reason: str, who: str
) -> None:
    """Decide on an inspection that something touches; nothing is decided without its words."""
    who = _person(who)
    if decision not in DECISIONS:
        raise Refused(f"Inspection {key!r}: wanted a decision, one of: {'; '.join(DECISIONS)}.")
    for text, what in ((customer, _WORDS["customer"]), (reason, "the reason of the decision")):
        if not text.strip():
            raise Refused(f"Inspection {key!r} was not decided on: wanted {what}.")
    told: dict[str, Any] = {
        "inspection": key,
        "about": about.to_json(),
        "decision": decision,
        "customer": customer.strip(),
    }
    store.journal.append(INSPECTION, who, told, reason.strip())


@dataclass(frozen=True)
class CauseCount:
    """How often a cause was found, and for how long limits were not met."""

    cause: str
    excursions: int
    hours: float


def pareto(excursions: Sequence[Excursion], decisions: Book) -> list[CauseCount]:
    """Causes by hours, the largest first; what nobody has named yet is named so."""
    hours_by_cause: dict[str, list[float]] = {}
    for e in excursions:
        decision = decisions.excursion(e)
        cause = decision.findings.cause if decision and decision.findings.cause else "not named yet"
        hours_by_cause.setdefault(cause, []).append((e.to_ns - e.from_ns) / NS / 3600)
    counted = [CauseCount(cause, len(hours), sum(hours)) for cause, hours in hours_by_cause.items()]
    return sorted(counted, key=lambda c: (-c.hours, c.cause))


@dataclass(frozen=True)
class BeforeAfter:
    """Excursions and their hours in as many days before an action as after it."""

    days: float
    before: int
    before_h: float
    after: int
    after_h: float


def before_after(excursions: Sequence[Excursion], at_ns: int, now_ns: int, days: float = 30.0) -> BeforeAfter:
    """What a corrective action did: equal times on each side, no longer than has passed since."""
    reach = min(round(days * 86_400) * NS, max(0, now_ns - at_ns))
    sides = ((at_ns - reach, at_ns), (at_ns, at_ns + reach))
    counts = []
    for begin, end in sides:
        inside = [e for e in excursions if e.from_ns < end and e.to_ns > begin]
        hours = sum(min(e.to_ns, end) - max(e.from_ns, begin) for e in inside) / NS / 3600
        # One that runs across the border is counted where it began.
        counts.append((sum(begin <= e.from_ns < end for e in inside), hours))
    (n0, h0), (n1, h1) = counts
    return BeforeAfter(reach / NS / 86_400, n0, h0, n1, h1)


def _person(who: str) -> str:
    if not who.strip():
        raise Refused("Nothing was changed: the name of who decides is missing.")
    return refuse_unseen(who.strip(), "name of who decides")
