"""Local times to UTC in any zone: each repeated hour told by the order of rows, or declared, or asked
about.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from ..instants import NS
from ..model.figures import number_of

Int = NDArray[np.int64]

DAY_NS = 86_400 * NS
_HALF_DAY_NS = DAY_NS // 2
_OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})?")


class Dated(tzinfo):
    """One zone up to an instant and another from there on, for a logger whose clock somebody set.

    A time that both know is told apart by `fold`, and one that neither knows has the offset of before, as
    for every zone of Python (PEP 495).
    """

    def __init__(self, before: tzinfo, since: datetime, after: tzinfo) -> None:
        self._before, self._since, self._after = before, since, after

    def utcoffset(self, at: datetime | None) -> timedelta | None:
        if at is None:
            return None
        old, new = (
            at.replace(tzinfo=zone).utcoffset() or timedelta(0) for zone in (self._before, self._after)
        )
        bare = at.replace(tzinfo=None, fold=0)
        is_old, is_new = bare - old < self._since, bare - new >= self._since
        return old if (is_old and not is_new) or (is_old == is_new and not at.fold) else new

    def dst(self, _: datetime | None) -> timedelta | None:
        return None

    def tzname(self, _: datetime | None) -> str | None:
        return None


def zone_of(name: str, dated: Sequence[tuple[str, str]] = ()) -> tzinfo:
    """An IANA zone or a fixed offset, and others from given instants on; ImportRefused for anything else.

    >>> str(zone_of("+01:00")), str(zone_of("Europe/Vienna"))
    ('UTC+01:00', 'Europe/Vienna')
    """
    if dated:
        return _dated(name, dated)
    if name.upper() in ("UTC", "Z"):
        return UTC
    if match := _OFFSET.fullmatch(name):
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        if minutes < 24 * 60:
            return timezone(timedelta(minutes=minutes if match[1] == "+" else -minutes))
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ImportRefused(f"There is no time zone {name!r}. Enter an IANA name or an offset.") from None


def _dated(name: str, dated: Sequence[tuple[str, str]]) -> tzinfo:
    zone, last = zone_of(name), datetime.min
    for text, other in dated:
        try:
            at = datetime.fromisoformat(text)
        except ValueError:
            raise ImportRefused(f"{text!r} is no date and time") from None
        if at.tzinfo is None:
            raise ImportRefused(f"{text!r} has no offset from UTC")
        since = at.astimezone(UTC).replace(tzinfo=None)
        if since <= last:
            raise ImportRefused(f"{text!r} is not later than the one before it")
        zone, last = Dated(zone, since, zone_of(other)), since
    return zone


def zone_name(name: str, dated: Sequence[tuple[str, str]]) -> str:
    """A zone, and those that follow it, in a message."""
    return ", ".join([name, *(f"from {since} on {zone}" for since, zone in dated)])


def localised(
    wall_ns: Int, lines: Sequence[int], name: str, half: str | None, dated: Sequence[tuple[str, str]] = ()
) -> tuple[Int, list[str]]:
    """UTC of local times in order of the rows, ascending but for clock changes; and what was taken as known.

    `half`: which pass through a repeated hour is meant where only one of them is there.
    """
    zone, name = zone_of(name, dated), zone_name(name, dated)
    if isinstance(zone, timezone):  # an offset or UTC: no hour is skipped or comes again
        return wall_ns - _offset_at(0, zone, 0), []
    before_ns, after_ns = _zone_offsets(wall_ns, zone)
    skipped = np.flatnonzero(before_ns < after_ns)
    if len(skipped):
        when, line = local(int(wall_ns[skipped[0]])), lines[skipped[0]]
        raise ImportRefused(
            f"Line {line}: {when} does not exist in {name}, as the clock skips it. If this logger never "
            "changes its clock, enter its offset as `zone` in the profile, such as +01:00."
        )
    offset_ns = before_ns.copy()
    notes = []
    for rows in _changes(wall_ns, np.flatnonzero(before_ns > after_ns)):
        fold_ns = int(before_ns[rows[0]] - after_ns[rows[0]])
        second, note = _second_pass(rows, wall_ns, lines, name, fold_ns=fold_ns, half=half)
        offset_ns[second] = after_ns[second]
        notes.append(note)
    return wall_ns - offset_ns, notes


def _changes(wall_ns: Int, repeated: Int) -> list[Int]:
    """Rows in repeated hours, apart for each change of the clock: no two lie within half a day."""
    if not len(repeated):
        return []
    order = repeated[np.argsort(wall_ns[repeated], kind="stable")]
    breaks = np.flatnonzero(np.diff(wall_ns[order]) > _HALF_DAY_NS) + 1
    return [np.sort(part) for part in np.split(order, breaks)]


def _zone_offsets(wall_ns: Int, zone: tzinfo) -> tuple[Int, Int]:
    """Offsets from UTC of each row by the earlier and by the later reading of its wall time.

    They differ only in an hour that the clock change skips or repeats, so only days with a
    change are looked at minute by minute.
    """
    which = wall_ns // DAY_NS
    first = int(which.min()) if len(which) else 0
    which -= first
    there = np.flatnonzero(np.bincount(which))
    starts, ends = (np.zeros(int(which.max(initial=0)) + 1, np.int64) for _ in range(2))
    starts[there] = [_offset_at((first + d) * DAY_NS, zone, 0) for d in there.tolist()]
    ends[there] = [_offset_at((first + d + 1) * DAY_NS, zone, 1) for d in there.tolist()]
    before, after = starts[which], starts[which]
    changing = np.flatnonzero((starts != ends)[which])
    minute_ns = 60 * NS
    minutes, of = np.unique(wall_ns[changing] // minute_ns, return_inverse=True)
    for fold, target in ((0, before), (1, after)):
        offsets = np.array([_offset_at(int(m) * minute_ns, zone, fold) for m in minutes], np.int64)
        target[changing] = offsets[of] if len(minutes) else 0
    return before, after


def _offset_at(wall_ns: int, zone: tzinfo, fold: int) -> int:
    at = datetime(1970, 1, 1) + timedelta(seconds=wall_ns // NS)
    offset = at.replace(tzinfo=zone, fold=fold).utcoffset()
    return 0 if offset is None else offset // timedelta(microseconds=1) * 1000


def _second_pass(
    rows: Int, wall_ns: Int, lines: Sequence[int], zone: str, *, fold_ns: int, half: str | None
) -> tuple[Int, str]:
    """The rows of the second pass through a repeated hour.

    The one step back in time tells it. Without one, half of the hour is missing and nobody can
    know which half: it is declared, or the file must be asked about. So it must where what would
    have passed at the step is no usual step: then rows may be missing, or only out of order.
    """
    steps = np.diff(wall_ns[rows])
    back = np.flatnonzero(steps < 0)
    usual_ns = _usual(wall_ns)
    if len(back) == 0 and usual_ns >= fold_ns:
        back = np.flatnonzero(steps == 0)  # such rare readings stand still where denser ones step back
    if len(back) == 1 and half is None and steps[back[0]] + fold_ns > max(3 * usual_ns, fold_ns // 2):
        passed = int(steps[back[0]] + fold_ns) // NS
        raise _undecided(rows, wall_ns, lines, zone, f"steps back once, over {passed} s without a reading")
    if len(back) == 1:
        second = rows[int(back[0]) + 1 :]
        again = f"{local(int(wall_ns[second[0]]))} in line {lines[int(second[0])]}"
        return second, f"the order of rows shows the repeated hour: its second pass begins at {again}"
    if len(back) == 0 and half is not None:
        sentence = f"{local(int(wall_ns[rows[0]]))} lies in an hour that {zone} repeats, in its {half} pass"
        return (rows if half == "second" else rows[:0]), f"{sentence}, as declared"
    behaviour = "never steps back" if len(back) == 0 else f"steps back {number_of(len(back), 'time')}"
    raise _undecided(rows, wall_ns, lines, zone, behaviour)


def _undecided(rows: Int, wall_ns: Int, lines: Sequence[int], zone: str, behaviour: str) -> ImportRefused:
    return ImportRefused(
        f"Lines {lines[int(rows[0])]} to {lines[int(rows[-1])]} lie in the hour that {zone} repeats, from "
        f"{local(int(wall_ns[rows[0]]))}, but the time {behaviour}: before or after the clock change? "
        'Where the file holds one of them, set `repeated_hour = "first"` or "second" under [time] in the '
        "profile; else split the file there and declare a fixed offset such as +02:00 as `zone` for each "
        "part, or export in UTC."
    )


def _usual(wall_ns: Int) -> int:
    """The usual step between rows."""
    rising = np.diff(wall_ns)
    rising = rising[rising > 0]
    return int(np.median(rising)) if len(rising) else 0


def local(wall_ns: int) -> str:
    """A local time in a message."""
    return f"{datetime(1970, 1, 1) + timedelta(seconds=wall_ns // NS):%Y-%m-%d %H:%M:%S}"
