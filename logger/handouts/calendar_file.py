"""What falls due as a calendar (RFC 5545): the same days give the same bytes, so that an ETag works."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from .. import __version__
from ..instants import NS
from ..model import Config
from .due_days import DueDay, due_days

if TYPE_CHECKING:
    from ..store import Store

MEDIA_TYPE = "text/calendar; charset=utf-8"


def due_calendar(store: Store, config: Config, now_ns: int) -> bytes:
    """Everything that falls due in a record as the bytes of a calendar."""
    room = config.setup.room
    mark = "SIMULATED: " if store.simulated else ""
    return calendar(due_days(store, config, now_ns), f"{mark}{room.name}", f"{store.key}.{room.key}")


def calendar(days: Sequence[DueDay], name: str, record: str) -> bytes:
    """The bytes of a calendar named `name`; `record` makes the identities of its events unique."""
    from icalendar import Calendar

    file: Any = Calendar()
    file.add("prodid", f"-//stillroom {__version__}//due days//EN")
    file.add("version", "2.0")
    file.add("method", "PUBLISH")
    file.add("x-wr-calname", name)
    for item in days:
        file.add_component(_event(item, name, record))
    content: bytes = file.to_ical()
    return content


def _event(item: DueDay, name: str, record: str) -> Any:
    from icalendar import Event

    event: Any = Event()
    event.add("uid", f"{item.key}@{record}.stillroom")
    event.add("summary", f"{item.what} ({name})")
    event.add("description", item.why)
    event.add("dtstamp", _instant(item.since_ns))
    event.add("sequence", item.version)
    if item.day is not None:
        event.add("dtstart", item.day)
        event.add("dtend", item.day + timedelta(days=1))
    else:
        event.add("dtstart", _instant(item.at_ns or 0))
    event.add("transp", "TRANSPARENT")
    event.add("status", "CANCELLED" if item.cancelled else "CONFIRMED")
    if not item.cancelled:
        for days in item.remind_days:
            event.add_component(_reminder(item, days))
    return event


def _reminder(item: DueDay, days: int) -> Any:
    from icalendar import Alarm

    reminder: Any = Alarm()
    reminder.add("action", "DISPLAY")
    reminder.add("description", f"{item.what} in {days} days")
    reminder.add("trigger", timedelta(days=-days))
    return reminder


def _instant(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns // NS, UTC)
