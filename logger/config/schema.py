"""The tables of config/, key by key. Keys carry their unit; nothing unknown is let through.

Each class is one table without the tables inside it, so that a fault in one does not hide
those of its neighbours.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, PlainValidator, StringConstraints
from pydantic_core import PydanticCustomError

from ..formats.table import NotNegative, Positive, Table, Text
from ..model import MEDIA

__all__ = ["BaseModel", "NotNegative", "Positive", "Table", "Text"]  # others take them from here, too


def _moment(value: object) -> date:
    if isinstance(value, date):  # a datetime is a date, too
        return value
    raise PydanticCustomError(
        "moment", "a day, or a date and time, such as 2026-10-01 or 2026-10-01T08:30:00"
    )


def _medium(value: object) -> str:
    if isinstance(value, str) and value in MEDIA:
        return value
    raise PydanticCustomError("medium", "one of {media}", {"media": ", ".join(MEDIA)})


Moment = Annotated[date | datetime, PlainValidator(_moment)]
Medium = Annotated[str, PlainValidator(_medium)]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Corners = Annotated[list[float], Field(min_length=4, max_length=4)]
Triple = Annotated[list[float], Field(min_length=3, max_length=3)]
Tables = dict[str, Any]


class RoomFile(Table):
    room: Tables | None = None
    zones: Tables = {}
    positions: Tables = {}


class RoomTable(Table):
    key: Text
    name: Text
    site: Text
    timezone: Text
    size_m: Triple
    door_m: Corners | None = None
    custodian: Text
    simulated: bool = False
    single_person: bool = False
    holidays: list[date] = []
    clock_limit_s: Positive = 30.0


class ZoneTable(Table):
    name: Text
    outline_m: Corners
    settling_s: Annotated[int, Field(ge=0)] = 4 * 3600
    body_gap_s: Annotated[int, Field(gt=0)] | None = None
    pre_window_s: Annotated[int, Field(ge=0)] = 2 * 3600
    case_gap_s: Annotated[int, Field(ge=0, le=86_400)] | None = None
    hours_of_use: list[Text] = []
    bodies: Tables = {}
    agree_K: Positive | None = None
    agree_dew_point_K: Positive | None = None


class BodyTable(Table):
    name: Text | None = None
    tau_s: Positive
    u_tau_s: NotNegative
    lower_degC: float
    upper_degC: float
    channels: list[Text] = []


class PositionTable(Table):
    name: Text
    zone: Text
    medium: Medium
    xyz_m: Triple
    u_m: NotNegative = 0.02


class ProbesFile(Table):
    sampling_interval_s: Positive | None = None
    probes: Tables = {}
    placements: list[Any] = []


class ProbeTable(Table):
    serial: Text
    description: Text
    firmware: Text | None = None
    sampling_interval_s: Positive | None = None
    channels: Tables
    connection: Tables | None = None


class ChannelTable(Table):
    quantity: Text
    unit: Text
    resolution: Positive
    noise: NotNegative | None = None
    probe_span: Pair
    user_span: Pair | None = None
    spike: Positive | None = None
    rate_5min: NotNegative | None = None
    flat_n: Annotated[int, Field(ge=0)] | None = None
    applies_certificate: Text | None = None
    max_age_s: Positive | None = None
    response_s: NotNegative = 0.0


class PlacementTable(Table):
    probe: Text
    position: Text
    from_: Moment = Field(alias="from")
    to: Moment | None = None


class LimitsFile(Table):
    defaults: Tables = {}
    rules: Tables = {}


class RuleDefaults(Table):
    guard_factor_r: NotNegative = 1.0
    completeness: Annotated[float, Field(gt=0, le=1)] = 0.95
    valid_from: Moment | None = None
    approver: str = ""


class RuleTable(Table):
    """A rule without its limit, whose key says kind, window and unit (see config_limits)."""

    basis: Text
    name: Text | None = None
    quantity: Text | None = None
    media: Annotated[list[Medium], Field(min_length=1)] = ["air"]
    channels: list[Text] = []
    need: Annotated[int, Field(ge=1)] | None = None
    d_min_m: Positive = 0.3
    plate_length_mm: Positive | None = None
    plate_thickness_mm: Positive | None = None
    plate_alpha_per_K: Positive | None = None
    plate_u_alpha_per_K: NotNegative | None = None
    disturbs_bodies: bool | None = None
    activity: str = ""
    valid_from: Moment | None = None
    valid_to: Moment | None = None
    guard_factor_r: NotNegative | None = None
    completeness: Annotated[float, Field(gt=0, le=1)] | None = None
    approver: str | None = None


class ServiceFile(Table):
    backup: Tables | None = None
    retention: Tables | None = None
    watch: Tables | None = None
    clock: Tables | None = None
    heartbeat: Tables | None = None
    centre: Tables | None = None
    sign_in: Tables | None = None
    reviews: Tables | None = None
    records: Tables | None = None
    api: Tables | None = None
    publish: Tables | None = None
    conditions: Tables | None = None


class BackupTable(Table):
    folder: Text
    at_utc: Annotated[str, StringConstraints(pattern="^([01][0-9]|2[0-3]):[0-5][0-9]$")] = "03:40"
    keep: Annotated[int, Field(ge=1)] = 14


class ClockTable(Table):
    must_be_synchronised: bool = False


class HeartbeatTable(Table):
    url: Annotated[str, StringConstraints(pattern="^(https?://[^/ ]+.*)?$")] = ""
    file: str = ""
    every_s: Annotated[float, Field(ge=10, le=3600)] = 60.0


class CentreTable(Table):
    url: Annotated[str, StringConstraints(pattern="^https?://[^/ ]+.*$")]
    ca_file: str = ""


class WatchTable(Table):
    folder: Text
    profile: Text | None = None
    quiet_s: Annotated[float, Field(ge=1, le=86_400)] = 10.0


class SignInTable(Table):
    idle_min: Annotated[float, Field(ge=1, le=1440)] = 120.0
    longest_h: Annotated[float, Field(ge=0.1, le=168)] = 12.0
    reader_days: Annotated[float, Field(ge=0.1, le=366)] = 30.0


class RetentionTable(Table):
    years: Annotated[int, Field(ge=1, le=100)]


class ReviewsTable(Table):
    every: list[Literal["daily", "weekly", "monthly"]]


class RecordsTable(Table):
    monthly: bool = True


class ApiTable(Table):
    burst: Annotated[int, Field(ge=1, le=10_000)] = 60
    rate_per_s: Annotated[float, Field(ge=0.1, le=1000)] = 10.0


class PublishTable(Table):
    url: Annotated[str, StringConstraints(pattern=r"^mqtts?://[^/ @?#]+$")]
    # No wildcard and no empty level (MQTT 5, 4.7); $ begins topics of the broker itself.
    prefix: Annotated[
        str, StringConstraints(pattern=r"^[^+#$/\x00-\x1f]+(/[^+#$/\x00-\x1f]+)*$", max_length=200)
    ]
    user: str = ""
    password_env: str = ""
    ca_file: str = ""
    keeps_s: Annotated[int, Field(ge=120, le=3600)] = 180


class ConditionsTable(Table):
    folder: Text = "inspections-out"
    forms: Annotated[list[Literal["json", "csv", "line", "dcc"]], Field(min_length=1)] = [
        "json",
        "csv",
        "line",
        "dcc",
    ]
    dcc_schema: Literal["3.2", "3.3"] = "3.2"
    kelvin: bool = False


class CertificateFile(Table):
    number: Text
    channel: Text
    serial: Text
    issuer: Text
    accreditation: str = ""
    calibrated_on: date
    valid_from: Moment
    due_on: date | None = None
    withdrawn_on: Moment | None = None
    unit: Text
    k: Annotated[float, Field(ge=1)]
    range: Pair
    drift: NotNegative = 0.0
    drift_basis: str = ""
    other_u: NotNegative = 0.0
    taken: Literal["as found", "as left"] | None = None
    applied_by_instrument: bool = False
    as_found_model: Literal["step", "linear"] | None = None
    as_found: list[Any] = []
    releases_overdue: Text | None = None
    references: list[Text] = []
    polynomial: PolynomialTable | None = None
    points: Annotated[list[Any], Field(min_length=1)]


class PolynomialTable(Table):
    """c0 + c1·z + … with z = (indication - centre)/scale: the correction, the error, or the reference."""

    of: Literal["correction", "error", "reference"]
    coefficients: Annotated[list[float], Field(min_length=1, max_length=10)]
    centre: float = 0.0
    scale: Positive = 1.0


class AsFoundTable(Table):
    indication: float
    reference: float | None = None
    error: float | None = None


class DccFile(Table):
    """Beside a Digital Calibration Certificate: which file, confirmed in which bytes, and its use."""

    dcc: Text
    sha256: Annotated[str, StringConstraints(strip_whitespace=True, to_lower=True, pattern="^[0-9a-f]{64}$")]
    use: Annotated[list[Any], Field(min_length=1)]


class UseTable(Table):
    """One table of a Digital Calibration Certificate put in use for one channel."""

    channel: Text
    valid_from: Moment
    table: Annotated[int, Field(ge=1)] | None = None
    due_on: date | None = None
    withdrawn_on: Moment | None = None
    range: Pair | None = None
    drift: NotNegative = 0.0
    drift_basis: str = ""
    other_u: NotNegative = 0.0
    applied_by_instrument: bool = False
    references: list[Text] = []


class PointTable(Table):
    indication: float
    reference: float | None = None
    correction: float | None = None
    U: Positive
