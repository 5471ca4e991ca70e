"""The reason that is printed beside a verdict, and the sentence that says it: chosen here and nowhere else.

The reason is the first, in the order in which reasons apply, that belongs to the verdict. Of several runs
with that reason the one inside the interval comes before one in its pre-window, then the one with the
smallest margin, as a share of the room between the rule's limits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from ...instants import wall_span
from ...model import REASONS, VERDICT_OF, Reason, Verdict
from ...model.figures import difference_text, limit_text, value_text
from .periods import BODIES, width

__all__ = ["Cause", "WorstValue", "because", "beyond", "in_guard_band", "leading_cause", "reason_of", "width"]
ALL_KEPT = "All limits kept, guard band included."
NO_LIMIT = "no limit is in force"


@dataclass(frozen=True)
class Cause:
    """One reason for a verdict: a run of one rule's result, or settling, a mark, unknown bodies."""

    reason: Reason
    rule: str
    probe: str
    from_ns: int
    to_ns: int
    worst: float | None
    limit: float | None
    U: float | None
    unit: str
    proven: bool
    basis: str
    why: str
    pre_window: bool


@dataclass(frozen=True)
class WorstValue:
    """The value of a rule with the smallest margin, beside the limit nearest to it; canonical unit."""

    name: str
    probe: str
    value: float
    U: float | None
    limit: float
    unit: str

    @property
    def text(self) -> str:
        """Name, value with U, probe."""
        value = value_text(self.value, self.unit, self.U, self.limit)
        return f"{self.name} {value}{f' at {self.probe}' if self.probe else ''}"


def leading_cause(causes: Sequence[Cause], verdict: Verdict, widths: Mapping[str, float]) -> Cause | None:
    """The cause that is printed beside a verdict, of those that belong to it; None where there is none.

    widths: key of a rule -> room between its limits, in its unit.
    """
    deciding = [c for c in causes if VERDICT_OF[c.reason] == verdict and c.reason != "conforming"]
    return min(deciding, key=lambda c: _rank(c, widths), default=None)


def _rank(c: Cause, widths: Mapping[str, float]) -> tuple[int, bool, float, int, str]:
    margin = 0.0
    if c.worst is not None and c.limit is not None:
        margin = abs(c.worst - c.limit) / widths.get(c.rule, 1.0)
    share = -margin if c.reason == "nonconforming" else margin
    return REASONS.index(c.reason), c.pre_window, share, c.from_ns, c.rule


def reason_of(lead: Cause | None, verdict: Verdict) -> Reason:
    """The reason beside a verdict; what is not shown for no reason of its own has no evidence."""
    if lead is not None:
        return lead.reason
    return "conforming" if verdict == "stable" else "indeterminate"


def because(lead: Cause | None, verdict: Verdict, names: Mapping[str, str], zone: ZoneInfo) -> str:
    """The sentence beside a verdict, with figures and local times; names: key of a rule -> its name."""
    if lead is None:
        return ALL_KEPT if verdict == "stable" else f"{_capital(NO_LIMIT)}."
    name = names.get(lead.rule, lead.rule)
    when = wall_span(lead.from_ns, lead.to_ns, zone)
    before = "before the start, " if lead.pre_window else ""
    return f"{_capital(_cause_text(lead, name))}; {before}{when}."


def _cause_text(c: Cause, name: str) -> str:
    if c.worst is not None and c.limit is not None:
        worst = WorstValue(name, c.probe, c.worst, c.U, c.limit, c.unit)
        if c.reason == "nonconforming":
            return beyond(worst, proven=c.proven)
        if c.reason == "guard band":
            return in_guard_band(worst)
    if c.reason == "marked":
        return f"marked as not to be used: {c.why}"
    if c.reason == "settling":
        return f"settling: machine and parts have not recovered since {name} was out of limits"
    where = f"{name}, {c.probe}" if c.rule and c.probe else name
    return f"{where}: {c.why}" if c.rule and c.rule != BODIES else c.why


def beyond(worst: WorstValue, *, proven: bool = True) -> str:
    """A value out of its limits, by how much, and whether the probes prove it.

    >>> beyond(WorstValue("temperature", "P2", 21.84, 0.1, 20.5, "degC"))
    'temperature 21.84 ± 0.10 °C at P2, 1.34 K above 20.5 °C'
    >>> beyond(WorstValue("pressure", "B1", 94_950.0, 60.0, 95_000.0, "Pa"), proven=False)
    'pressure 949.50 ± 0.60 hPa at B1, 0.50 hPa below 950 hPa, not proven (by less than U)'
    """
    side = "above" if worst.value > worst.limit else "below"
    doubt = "" if proven else ", not proven (by less than U)"
    distance = difference_text(worst.value - worst.limit, worst.unit, worst.U)
    how_far = f"{distance} {side} {limit_text(worst.limit, worst.unit)}"
    return f"{worst.text}, {how_far}{doubt}"


def in_guard_band(worst: WorstValue) -> str:
    """A value within its limits by less than its guard band.

    >>> in_guard_band(WorstValue("temperature", "P2", 20.902, 0.1, 21.0, "degC"))
    'temperature 20.902 ± 0.100 °C at P2, in the guard band of 21 °C: within limits, but not proven'
    """
    limit = limit_text(worst.limit, worst.unit)
    return f"{worst.text}, in the guard band of {limit}: within limits, but not proven"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
