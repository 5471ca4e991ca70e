"""Written times to UTC. The order of day and month, the zone and each repeated hour are known or asked."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from ..model import NS
from .profile import Order, Profile

Int = NDArray[np.int64]

_DAY_NS = 86_400 * NS
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})?")
_DATE = re.compile(r"(\d{1,4})[./\- ](\d{1,2})[./\- ](\d{1,4})|(\d{4})年(\d{1,2})月(\d{1,2})日")
_CLOCK = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s*([AaPp])?\.?(?:[Mm]\.?)?\s*(Z|z|[+-]\d{2}:?\d{2})?"
)


@dataclass(frozen=True)
class Instants:
    """UTC instants of all rows in the order of the rows, and what was taken as known."""

    taken_ns: Int
    assumed: tuple[str, ...]


@dataclass
class _Wall:
    """Local days and times of day as read; `offset_ns` of each row where the text carries one."""

    day: Int
    clock_ns: Int
    offset_ns: Int | None
    assumed: list[str] = field(default_factory=list)

    @property
    def ns(self) -> Int:
        return self.day * _DAY_NS + self.clock_ns


def zone_of(name: str) -> tzinfo:
    """An IANA zone or a fixed offset; ImportRefused for anything else.

    >>> str(zone_of("+01:00")), str(zone_of("Europe/Vienna"))
    ('UTC+01:00', 'Europe/Vienna')
    """
    if name.upper() in ("UTC", "Z"):
        return UTC
    if match := _OFFSET.fullmatch(name):
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        if minutes < 24 * 60:
            return timezone(timedelta(minutes=minutes if match[1] == "+" else -minutes))
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ImportRefused(f"There is no time zone {name!r}: say an IANA name or an offset.") from None


def instants(texts: Sequence[str], lines: Sequence[int], profile: Profile) -> Instants:
    """The instant of each row; `lines` are the rows' numbers in the file, for messages."""
    if profile.form != "calendar":
        return _epoch(texts, lines, profile)
    wall = _read(texts, lines, profile.order)
    if wall.offset_ns is not None:
        if profile.zone:
            wall.assumed.append("the offsets in the file were used, not the profile's zone")
        return Instants(wall.ns - wall.offset_ns, tuple(wall.assumed))
    if not profile.zone:
        raise ImportRefused(
            f"In which time zone was {texts[0]!r} (line {lines[0]}) written? The file does not say. "
            "Say `zone` under [time] in the profile: an IANA name, UTC, or an offset such as +01:00 for a "
            "logger that never changes its clock."
        )
    return _localised(wall, lines, profile.zone)


def _epoch(texts: Sequence[str], lines: Sequence[int], profile: Profile) -> Instants:
    unit_ns, name = (NS, "seconds") if profile.form == "epoch_s" else (1_000_000, "milliseconds")
    taken = np.empty(len(texts), np.int64)
    for i, text in enumerate(texts):
        whole, _, rest = text.strip().replace(",", ".").partition(".")
        if not whole.lstrip("-").isdigit() or (rest and not rest.isdigit()):
            raise ImportRefused(f"Line {lines[i]}: {text!r} is no number of {name} since 1970.")
        taken[i] = int(whole) * unit_ns + (int(rest.ljust(9, "0")[:9]) * unit_ns // NS if rest else 0)
    return Instants(taken, (f"times are {name} since 1970-01-01 UTC, as declared",))


def _read(texts: Sequence[str], lines: Sequence[int], order: Order | None) -> _Wall:
    """Each day and each time of day occurs many times in a file: parsed once, looked up after."""
    days_text, clocks_text = _split(texts)
    line_of_day = dict(zip(reversed(days_text), reversed(lines), strict=True))
    line_of_clock = dict(zip(reversed(clocks_text), reversed(lines), strict=True))
    parts = {text: _date_parts(text, line) for text, line in line_of_day.items()}
    known, how = _order(list(parts.values()), next(iter(parts)), order)
    days = {text: _day(p, known, text, line_of_day[text]) for text, p in parts.items()}
    clocks = {text: _clock(text, line) for text, line in line_of_clock.items()}
    day = np.fromiter(map(days.__getitem__, days_text), np.int64, len(texts))
    ns = {text: c[0] for text, c in clocks.items()}
    clock_ns = np.fromiter(map(ns.__getitem__, clocks_text), np.int64, len(texts))
    offset_ns = _offsets(clocks, clocks_text, line_of_clock)
    return _Wall(day, clock_ns, offset_ns, [how])


def _split(texts: Sequence[str]) -> tuple[list[str], list[str]]:
    """Text of the day and of the time of day of each row."""
    days, clocks = [], []
    for text in texts:
        stripped = text.strip()
        day, _, clock = stripped.partition("T" if "T" in stripped[:11] else " ")
        days.append(day)
        clocks.append(clock.strip())
    return days, clocks


def _date_parts(text: str, line: int) -> tuple[str, str, str]:
    match = _DATE.fullmatch(text)
    if match is None:
        raise ImportRefused(f"Line {line}: {text!r} is no date of three numbers.")
    first, second, third = match.groups()[:3] if match[1] else match.groups()[3:]
    return str(first), str(second), str(third)


def _order(parts: Sequence[tuple[str, str, str]], example: str, declared: Order | None) -> tuple[Order, str]:
    """The order of the three numbers: proven by all dates of the file, or declared, or asked."""
    possible = [o for o in _ORDERS if all(_fits(p, o) for p in parts)]
    if declared is not None:
        if declared not in possible:
            raise ImportRefused(
                f"The dates, such as {example!r}, cannot all be {declared} as the profile says."
            )
        return declared, f"dates are {declared}, as declared"
    if not possible:
        raise ImportRefused(f"The dates, such as {example!r}, fit no order of day, month and year.")
    if all(len(p[0]) == 4 for p in parts):
        return _year_first(parts, possible)
    if len(possible) == 1:
        return possible[0], f"dates are {possible[0]}, proven by the whole file"
    raise ImportRefused(
        f"Is {example!r} {' or '.join(possible)}? No date of the file decides it. "
        "Say `order` under [time] in the profile."
    )


def _year_first(parts: Sequence[tuple[str, str, str]], possible: Sequence[Order]) -> tuple[Order, str]:
    """Nobody writes the day before the month behind a year, so one wrong date must not turn the others."""
    if "year-month-day" not in possible:
        wrong = "-".join(next(p for p in parts if not _fits(p, "year-month-day")))
        raise ImportRefused(
            f"There is no day {wrong!r} (year-month-day, as the year stands first). Mend the line; if this "
            'logger does write the day before the month, say `order = "year-day-month"` in the profile.'
        )
    return "year-month-day", "dates are year-month-day, as the year stands first"


_ORDERS: tuple[Order, ...] = ("day-month-year", "month-day-year", "year-month-day", "year-day-month")
_PLACES = {
    "day-month-year": (2, 1, 0),
    "month-day-year": (2, 0, 1),
    "year-month-day": (0, 1, 2),
    "year-day-month": (0, 2, 1),
}


def _fits(parts: tuple[str, str, str], order: Order) -> bool:
    year, month, day = (parts[i] for i in _PLACES[order])
    if len(year) not in (2, 4) or len(month) > 2 or len(day) > 2:
        return False
    return 1 <= int(month) <= 12 and 1 <= int(day) <= 31


def _day(parts: tuple[str, str, str], order: Order, text: str, line: int) -> int:
    year, month, day = (int(parts[i]) for i in _PLACES[order])
    try:
        return date(year + 2000 if year < 100 else year, month, day).toordinal() - _EPOCH_DAY
    except ValueError:
        raise ImportRefused(f"Line {line}: there is no day {text!r} ({order}).") from None


def _clock(text: str, line: int) -> tuple[int, int | None]:
    """Nanoseconds since midnight, and the offset where one is written."""
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise ImportRefused(f"Line {line}: {text!r} is no time of day such as 14:05:30 or 02:05:30 PM.")
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if half := (match[5] or "").upper():
        if not 1 <= hour <= 12:
            raise ImportRefused(f"Line {line}: {text!r} is no time of a 12-hour clock.")
        hour = hour % 12 + (12 if half == "P" else 0)
    if hour > 23 or minute > 59 or second > 59:
        raise ImportRefused(f"Line {line}: there is no time {text!r}.")
    ns = (hour * 3600 + minute * 60 + second) * NS + int((match[4] or "").ljust(9, "0"))
    return ns, _written_offset(match[6]) if match[6] else None


def _written_offset(text: str) -> int:
    if text in "Zz":
        return 0
    seconds = int(text[1:3]) * 3600 + int(text[-2:]) * 60
    return (seconds if text[0] == "+" else -seconds) * NS


def _offsets(
    clocks: dict[str, tuple[int, int | None]], texts: Sequence[str], line_of: dict[str, int]
) -> Int | None:
    without = [text for text, (_, offset) in clocks.items() if offset is None]
    if len(without) == len(clocks):
        return None
    if without:
        raise ImportRefused(
            "Some times carry an offset from UTC and some do not, as "
            f"{without[0]!r} in line {line_of[without[0]]}."
        )
    offsets = {text: offset or 0 for text, (_, offset) in clocks.items()}
    return np.fromiter(map(offsets.__getitem__, texts), np.int64, len(texts))


def _localised(wall: _Wall, lines: Sequence[int], name: str) -> Instants:
    zone = zone_of(name)
    before_ns, after_ns = _zone_offsets(wall, zone)
    skipped = np.flatnonzero(before_ns < after_ns)
    if len(skipped):
        when, line = _shown(int(wall.ns[skipped[0]])), lines[skipped[0]]
        raise ImportRefused(
            f"Line {line}: {when} does not exist in {name}, as the clock skips it. If this logger never "
            "changes its clock, say its offset as `zone` in the profile, such as +01:00."
        )
    repeated = before_ns > after_ns
    offset_ns = before_ns.copy()
    wall.assumed.append(f"times are local to {name}, as declared")
    for day in np.unique(wall.day[repeated]):
        rows = np.flatnonzero(repeated & (wall.day == day))
        ends = (lines[int(rows[0])], lines[int(rows[-1])])
        second = rows[_second_pass(wall.ns[rows], ends, wall.ns, name) :]
        offset_ns[second] = after_ns[second]
        again = f"{_shown(int(wall.ns[second[0]]))} in line {lines[int(second[0])]}"
        wall.assumed.append(
            f"the repeated hour is told by the order of rows: its second pass begins at {again}"
        )
    return Instants(wall.ns - offset_ns, tuple(wall.assumed))


def _zone_offsets(wall: _Wall, zone: tzinfo) -> tuple[Int, Int]:
    """Offsets from UTC of each row by the earlier and by the later reading of its wall time.

    They differ only in an hour that the clock change skips or repeats, so only days with a
    change are looked at minute by minute.
    """
    day, which = np.unique(wall.day, return_inverse=True)
    starts = np.array([_offset_at(int(d) * _DAY_NS, zone, 0) for d in day], np.int64)
    ends = np.array([_offset_at((int(d) + 1) * _DAY_NS, zone, 1) for d in day], np.int64)
    before, after = starts[which], starts[which]
    changing = np.flatnonzero((starts != ends)[which])
    minute_ns = 60 * NS
    minutes, of = np.unique(wall.ns[changing] // minute_ns, return_inverse=True)
    for fold, target in ((0, before), (1, after)):
        offsets = np.array([_offset_at(int(m) * minute_ns, zone, fold) for m in minutes], np.int64)
        target[changing] = offsets[of] if len(minutes) else 0
    return before, after


def _offset_at(wall_ns: int, zone: tzinfo, fold: int) -> int:
    at = datetime(1970, 1, 1) + timedelta(seconds=wall_ns // NS)
    offset = at.replace(tzinfo=zone, fold=fold).utcoffset()
    return 0 if offset is None else offset // timedelta(microseconds=1) * 1000


def _second_pass(repeated_ns: Int, lines: tuple[int, int], all_ns: Int, zone: str) -> int:
    """Index of the first row of the second pass through a repeated hour.

    The one step back in time tells it. Without one, half of the hour is missing and nobody can
    know which half: the file must be asked about.
    """
    steps = np.diff(repeated_ns)
    back = np.flatnonzero(steps < 0)
    if len(back) == 0 and _is_sparse(all_ns):
        back = np.flatnonzero(steps == 0)  # a reading an hour stands still where a denser one steps back
    if len(back) == 1:
        return int(back[0]) + 1
    found = "never steps back" if len(back) == 0 else f"steps back {len(back)} times"
    raise ImportRefused(
        f"Lines {lines[0]} to {lines[1]} lie in the hour that {zone} repeats, from "
        f"{_shown(int(repeated_ns[0]))}, but the time {found}: before or after the clock change? "
        "Split the file there and declare a fixed offset such as +02:00 as `zone` for each part, "
        "or export in UTC."
    )


def _is_sparse(all_ns: Int) -> bool:
    rising = np.diff(all_ns)
    rising = rising[rising > 0]
    return len(rising) > 0 and float(np.median(rising)) >= 3600 * NS


def _shown(wall_ns: int) -> str:
    return f"{datetime(1970, 1, 1) + timedelta(seconds=wall_ns // NS):%Y-%m-%d %H:%M:%S}"
