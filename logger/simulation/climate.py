"""What acts on the simulated room from outside: season, day, sun, people, the plant's timetable.

Plain functions of the instant, no state. The place is invented, at 47.8° N, 14.0° E.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from ..instants import NS

LATITUDE_DEG = 47.8
LONGITUDE_DEG = 14.0
TIMEZONE = "Europe/Vienna"
_ZONE = ZoneInfo(TIMEZONE)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

# How many people are in the room on a working day, from each local hour on.
_PEOPLE = ((6.5, 2), (9.0, 1), (9.35, 3), (12.0, 0), (12.5, 2), (15.5, 0))


@dataclass(frozen=True)
class OutdoorClimate:
    """What the room feels at one instant. `setback`: the air handling runs as on a weekend."""

    outdoor_degC: float
    sun: float  # 0 by night .. 1 with the sun in the zenith of a clear day
    people: int
    setback: bool


def instant(text: str) -> int:
    """Nanoseconds since 1970 of an ISO 8601 text with offset, whole seconds."""
    return int(datetime.fromisoformat(text).timestamp()) * NS


def utc_time(at_ns: int) -> datetime:
    """The instant in UTC."""
    return _EPOCH + timedelta(microseconds=at_ns // 1000)


def local_time(at_ns: int) -> datetime:
    """The instant on the clock of the works."""
    return utc_time(at_ns).astimezone(_ZONE)


def outside(at_ns: int) -> OutdoorClimate:
    """Everything from outside at one instant."""
    local = local_time(at_ns)
    return OutdoorClimate(outdoor_degC(at_ns), sun(at_ns), people(local), setback(local))


def outdoor_degC(at_ns: int) -> float:
    """Mean outdoor temperature of that day and hour: 9.5 ± 10 K over the year, ± 4 K over the day.

    Coldest in mid January and at 04:00 solar time.
    """
    year = math.cos(2 * math.pi * (_day_of_year(at_ns) - 15) / 365.25)
    day = math.cos(2 * math.pi * (_solar_hour(at_ns) - 4) / 24)
    return 9.5 - 10 * year - 4 * day


def sun(at_ns: int) -> float:
    """Sine of the sun's elevation, 0 by night.

    Declination δ = 23.45° sin(2π(284 + n)/365), P. I. Cooper, Solar Energy 12 (1969), eq. 8;
    sin(elevation) = sin φ sin δ + cos φ cos δ cos(hour angle).
    """
    declination = math.radians(23.45) * math.sin(2 * math.pi * (284 + _day_of_year(at_ns)) / 365)
    hour_angle = math.radians(15 * (_solar_hour(at_ns) - 12))
    latitude = math.radians(LATITUDE_DEG)
    sine = math.sin(latitude) * math.sin(declination)
    sine += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    return max(0.0, sine)


def people(local: datetime) -> int:
    """Head count in the room by the timetable of the works; nobody on a weekend."""
    if local.weekday() >= 5:
        return 0
    hour = local.hour + local.minute / 60
    return next((count for start, count in reversed(_PEOPLE) if hour >= start), 0)


def setback(local: datetime) -> bool:
    """Whether the air handling runs at its weekend setting: Friday 18:00 to Monday 05:00."""
    hours = local.weekday() * 24 + local.hour
    return hours >= 4 * 24 + 18 or hours < 5


def _day_of_year(at_ns: int) -> int:
    return utc_time(at_ns).timetuple().tm_yday


def _solar_hour(at_ns: int) -> float:
    """Mean solar time in hours; the equation of time is left out."""
    return (at_ns / 3.6e12 + LONGITUDE_DEG / 15) % 24
