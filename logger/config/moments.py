"""Days and local times of the files to instants, in the room's time zone."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from ..formats.toml import Entry
from ..instants import to_ns
from .tables import Tables


def instant_ns(moment: date, zone: tzinfo) -> int:
    """A day's first instant, a local time or an instant with offset, as UTC nanoseconds.

    ValueError for a local time that the clock change skips or repeats.

    >>> instant_ns(date(2026, 10, 1), ZoneInfo("Europe/Vienna"))
    1790805600000000000
    """
    if not isinstance(moment, datetime):
        return to_ns(datetime(moment.year, moment.month, moment.day, tzinfo=zone))
    if moment.tzinfo is not None:
        return to_ns(moment)
    early, late = moment.replace(tzinfo=zone, fold=0), moment.replace(tzinfo=zone, fold=1)
    if early.utcoffset() != late.utcoffset():
        raise ValueError("a local time that is skipped or repeated by the clock change")
    return to_ns(early)


def end_of_day_ns(day: date, zone: tzinfo) -> int:
    """The first instant after a local day: "due" means through the end of it."""
    return instant_ns(day + timedelta(days=1), zone)


def zone_of(tables: Tables) -> tzinfo:
    """The room's time zone; UTC, with a fault, where it is not known."""
    if tables.room is None:
        return UTC
    try:
        return ZoneInfo(tables.room.value.timezone)
    except (KeyError, ValueError, OSError):
        expected, name = "an IANA time zone such as Europe/Vienna", repr(tables.room.value.timezone)
        add_fault(tables, tables.room, "timezone", expected, name)
        return UTC


def add_fault(tables: Tables, entry: Entry[Any], key: str, expected: str, actual: str) -> None:
    """A fault that may be found more than once, told once."""
    fault = entry.fault(key, expected, actual)
    if fault not in tables.faults:
        tables.faults.append(fault)
