"""Results of judging: periods, excursions, states of rules."""

from __future__ import annotations

from dataclasses import dataclass

from ..instants import rfc3339
from .plain_forms import ExcursionFacts, ExcursionForm, Segment
from .words import Conformity, Reason, Verdict


@dataclass(frozen=True)
class Period:
    """A maximal run of one verdict and reason; `rule` and `probe`: the deciding ones."""

    zone: str
    from_ns: int
    to_ns: int
    verdict: Verdict
    reason: Reason
    rule: str = ""
    probe: str = ""
    provisional: bool = False
    margin: float | None = None  # the smallest, as a share of the room between the limits of its rule

    def segment(self) -> Segment:
        """Plain data: instants in UTC (RFC 3339)."""
        return {
            "from": rfc3339(self.from_ns),
            "to": rfc3339(self.to_ns),
            "verdict": self.verdict,
            "reason": self.reason,
            "rule": self.rule,
            "probe": self.probe,
        }


@dataclass(frozen=True)
class Excursion:
    """A maximal run of one rule being nonconforming. `exceedance` is in unit·h beyond the limit.

    `asks_disposition`: a person must decide on it. Outside the zone's hours of use only where an
    inspection or its settling is affected.
    """

    zone: str
    rule: str
    from_ns: int
    to_ns: int
    worst: float
    worst_ns: int
    limit: float
    U: float
    unit: str
    exceedance: float
    probes: tuple[str, ...]
    proven: bool
    basis: str = ""
    provisional: bool = False
    asks_disposition: bool = True

    def facts(self) -> ExcursionFacts:
        """Plain data within one zone: instants in UTC (RFC 3339), the exceedance in its unit times hours."""
        return {
            "rule": self.rule,
            "from": rfc3339(self.from_ns),
            "to": rfc3339(self.to_ns),
            "worst": self.worst,
            "worst_at": rfc3339(self.worst_ns),
            "limit": self.limit,
            "U": self.U,
            "unit": self.unit,
            "exceedance": self.exceedance,
            "probes": list(self.probes),
            "proven": self.proven,
            "basis": self.basis,
            "asks_disposition": self.asks_disposition,
        }

    def to_dict(self) -> ExcursionForm:
        """Plain data for programs: what `facts` gives, with the zone and whether it may still change."""
        return {"zone": self.zone, **self.facts(), "provisional": self.provisional}


@dataclass(frozen=True)
class RuleState:
    """Result of one rule in one cell, for display: value, margin to the limit, conformity."""

    rule: str
    name: str
    cell_ns: int
    value: float | None
    U: float | None
    margin: float | None
    unit: str
    lower: float | None
    upper: float | None
    conformity: Conformity
    probe: str
    why: str = ""
    outside: tuple[str, ...] = ()  # all probes or pairs beyond the limit, where `probe` names the worst
