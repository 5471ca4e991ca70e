"""Hours of use of a zone: when it is used for measuring, in the room's local time, across clock changes.

Recording and judging do not depend on them. Outside them an excursion needs a decision only where an
inspection, or its settling, is affected.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from ...instants import NS
from ...model import HoursOfUse, Zone

Span = tuple[int, int]
DAY = timedelta(days=1)


def spans(hours: HoursOfUse | None, timezone: str, from_ns: int, to_ns: int) -> list[Span]:
    """Hours of use within [from, to), as half-open intervals that do not touch; None: all of it.

    An hour that the clock repeats counts twice, one that it skips not at all. A begin or end that falls
    into either is set so that the hours are rather too long than too short.

    >>> week = HoursOfUse(tuple((day, 6 * 60, 22 * 60) for day in range(5)))
    >>> monday = 1_792_965_600 * NS                             # 2026-10-26T00:00 in Vienna, winter time
    >>> [(b - a) // (3600 * NS) for a, b in spans(week, "Europe/Vienna", monday, monday + 86_400 * NS)]
    [16]
    """
    if to_ns <= from_ns:
        return []
    if hours is None:
        return [(from_ns, to_ns)]
    zone = ZoneInfo(timezone)
    day, last = _day(from_ns, zone) - 2 * DAY, _day(to_ns, zone)
    parts: list[Span] = []
    while day <= last:
        parts += [(max(a, from_ns), min(b, to_ns)) for a, b in _of_day(hours, day, zone)]
        day += DAY
    return _unite(sorted((a, b) for a, b in parts if a < b))


def _day(at_ns: int, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(at_ns // NS, UTC).astimezone(zone).date()


def _of_day(hours: HoursOfUse, day: date, zone: ZoneInfo) -> Iterator[Span]:
    if day.isoformat() in hours.holidays:
        return
    midnight = datetime.combine(day, time())
    for weekday, begin, end in hours.weekly:
        if weekday == day.weekday():
            walls = (midnight + timedelta(minutes=begin), midnight + timedelta(minutes=end))
            yield min(_instants_of(walls[0], zone)), max(_instants_of(walls[1], zone))


def _instants_of(wall: datetime, zone: ZoneInfo) -> tuple[int, int]:
    """The instants that a wall time can mean; the same one twice where the clock does not change."""
    early, late = (int(wall.replace(tzinfo=zone, fold=fold).timestamp()) * NS for fold in (0, 1))
    return early, late


def _unite(ordered: Sequence[Span]) -> list[Span]:
    united: list[Span] = []
    for begin, end in ordered:
        if united and begin <= united[-1][1]:
            united[-1] = (united[-1][0], max(united[-1][1], end))
        else:
            united.append((begin, end))
    return united


_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def describe_hours(hours: HoursOfUse | None) -> str:
    """Hours of use as people write them.

    >>> describe_hours(HoursOfUse(((0, 360, 1320), (1, 360, 1320), (5, 420, 720)))), describe_hours(None)
    ('Mon, Tue 06:00-22:00; Sat 07:00-12:00', 'always')
    """
    if hours is None:
        return "always"
    by_time: dict[tuple[int, int], list[int]] = {}
    for day, begin, end in hours.weekly:
        by_time.setdefault((begin, end), []).append(day)
    return "; ".join(f"{_days(days)} {_clock(a)}-{_clock(b)}" for (a, b), days in by_time.items())


def _days(days: Sequence[int]) -> str:
    if len(days) > 2 and days[-1] - days[0] == len(days) - 1:
        return f"{_DAYS[days[0]]}-{_DAYS[days[-1]]}"
    return ", ".join(_DAYS[day] for day in days)


def _clock(minute: int) -> str:
    day, rest = divmod(minute, 1440)
    return "24:00" if day and not rest else f"{rest // 60:02d}:{rest % 60:02d}"


def overlap_ns(first: Sequence[Span], second: Sequence[Span]) -> int:
    """Total overlap in ns of two lists of intervals, each ascending and without overlap.

    >>> overlap_ns([(0, 10), (20, 30)], [(5, 25)])
    10
    """
    i = j = total = 0
    while i < len(first) and j < len(second):
        total += max(0, min(first[i][1], second[j][1]) - max(first[i][0], second[j][0]))
        if first[i][1] <= second[j][1]:
            i += 1
        else:
            j += 1
    return total


def asks_disposition(
    zone: Zone, timezone: str, excursion: Span, *, disturbs: bool, inspections: Sequence[Span]
) -> bool:
    """Whether an excursion needs a decision: always in hours of use, else where it affects an inspection.

    `inspections`: [start, end) ns of the zone's inspections. An excursion affects one from its pre-window
    on, and, where its rule disturbs bodies, with the settling after it.
    """
    from_ns, to_ns = excursion
    if spans(zone.hours_of_use, timezone, from_ns, to_ns):
        return True
    until_ns = to_ns + (zone.settling_s * NS if disturbs else 0)
    return any(start - zone.pre_window_s * NS < until_ns and end > from_ns for start, end in inspections)
