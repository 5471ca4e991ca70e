"""What comes in and goes out: readings, mail, inspections, the whole configuration."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .lines import Line
from .notices import ChatRoute, CommandRoute, Duty, MailRoute, NoticePlan, Person, Route, WebhookRoute
from .setup import Setup
from .words import Status


@dataclass(frozen=True)
class Row:
    """One reading as stored: the raw value in the probe's unit, or the status without one.

    `raw` is the text as received (at most 64 characters) where it explains the status.
    """

    channel: str
    taken_ns: int
    received_ns: int
    value: float | None
    status: Status = "ok"
    raw: str = ""
    source: str = "poll"
    late: bool = False
    boot: str = ""
    monotonic_ns: int = 0


@dataclass(frozen=True)
class BackupPlan:
    """Where the service backs up to, daily at (hour, minute) in UTC, and how many good ones stay."""

    folder: str
    at_utc: tuple[int, int]
    keep: int


@dataclass(frozen=True)
class ConditionsPlan:
    """Where the service leaves the conditions of each inspection, in which forms."""

    folder: str
    forms: tuple[str, ...] = ("json", "csv", "line", "dcc")
    dcc_schema: str = "3.2"
    kelvin: bool = False


@dataclass(frozen=True)
class Heartbeat:
    """Where the service reports regularly that all its parts run, besides the file in its folder."""

    url: str = ""
    file: str = ""
    every_s: float = 60.0


@dataclass(frozen=True)
class CentrePlan:
    """Where the room's signed summary is sent once a minute: the program that shows page Rooms."""

    url: str
    ca_file: str = ""


@dataclass(frozen=True)
class SessionPlan:
    """How long a person stays signed in: without use; in all; in all with read-only roles.

    The last is long, for a screen by the door: nothing can be changed from it.
    """

    idle_s: float = 2 * 3600.0
    longest_s: float = 12 * 3600.0
    reader_s: float = 30 * 86400.0


@dataclass(frozen=True)
class ApiPlan:
    """How often a token may ask over HTTP: so many requests at once, and so many a second from then on."""

    burst: int = 60
    rate_per_s: float = 10.0


@dataclass(frozen=True)
class PublishPlan:
    """The MQTT broker that verdicts go to; keeps_s: after so long it drops one that is not renewed."""

    url: str
    prefix: str
    user: str = ""
    password_env: str = ""
    ca_file: str = ""
    keeps_s: int = 180


@dataclass(frozen=True)
class WatchPlan:
    """The folder whose files the service imports once they have not changed for `quiet_s`.

    `profile`: its name; empty: the one that fits the name of each file.
    """

    folder: str
    profile: str = ""
    quiet_s: float = 10.0


@dataclass(frozen=True)
class Inspection:
    """A measurement in a zone over an interval; `to_ns` None: still running."""

    key: str
    zone: str
    from_ns: int
    to_ns: int | None
    title: str
    part: str = ""
    material: str = ""
    length_mm: float | None = None
    tolerance_um: float | None = None  # full width
    machine: str = ""
    person: str = ""
    activity: str = ""


@dataclass(frozen=True)
class Config:
    """Contents of config/: the setup to judge by, connections to probes, notices to people."""

    setup: Setup
    lines: tuple[Line, ...] = ()
    mail: tuple[MailRoute, ...] = ()
    ways: tuple[WebhookRoute | CommandRoute | ChatRoute, ...] = ()  # besides mail
    people: tuple[Person, ...] = ()
    duties: tuple[Duty, ...] = ()
    notices: NoticePlan = field(default_factory=NoticePlan)
    backup: BackupPlan | None = None
    keep_years: int | None = None  # how long readings stay at least; None: for ever
    reviews: tuple[str, ...] = ("daily", "weekly", "monthly")  # how often the record is to be reviewed
    monthly_records: bool = True  # the service issues the record of each zone when a month is over
    texts: Mapping[str, str] = field(default_factory=dict)  # file name -> its text, as applied
    clock_synchronised: bool = False  # readings are unsure until the system has synchronised its clock
    heartbeat: Heartbeat | None = None
    centre: CentrePlan | None = None  # of a group of rooms
    watch: WatchPlan | None = None
    sessions: SessionPlan = field(default_factory=SessionPlan)
    api: ApiPlan = field(default_factory=ApiPlan)
    publish: PublishPlan | None = None
    conditions: ConditionsPlan | None = None  # files for measuring programs

    @property
    def routes(self) -> Mapping[str, Route]:
        """Every route of notices, by its key."""
        return {route.key: route for route in (*self.mail, *self.ways)}
