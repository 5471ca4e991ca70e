"""Recipients of notices at an instant: duty calendars, absences, quiet hours."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from ...instants import NS
from ...model import (
    AlarmSpec,
    Config,
    Duty,
    HoursOfUse,
    MailRoute,
    NoticePlan,
    Person,
    Setup,
    TemperatureUnit,
)
from ..validity.hours_of_use import spans

WEEK_NS = 7 * 86_400 * NS


@dataclass(frozen=True)
class Address:
    """One recipient by one route; `recipient` is empty unless it is a mail."""

    route: str
    recipient: str = ""
    sender: str = ""
    person: str = ""  # name, where it is known
    temperature: TemperatureUnit = "degC"


def includes(hours: HoursOfUse | None, timezone: str, at_ns: int) -> bool:
    """Whether an instant lies in hours of the week; None: always.

    >>> night = HoursOfUse(tuple((day, 22 * 60, 30 * 60) for day in range(7)))
    >>> includes(night, "UTC", 3 * 3600 * NS), includes(night, "UTC", 12 * 3600 * NS)
    (True, False)
    """
    return bool(spans(hours, timezone, at_ns, at_ns + 1))


def inactive_because(spec: AlarmSpec, zone: str, setup: Setup, at_ns: int) -> str:
    """Why a calendar, its own or its zone's, makes an alarm inactive at an instant; empty where active."""
    clock = setup.room.timezone
    if not includes(spec.hours, clock, at_ns):
        return "its own calendar"
    if spec.in_hours_of_use and zone and not includes(setup.zone(zone).hours_of_use, clock, at_ns):
        return f"hours of use of {zone}"
    return ""


def on_duty(duty: Duty, timezone: str, at_ns: int) -> tuple[str, ...]:
    """Keys of the people on duty: of all shifts that run, else `otherwise`; absent ones by their stand-in.

    A stand-in may be away, too; a circle of absences ends at `otherwise`, so that there is a recipient.
    """
    running = [key for shift in duty.shifts if includes(shift.hours, timezone, at_ns) for key in shift.people]
    present = _present(running or duty.otherwise, duty, at_ns)
    return present or _present(duty.otherwise, duty, at_ns) or duty.otherwise


def _present(people: Iterable[str], duty: Duty, at_ns: int) -> tuple[str, ...]:
    away = {a.person: a.stand_in for a in duty.away if a.from_ns <= at_ns < a.to_ns}
    return tuple(dict.fromkeys(person for key in people if (person := _stand_in(key, away))))


def _stand_in(person: str, away: Mapping[str, str]) -> str:
    visited: set[str] = set()
    while person in away:
        if person in visited:
            return ""
        visited.add(person)
        person = away[person]
    return person


def addresses(names: Iterable[str], config: Config, at_ns: int) -> tuple[Address, ...]:
    """Every recipient of the named routes and calendars at an instant, each once by each route."""
    recipients = (a for name in names for a in _of_name(name, config, at_ns))
    return tuple({(a.route, a.recipient): a for a in recipients}.values())


def _of_name(name: str, config: Config, at_ns: int) -> Iterator[Address]:
    duty = next((d for d in config.duties if d.key == name), None)
    route = config.routes.get(name)
    people = {p.key: p for p in config.people}
    if duty is not None:
        mail = config.routes.get(duty.route)
        keys = on_duty(duty, config.setup.room.timezone, at_ns)
        yield from (
            _mail_address(mail, people[k]) for k in keys if isinstance(mail, MailRoute) and k in people
        )
    elif isinstance(route, MailRoute):
        by_address = {p.address: p for p in config.people}
        for address in route.recipients:
            yield _mail_address(route, by_address.get(address, Person("", "", address)))
    elif route is not None:
        yield Address(name)


def all_addresses(names: Iterable[str], config: Config) -> tuple[Address, ...]:
    """Every recipient whom the named routes and calendars can reach at any time, each once by each route."""
    calendars = {duty.key: duty for duty in config.duties}
    people = {p.key: p for p in config.people}
    recipients: list[Address] = []
    for name in names:
        duty = calendars.get(name)
        mail = None if duty is None else config.routes.get(duty.route)
        if duty is None:
            recipients += _of_name(name, config, 0)
        elif isinstance(mail, MailRoute):
            recipients += (_mail_address(mail, people[key]) for key in _ever_on_duty(duty) if key in people)
    return tuple({(a.route, a.recipient): a for a in recipients}.values())


def _ever_on_duty(duty: Duty) -> tuple[str, ...]:
    """Everybody of the shifts, of `otherwise`, and who stands in for anybody."""
    shifts = (key for shift in duty.shifts for key in shift.people)
    return tuple(dict.fromkeys((*shifts, *duty.otherwise, *(a.stand_in for a in duty.away))))


def _mail_address(route: MailRoute, person: Person) -> Address:
    return Address(route.key, person.address, route.sender, person.name, person.temperature)


def default_routes(config: Config) -> tuple[str, ...]:
    """Routes of system alarms: as configured, else all calendars and the routes that none of them uses."""
    if config.notices.routes is not None:
        return config.notices.routes
    used = {duty.route for duty in config.duties}
    return ("screen", *(d.key for d in config.duties), *(key for key in config.routes if key not in used))


def not_before(plan: NoticePlan, timezone: str, at_ns: int) -> int:
    """When a notice that can wait may go out: at once, or when the quiet hours are over."""
    if plan.quiet is None:
        return at_ns
    quiet = spans(plan.quiet, timezone, at_ns, at_ns + WEEK_NS)
    return quiet[0][1] if quiet and quiet[0][0] <= at_ns else at_ns
