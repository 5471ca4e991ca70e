"""Forms of the facts of a record: what stands in its record.json, and what its pages are made from.

Instants are RFC 3339 in UTC; values are in the unit that stands beside them, U is expanded (k = 2); lengths
of time are seconds. Keys that records of earlier versions do not have are marked as not required.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NotRequired, TypedDict

from ..core.calibration.trace import WorkedOut
from ..inspections.case_forms import CaseForm
from ..model import Reason, TemperatureUnit, Verdict
from ..model.plain_forms import CheckStatistics, ExcursionFacts, Segment
from .act_forms import ActFacts, ActsFacts, PersonFacts, ReviewFacts
from .names import Proven, VersionPeople


class RoomFacts(TypedDict):
    """The room of a record."""

    key: str
    name: str
    site: str
    timezone: str
    custodian: str


class ZoneFacts(TypedDict):
    """The zone of a record; hours of use in words."""

    key: str
    name: str
    settling_s: int
    body_gap_s: int
    hours_of_use: str


class VersionFacts(VersionPeople):
    """A version of the setup that was known at the time of issue."""

    version: int
    approved: str
    reason: str
    correction: bool
    digest: str


CorrectionHead = TypedDict("CorrectionHead", {"version": int, "from": str, "approved": str})


class SetupCorrectionFacts(CorrectionHead, VersionPeople):
    """A corrected entry error that reaches back into the interval, from `from` on."""

    reason: str


class SetupFacts(TypedDict):
    """By which setup it was judged; notices only where there are some."""

    version: int
    digest: str
    single_person: bool
    notices: NotRequired[Sequence[str]]
    versions: Sequence[VersionFacts]
    corrections: Sequence[SetupCorrectionFacts]


class PlateFacts(TypedDict):
    """What a bending is computed from: mm, and thermal expansion with its u in 1/K."""

    length_mm: float
    thickness_mm: float
    alpha_per_K: float
    u_alpha_per_K: float


LimitFacts = TypedDict(
    "LimitFacts",
    {
        "rule": str,
        "name": str,
        "kind": str,
        "quantity": str,
        "unit": str,
        "lower": float | None,
        "upper": float | None,
        "media": Sequence[str],
        "window_s": int | None,
        "guard_factor_r": float,
        "disturbs": bool,
        "activity": str,
        "basis": str,
        "approver": str,
        "from": str,
        "to": str | None,
        "plate": NotRequired[PlateFacts],
    },
)
LimitFacts.__doc__ = """A limit that was in force in a part of the interval."""


class PointFacts(TypedDict):
    """A point of a certificate: correction and U at an indication."""

    indication: float
    correction: float
    U: float


class ErrorFacts(TypedDict):
    """An error that a calibration found at an indication."""

    indication: float
    error: float


class PolynomialFacts(TypedDict):
    """Coefficients, lowest power first, of (indication − centre)/scale."""

    coefficients: Sequence[float]
    centre: float
    scale: float


AsFoundFacts = TypedDict(
    "AsFoundFacts",
    {
        "certificate": str,
        "model": str,
        "points": Sequence[ErrorFacts],
        "largest_change": float | None,
        "from": str,
        "to": str,
    },
)
AsFoundFacts.__doc__ = """What the next calibration found, by which model and between which days it acts."""


class TraceFacts(WorkedOut):
    """A correction worked out at one instant and indication."""

    at: str
    indication: float
    U: float


class CorrectionFacts(TypedDict):
    """By what a certificate corrects, and what enters U beside it; in the channel's own unit."""

    points: Sequence[PointFacts]
    polynomial: PolynomialFacts | None
    drift: float
    other_u: float
    resolution: float
    noise: float
    as_found: AsFoundFacts | None


class CertificateFacts(CorrectionFacts):
    """A certificate that was in force; `due`: the first instant after the due day."""

    number: str
    channel: str
    issuer: str
    accreditation: str
    calibrated_on: str
    due: str | None
    U: float
    unit: str
    k: float
    range: Sequence[float]
    status: str
    worked_out: NotRequired[TraceFacts | None]


StayFacts = TypedDict(
    "StayFacts",
    {
        "probe": str,
        "serial": str,
        "description": str,
        "position": str,
        "medium": str,
        "xyz_m": Sequence[float],
        "from": str,
        "to": str | None,
        "certificates": Sequence[CertificateFacts],
        "without_certificate": NotRequired[Sequence[str]],
    },
)
StayFacts.__doc__ = """A stay of a probe in the zone, with the certificates that were in force during it."""


class StatisticFacts(CheckStatistics):
    """A channel over the interval, as in the answer to a check."""

    channel: str


class ShareFacts(TypedDict):
    """Time of one verdict and reason; `share_in_use` of the hours of use, None without any."""

    verdict: Verdict
    reason: Reason
    seconds: int
    share: float
    share_in_use: float | None


DayFacts = TypedDict(
    "DayFacts",
    {"label": str, "from": str, "to": str, "change": str, "seconds": Mapping[Verdict, int]},
)
DayFacts.__doc__ = """A day, week or month of the interval; `change` of the clock, such as "25 h"."""


class PeriodFacts(Segment):
    """A part of the interval with one verdict and one reason."""

    provisional: bool


GapFacts = TypedDict("GapFacts", {"from": str, "to": str, "seconds": int, "channels": Sequence[str]})
GapFacts.__doc__ = """Where channels that a limit rests on were silent for too long."""


class UnlimitedFacts(TypedDict):
    """A channel that no limit rests on: how often it was read."""

    channel: str
    readings: int
    longest_silence_s: int


class HeadFacts(TypedDict):
    """The newest entry of the journal at the time of issue."""

    number: int
    sha256: str


class ReadingsFacts(TypedDict):
    """The attached readings."""

    rows: int
    sha256: str


class IssueFacts(TypedDict):
    """The head of one issue; number 0: a draft."""

    number: int
    issued_at: str
    by: str
    proven: Proven
    replaces: int | None
    why: str
    signed_by: str


_IntervalFacts = TypedDict("_IntervalFacts", {"from": str, "to": str})


class JudgedFacts(_IntervalFacts, ActsFacts):
    """What is known of an interval before it is asked who took part."""

    format: str
    simulated: bool
    room: RoomFacts
    zone: ZoneFacts
    decision_rule: str
    settings: Sequence[str]
    notices: Sequence[str]
    verdict: Verdict
    limits: Sequence[LimitFacts]
    probes: Sequence[StayFacts]
    statistics: Sequence[StatisticFacts]
    shares: Sequence[ShareFacts]
    data_begin: str | None
    each: Literal["day", "week", "month"]
    days: Sequence[DayFacts]
    periods: Sequence[PeriodFacts]
    excursions: Sequence[ExcursionFacts]
    gaps: Sequence[GapFacts]
    without_limit: Sequence[UnlimitedFacts]
    cases: Sequence[CaseForm]
    reviews: Sequence[ReviewFacts]
    digest: str
    setup: SetupFacts
    software: str
    head: HeadFacts


class RecordFacts(JudgedFacts):
    """All that a record says but the head of its issue; `readings` once they are written.

    temperatures: the unit of its pages, where that is not °C.
    """

    acts: Sequence[ActFacts]
    people: Sequence[PersonFacts]
    readings: NotRequired[ReadingsFacts]
    temperatures: NotRequired[TemperatureUnit]


class IssuedFacts(RecordFacts):
    """The facts of a record under the head of one issue of it."""

    issue: IssueFacts
