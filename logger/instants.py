"""Instants as people and files write them. Stored and printed in UTC; read in the room's zone too.

Nothing here knows the clock: an instant comes in as text or as int64 nanoseconds since
1970-01-01T00:00Z and goes out as the other.
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from .errors import IntervalError

NS = 1_000_000_000


YEARS = range(1900, 2200)  # whole ns since 1970 fit into 64 bits, with room for what is looked at around
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SHAPE = re.compile(
    r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}(?P<rest>\.\d{1,9})?)?(Z|[+-]\d{2}:\d{2})?)?", re.IGNORECASE
)
_MONTHS = (
    *("january", "february", "march", "april", "may", "june", "july", "august", "september", "october"),
    *("november", "december"),
)
_CLOCK = r"(?P<hour>\d{1,2}):(?P<minute>\d{2})"
_YEAR = r"(?:,?\s+(?P<year>\d{4}))?,?\s+(?:at\s+)?"
_DAY_MONTH = re.compile(r"(?P<day>\d{1,2})\.?\s+(?P<month>[A-Za-z]{3,9})\.?" + _YEAR + _CLOCK)
_MONTH_DAY = re.compile(r"(?P<month>[A-Za-z]{3,9})\.?\s+(?P<day>\d{1,2})" + _YEAR + _CLOCK)
_FORMS = (
    "expected a local time such as 2026-10-19 10:30, a time with its offset such as "
    "2026-10-19T10:30+02:00 or 2026-10-19T08:30:00Z (RFC 3339), or a day such as 2026-10-19"
)


def rfc3339(at_ns: int) -> str:
    """An instant in UTC, with as many decimals of a second as it needs (RFC 3339).

    >>> rfc3339(1_760_832_000_500_000_000)
    '2025-10-19T00:00:00.5Z'
    """
    seconds, rest = divmod(at_ns, NS)
    seconds_text = (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")
    return seconds_text + (f".{rest:09d}".rstrip("0") if rest else "") + "Z"


def to_ns(at: datetime) -> int:
    """Nanoseconds of an aware datetime."""
    return (at - _EPOCH) // timedelta(microseconds=1) * 1000


def local(at_ns: int, zone: ZoneInfo) -> datetime:
    """An instant as wall time of the room, to the microsecond."""
    return (_EPOCH + timedelta(microseconds=at_ns // 1000)).astimezone(zone)


def wall(at_ns: int, zone: ZoneInfo) -> str:
    """Wall time of the room with its offset, to the minute, for a person.

    >>> wall(1_792_978_200_000_000_000, ZoneInfo("Europe/Vienna"))
    '2026-10-26 02:30 +01:00'
    """
    t = local(at_ns, zone)
    offset = t.strftime("%z")
    return f"{t:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:5]}"


def wall_span(from_ns: int, to_ns: int, zone: ZoneInfo) -> str:
    """An interval in wall time; day and offset of its end only where they differ from those of its start.

    >>> vienna = ZoneInfo("Europe/Vienna")
    >>> wall_span(1_792_886_400_000_000_000, 1_792_890_000_000_000_000, vienna)
    '2026-10-25 02:00 +02:00 to 02:00 +01:00'
    >>> wall_span(1_792_978_200_000_000_000, 1_792_978_230_000_000_000, vienna)
    '2026-10-26 02:30 +01:00 to 02:30:30'
    """
    (day, clock, offset), (last, end, other) = (_parts(ns, zone) for ns in (from_ns, to_ns))
    words = [
        f"{day} {clock} {offset} to",
        last if last != day else "",
        end,
        other if other != offset else "",
    ]
    return " ".join(part for part in words if part)


def _parts(at_ns: int, zone: ZoneInfo) -> tuple[str, str, str]:
    """Day, time of day (with seconds where it has some) and offset."""
    t, text = local(at_ns, zone), wall(at_ns, zone)
    return text[:10], text[11:16] + (f":{t:%S}" if at_ns % (60 * NS) >= NS else ""), text[17:]


def parse(text: str, zone: ZoneInfo, what: str = "time") -> int:
    """The instant in ns that a text names; IntervalError where it names none, or two.

    A time without offset is wall time of the room; a day is its first instant there.

    >>> rfc3339(parse("2026-10-19T10:30", ZoneInfo("Europe/Vienna")))
    '2026-10-19T08:30:00Z'
    """
    shape = _SHAPE.fullmatch(text.strip())
    if shape is None:
        raise IntervalError(f"{what}: {_FORMS}; found {text!r}.")
    rest = shape["rest"] or ""  # kept apart: datetime holds microseconds only
    try:
        at = datetime.fromisoformat(text.strip().upper().replace(rest, "", 1))
    except ValueError as error:
        raise IntervalError(f"{what}: {_FORMS}; found {text!r} ({error}).") from None
    if at.year not in YEARS:
        raise IntervalError(f"{what}: expected a year from {YEARS[0]} to {YEARS[-1]}, found {text!r}.")
    whole_ns = to_ns(at if at.tzinfo else _in_room(at, zone, text, what))
    return whole_ns + int(rest.removeprefix(".").ljust(9, "0"))


def parse_informal(text: str, zone: ZoneInfo, now_ns: int, what: str = "time") -> int:
    """An instant as `parse` reads it, or as in "20 March 14:10"; without a year the newest past one.

    >>> now = parse("2026-11-25T09:00", ZoneInfo("Europe/Vienna"))
    >>> vienna = ZoneInfo("Europe/Vienna")
    >>> [rfc3339(parse_informal(t, vienna, now)) for t in ("20 March 14:10", "24 Dec 2025 08:00")]
    ['2026-03-20T13:10:00Z', '2025-12-24T07:00:00Z']
    >>> rfc3339(parse_informal("December 24, 8:00", vienna, now))
    '2025-12-24T07:00:00Z'
    """
    match = _DAY_MONTH.fullmatch(text.strip()) or _MONTH_DAY.fullmatch(text.strip())
    names = [name for name in _MONTHS if match and name.startswith(match["month"].casefold())]
    if match is None or len(names) != 1:
        return parse(text, zone, what)
    month, day = _MONTHS.index(names[0]) + 1, int(match["day"])
    clock = f"{int(match['hour']):02d}:{match['minute']}"
    newest = local(now_ns, zone).year
    years = [int(match["year"])] if match["year"] else range(newest, newest - 9, -1)  # 29 February
    for year in years:
        stamp = f"{year:04d}-{month:02d}-{day:02d}T{clock}"
        if not match["year"] and day > monthrange(year, month)[1]:
            continue
        at_ns = parse(stamp, zone, what)
        if match["year"] or at_ns <= now_ns:
            return at_ns
    raise IntervalError(f"{what}: {_FORMS}; found {text!r}.")


def _in_room(at: datetime, zone: ZoneInfo, text: str, what: str) -> datetime:
    """Wall time with its offset; IntervalError in an hour that a clock change skips or repeats."""
    early, late = at.replace(tzinfo=zone), at.replace(tzinfo=zone, fold=1)
    if early.utcoffset() == late.utcoffset():
        return early
    exists = early.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == at
    trouble = "occurs twice" if exists else "does not exist"
    offsets = " or ".join(sorted({f"{t:%z}"[:3] + ":" + f"{t:%z}"[3:5] for t in (early, late)}, reverse=True))
    raise IntervalError(
        f"{what} {text!r} {trouble} in {zone.key}, because the clock changes. Add the offset: {offsets}."
    )
