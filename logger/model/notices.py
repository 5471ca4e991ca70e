"""Who is notified, by which route and when: routes, people, duty calendars, quiet hours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .room import HoursOfUse

TemperatureUnit = Literal["degC", "degF"]


@dataclass(frozen=True)
class MailRoute:
    """Where notices go by mail."""

    key: str
    host: str
    port: int
    sender: str
    recipients: tuple[str, ...]
    tls: Literal["none", "starttls", "tls"] = "starttls"
    user: str = ""
    password_env: str = ""  # name of the environment variable that holds the password


@dataclass(frozen=True)
class WebhookRoute:
    """Where notices are posted over HTTP, signed; `key_envs` name variables with one key or two."""

    key: str
    url: str
    key_envs: tuple[str, ...]
    timeout_s: float = 15.0


@dataclass(frozen=True)
class CommandRoute:
    """A program that is started with the notice as JSON on its standard input; no shell reads `arguments`."""

    key: str
    arguments: tuple[str, ...]
    timeout_s: float = 15.0


@dataclass(frozen=True)
class ChatRoute:
    """A chat service, through the optional package apprise; its address is a secret of the environment."""

    key: str
    url_env: str


Route = MailRoute | WebhookRoute | CommandRoute | ChatRoute


@dataclass(frozen=True)
class Person:
    """A recipient of mails, with the unit in which they read temperatures."""

    key: str
    name: str
    address: str
    temperature: TemperatureUnit = "degC"


@dataclass(frozen=True)
class Away:
    """A person who is away over [from_ns, to_ns), and their stand-in."""

    person: str
    from_ns: int
    to_ns: int
    stand_in: str


@dataclass(frozen=True)
class Shift:
    """Who is on duty in which hours of the week; on a holiday of the room no shift begins."""

    hours: HoursOfUse
    people: tuple[str, ...]


@dataclass(frozen=True)
class Duty:
    """A calendar of the people who receive one mail route; `otherwise` when no shift runs."""

    key: str
    route: str
    shifts: tuple[Shift, ...]
    otherwise: tuple[str, ...]
    away: tuple[Away, ...] = ()


@dataclass(frozen=True)
class CommonCause:
    """Zones whose alarms may have one cause, such as one air handling: they share notices."""

    key: str
    zones: tuple[str, ...]


@dataclass(frozen=True)
class NoticePlan:
    """Settings of all notices. `routes`: those of the system alarms, which nobody has to declare.

    `gather_s`: how long the first notice of a cause waits for others of that cause. `quiet`: when
    low priorities wait. `proof_days`: a route without a receipt for so long is reported as unproven.
    """

    routes: tuple[str, ...] | None = None  # None: every route
    gather_s: int = 0
    quiet: HoursOfUse | None = None
    pages: str = ""  # address of the pages as a recipient reaches them, for links in mails
    digest_at: tuple[int, int] | None = None  # local hour and minute of the daily digest
    digest_routes: tuple[str, ...] = ()
    proof_days: int = 35
    disk_free_GB: float = 1.0
    common_causes: tuple[CommonCause, ...] = ()
