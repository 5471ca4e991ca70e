"""Forms of what people and alarms did in an interval, as its record says it.

Instants are RFC 3339 in UTC; `proven`: whether an account proved that the name acted.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NotRequired, TypedDict

from ..core.alarms.performance import PerformanceForm
from ..model import Verdict
from .names import Proven


class DecisionFacts(TypedDict):
    """The decision on an inspection in one case; None where it is missing."""

    case: int | None
    decision: str | None
    why: NotRequired[str]
    who: NotRequired[str]
    at: NotRequired[str]
    entry: NotRequired[int]
    proven: NotRequired[Proven]
    verdict: NotRequired[Verdict]
    reason: NotRequired[str]
    effect_um: NotRequired[float | None]
    share_of_tolerance: NotRequired[float | None]
    title: NotRequired[str]


InspectionFacts = TypedDict(
    "InspectionFacts",
    {
        "key": str,
        "title": str,
        "part": str,
        "person": str,
        "activity": str,
        "from": str,
        "to": str,
        "running": bool,
        "verdict": Verdict,
        "reason": str,
        "because": str,
        "digest": str | None,
        "error_um": float | None,
        "U_um": float | None,
        "tolerance_um": float | None,
        "share_of_tolerance": float | None,
        "revision": NotRequired[int | None],
        "revision_cause": NotRequired[str],
        "decisions": NotRequired[Sequence[DecisionFacts]],
    },
)
InspectionFacts.__doc__ = """An inspection in the interval; where it was refused, the reason says why."""

MarkFacts = TypedDict("MarkFacts", {"from": str, "to": str, "reason": str, "who": str, "proven": Proven})
MarkFacts.__doc__ = """Time that a person marked as not to be used."""


class AlarmFacts(TypedDict):
    """A change of an alarm or an act on it; `why`: the comment."""

    at: str
    alarm: str
    what: str
    who: str
    proven: Proven
    why: str


ActIntervalFacts = TypedDict("ActIntervalFacts", {"from": str, "to": str | None})
ActIntervalFacts.__doc__ = """The time that an act is about; without an end while an inspection runs."""


class ActFacts(TypedDict):
    """An act of a person about a part of the interval, whenever it was done."""

    entry: int
    at: str
    about: ActIntervalFacts
    kind: str
    what: str
    who: str
    proven: Proven


ReviewFacts = TypedDict(
    "ReviewFacts",
    {
        "number": int,
        "who": str,
        "cadence": str,
        "period": str,
        "zones": Sequence[str],
        "comment": str,
        "signed": bool,
        "digest": str,
        "at": str,
        "from": str,
        "to": str,
    },
)
ReviewFacts.__doc__ = """A review that covers a part of the interval."""


class PersonFacts(TypedDict):
    """Somebody who is named in a record; `account`: None where no account has that name."""

    person: str
    did: Sequence[str]
    roles: Sequence[str]
    account: str | None


class ActsFacts(TypedDict):
    """What people and alarms did in the interval."""

    inspections: Sequence[InspectionFacts]
    marks: Sequence[MarkFacts]
    alarms: Sequence[AlarmFacts]
    alarm_figures: PerformanceForm
