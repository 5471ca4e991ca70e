"""Months of a zone and the record of each: issued, not issued, amended, or incomplete since; overlaps.

A month is one of the room's own calendar. The first begins with the data, the running one ends now and cannot
be issued yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..errors import Refused
from ..instants import NS, local, parse, rfc3339, wall
from ..model import Setup
from .act_times import acts_since
from .issues import RecordIssue, issues

if TYPE_CHECKING:
    from ..store import Store

MINUTE_NS = 60 * NS


@dataclass(frozen=True)
class RecordMonth:
    """One month of a zone: `label` as "2026-10", [from, to) clipped to the data and to now.

    issue: the record in force that covers it whole; acts: what people did about it since that was issued;
    parts: records in force about a part of it.
    """

    label: str
    zone: str
    from_ns: int
    to_ns: int
    running: bool
    begins_with_data: bool
    issue: RecordIssue | None
    acts: int
    parts: tuple[int, ...] = ()

    @property
    def state(self) -> str:
        """In words, with what is offered."""
        if self.issue is None:
            part = f"; of a part: record {', '.join(map(str, self.parts))}" if self.parts else ""
            return ("running" if self.running else "not issued") + part
        number = self.issue.number
        words = f"record {number}"
        if self.issue.replaces is not None:
            words += f", amends {self.issue.replaces}"
        if self.acts:
            acts = f"{self.acts} act{'' if self.acts == 1 else 's'}"
            words += f"; {acts} since record {number}: an amendment is offered"
        return words

    def to_dict(self) -> dict[str, Any]:
        """Plain data, instants in UTC."""
        return {
            "month": self.label,
            "zone": self.zone,
            "from": rfc3339(self.from_ns),
            "to": rfc3339(self.to_ns),
            "running": self.running,
            "begins_with_data": self.begins_with_data,
            "record": None if self.issue is None else self.issue.number,
            "acts_since": self.acts,
            "records_of_a_part": list(self.parts),
            "state": self.state,
        }


def record_months(store: Store, setup: Setup, zone: str, now_ns: int) -> list[RecordMonth]:
    """Every month of a zone in which there is data, up to now, the newest first; empty without data."""
    begin_ns = data_begin_ns(store, setup, zone)
    if begin_ns is None:
        return []
    local_zone = ZoneInfo(setup.room.timezone)
    issued = [i for i in issues(store) if i.zone == zone and i.replaced_by is None]
    months, day = [], local(begin_ns, local_zone).date().replace(day=1)
    while (first_ns := parse(day.isoformat(), local_zone)) < now_ns:
        next_day = _next_month(day)
        months.append(_month(store, zone, f"{day:%Y-%m}", (first_ns, parse(next_day.isoformat(), local_zone)),
                             (begin_ns, now_ns), issued))  # fmt: skip
        day = next_day
    return months[::-1]


def month_of(store: Store, setup: Setup, zone: str, label: str, now_ns: int) -> RecordMonth:
    """One month by its label such as "2026-10"; Refused, with those that there are, where there is none."""
    months = record_months(store, setup, zone, now_ns)
    for month in months:
        if month.label == label.strip():
            return month
    labels = f"{months[-1].label} to {months[0].label}" if months else "none: there are no readings yet"
    raise Refused(
        f"Month: expected one such as 2026-10 with data of zone {zone!r} ({labels}), found {label!r}."
    )


def data_begin_ns(store: Store, setup: Setup, zone: str) -> int | None:
    """The minute in ns in which the first reading of a zone was taken; None while there is none."""
    stored = set(store.readings.channels())
    extent = store.readings.extent([key for key in setup.channels_in(zone) if key in stored])
    return None if extent is None else extent[0] // MINUTE_NS * MINUTE_NS


def overlapping(store: Store, zone: str, from_ns: int, to_ns: int) -> list[RecordIssue]:
    """Records in force about a part of [from, to) of a zone."""
    return [
        i
        for i in issues(store)
        if i.zone == zone and i.replaced_by is None and i.from_ns < to_ns and i.to_ns > from_ns
    ]


def refuse_overlapping(store: Store, setup: Setup, zone: str, ends: tuple[int, int], way: str) -> None:
    """Refused, naming them, where records in force are about a part of the same time; `way`: how to issue it
    all the same.
    """
    others = overlapping(store, zone, *ends)
    if others:
        local_zone = ZoneInfo(setup.room.timezone)
        named = "; ".join(
            f"record {i.number}, {wall(i.from_ns, local_zone)} to {wall(i.to_ns, local_zone)}" for i in others
        )
        verb = "is" if len(others) == 1 else "are"
        raise Refused(
            f"Nothing was issued: {named} {verb} in force for a part of this time. Amend "
            f"record {others[-1].number} where something has changed, or {way}."
        )


def _month(  # noqa: PLR0917 (a month, its ends, and what there is)
    store: Store,
    zone: str,
    label: str,
    ends: tuple[int, int],
    data: tuple[int, int],
    issued: list[RecordIssue],
) -> RecordMonth:
    (first_ns, next_ns), (begin_ns, now_ns) = ends, data
    from_ns, to_ns = max(first_ns, begin_ns), min(next_ns, now_ns // MINUTE_NS * MINUTE_NS)
    mine = [i for i in issued if i.from_ns <= from_ns and i.to_ns >= to_ns and i.to_ns <= next_ns]
    issue = mine[-1] if mine else None
    acts = len(acts_since(store, issue)) if issue else 0
    parts = tuple(i.number for i in issued if i.from_ns < to_ns and i.to_ns > from_ns and i is not issue)
    begins = from_ns > first_ns
    return RecordMonth(label, zone, from_ns, to_ns, next_ns > now_ns, begins, issue, acts, parts)


def _next_month(day: date) -> date:
    return (day.replace(day=28) + timedelta(days=4)).replace(day=1)
