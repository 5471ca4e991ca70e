"""Hours of use and declared bodies of a zone, from their tables to the model."""

from __future__ import annotations

import re
from collections.abc import Iterator

from ..errors import Fault
from ..formats.toml import Entry
from ..model import HoursOfUse, Setup, ThermalBody
from .schema import BodyTable, ZoneTable
from .tables import Tables, unknown

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_DAY = "|".join(DAYS)
_HOURS = re.compile(
    rf"(?P<first>{_DAY})(-(?P<last>{_DAY}))? (?P<h0>\d\d):(?P<m0>\d\d)-(?P<h1>\d\d):(?P<m1>\d\d)"
)
WANTED_HOURS = 'days and local times as in "Mon-Fri 06:00-22:00"; after midnight: "Mon-Fri 22:00-06:00"'
_MIDNIGHT = 24 * 60


def weekly(text: str) -> tuple[tuple[int, int, int], ...]:
    """One line of hours of use: (day of the week, first minute, end minute); ValueError with what is wrong.

    >>> weekly("Sat-Sun 22:00-06:00")
    ((5, 1320, 1800), (6, 1320, 1800))
    """
    match = _HOURS.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r}")
    first = DAYS.index(match["first"])
    last = DAYS.index(match["last"] or match["first"])
    begin, end = (60 * int(match[f"h{i}"]) + int(match[f"m{i}"]) for i in (0, 1))
    if (
        begin >= _MIDNIGHT
        or end > _MIDNIGHT
        or int(match["m0"]) > 59
        or int(match["m1"]) > 59
        or begin == end
    ):
        raise ValueError(f"{text!r}, which is not a span of a day")
    days = [(first + n) % 7 for n in range((last - first) % 7 + 1)]
    return tuple((day, begin, end if end > begin else end + _MIDNIGHT) for day in days)


def hours_of(table: ZoneTable, tables: Tables) -> HoursOfUse | None:
    """Hours of use of a zone with the room's holidays; None where none are declared, that is always."""
    if not table.hours_of_use:
        return None
    every: list[tuple[int, int, int]] = []
    for text in table.hours_of_use:
        try:
            every += weekly(text)
        except ValueError:
            continue  # told by `faults`
    days = tables.room.value.holidays if tables.room else []
    return HoursOfUse(tuple(sorted(every)), tuple(sorted(day.isoformat() for day in days)))


def bodies_of(zone: str, tables: Tables) -> tuple[ThermalBody, ...]:
    """Declared bodies of a zone, in the order of the file."""
    return tuple(
        _body(key, entry.value) for key, entry in tables.bodies.items() if key.split(".", 1)[0] == zone
    )


def _body(key: str, table: BodyTable) -> ThermalBody:
    return ThermalBody(
        key=key,
        name=table.name or key.split(".", 1)[1],
        tau_s=table.tau_s,
        u_tau_s=table.u_tau_s,
        lower=table.lower_degC,
        upper=table.upper_degC,
        channels=tuple(table.channels),
    )


def faults(tables: Tables, setup: Setup) -> Iterator[Fault]:
    """What is wrong with hours of use and with bodies."""
    for entry in tables.zones.values():
        for text in entry.value.hours_of_use:
            try:
                weekly(text)
            except ValueError as error:
                yield entry.fault("hours_of_use", WANTED_HOURS, str(error))
    for key, body in tables.bodies.items():
        if body.value.lower_degC >= body.value.upper_degC:
            bounds = f"{body.value.lower_degC:g} and {body.value.upper_degC:g}"
            yield body.fault("lower_degC", "the lower limit below the upper one", bounds)
        yield from _air(key.split(".", 1)[0], body, tables, setup)


def _air(zone: str, body: Entry[BodyTable], tables: Tables, setup: Setup) -> Iterator[Fault]:
    """A body follows air that is measured in its zone."""
    near = air_temperatures(zone, setup)
    for key in body.value.channels:
        if key not in tables.names_of("channel"):
            yield unknown(body, "channels", key, tables.names_of("channel"), "channel")
        elif key in setup.channels and key not in near:
            yield body.fault("channels", f"temperatures of the air in {zone}: {', '.join(near)}", key)
    if not body.value.channels and not near and not tables.faults:
        yield body.fault("channels", f"a temperature of the air in {zone} that it follows", "none")


def air_temperatures(zone: str, setup: Setup) -> list[str]:
    """Channels that measured the temperature of a zone's air at any time."""
    places = {p.key for p in setup.positions.values() if p.zone == zone and p.medium == "air"}
    probes = {p.probe for p in setup.placements if p.position in places}
    return [k for k, c in setup.channels.items() if c.quantity == "temperature" and c.probe in probes]
