"""Forms of answers that leave as plain data (JSON): what a zone is like now, the check of an interval.

Instants are RFC 3339 in UTC; values are in the unit that stands beside them, U is expanded (k = 2).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NotRequired, TypedDict

from .words import Reason, Verdict


class LiveRule(TypedDict):
    """One rule in the newest complete minute of a zone."""

    rule: str
    name: str
    value: float | None
    U: float | None
    margin: float | None
    unit: str
    lower: float | None
    upper: float | None
    conformity: str
    probe: str
    why: str
    outside: Sequence[str]
    at: str


class ExpectedCrossing(TypedDict):
    """When a limit is expected to be reached; with `until` alone: none is, until then."""

    until: str
    earliest: NotRequired[str]
    latest: NotRequired[str | None]
    rule: NotRequired[str]
    name: NotRequired[str]
    probe: NotRequired[str]
    limit: NotRequired[float]
    unit: NotRequired[str]
    probability: NotRequired[float | None]  # within the hour; None where the straight line tells it


class ExpectedBand(TypedDict):
    """Where a value is expected in 8 cases of 10: `low` and `high` after each of `minutes`.

    value: of the last judged minute, which ends at `at` of its statement; canonical unit of the quantity.
    """

    channel: str
    value: float
    minutes: Sequence[int]
    low: Sequence[float]
    high: Sequence[float]


class LiveStatement(TypedDict):
    """What is said of a zone for its newest complete minute, which ends at `at`."""

    zone: str
    name: str
    at: str
    verdict: Verdict
    reason: Reason
    since: str
    sentence: str
    next_step: str
    ahead: ExpectedCrossing | None
    bands: NotRequired[Sequence[ExpectedBand]]  # absent in a statement of an earlier version
    forecast: str
    provisional: bool
    rules: Sequence[LiveRule]
    oldest_reading_s: float | None


CheckReason = TypedDict(
    "CheckReason",
    {
        "reason": Reason,
        "rule": str,
        "probe": str,
        "worst": float | None,
        "limit": float | None,
        "U": float | None,
        "unit": str,
        "proven": bool,
        "basis": str,
        "why": str,
        "pre_window": bool,
        "from": str,
        "to": str,
    },
)
CheckReason.__doc__ = """One reason for the verdict of an interval, or one rule with its worst value in it."""


class CheckStatistics(TypedDict):
    """One channel in an interval; shares in [0, 1], None where there is nothing to count."""

    quantity: str
    unit: str
    readings: int
    min: float | None
    max: float | None
    mean: float | None
    span: float | None
    share_conforming: float | None
    share_within: float | None
    share_conforming_in_use: float | None
    U: NotRequired[float | None]
    medium: NotRequired[str]


CheckAnswer = TypedDict(
    "CheckAnswer",
    {
        "verdict": Verdict,
        "zone": str,
        "from": str,
        "to": str,
        "pre_window_s": int,
        "activity": str,
        "provisional": bool,
        "decision_rule": str,
        "reasons": Sequence[CheckReason],
        "rules": Sequence[CheckReason],
        "statistics": Mapping[str, CheckStatistics],
        "notices": Sequence[str],
        "reason": Reason,
        "because": str,
        "leading": CheckReason | None,
        "digest": str,
        "setup": str,
        "software": str,
        "settings": Sequence[str],
    },
)
CheckAnswer.__doc__ = """The answer for one interval; `digest` covers the result, not the software."""

ExcursionFacts = TypedDict(
    "ExcursionFacts",
    {
        "rule": str,
        "from": str,
        "to": str,
        "worst": float,
        "worst_at": str,
        "limit": float,
        "U": float,
        "unit": str,
        "exceedance": float,
        "probes": Sequence[str],
        "proven": bool,
        "basis": str,
        "asks_disposition": bool,
    },
)
ExcursionFacts.__doc__ = """A run of one rule out of limits; the exceedance in its unit times hours."""


class ExcursionForm(ExcursionFacts):
    """A run of one rule out of limits in any zone; provisional while readings may still come in for it."""

    zone: str
    provisional: bool


Segment = TypedDict(
    "Segment", {"from": str, "to": str, "verdict": Verdict, "reason": Reason, "rule": str, "probe": str}
)
Segment.__doc__ = """A part of an interval with one verdict and one reason."""


class AssessmentAnswer(CheckAnswer):
    """The answer for one inspection: the check, the thermal error of its work, the line for a report."""

    thermal: Mapping[str, Any] | None
    segments: Sequence[Segment]
    statement: str | None
    stamp: str
