"""The verdict of an interval as one strip a day, as the wall clock had it, with the time of each verdict.

A day on which the clock changes has 23 or 25 h, and its strip is as long. An interval of many weeks has one
strip a week, one of years a strip a month, so that the table never grows without bound.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Literal
from zoneinfo import ZoneInfo

from ..core.judge.trace import Run, exact_runs, runs_in_columns
from ..instants import NS, local, parse
from ..local_time import stretches
from ..model import Period, Verdict
from .marks import HAIR, INK, LEVELS, SOFT, STRIP_FILLS, STRIP_PATTERNS
from .svg import drawing, element, number, path, text

MOST_DAYS, MOST_WEEKS = 45, 60
WIDTH = 250.0  # points of the longest strip
COLUMN = 0.5  # points: the worst in it is drawn
LEVEL = 3.2
HEIGHT = 3 * LEVEL
Each = Literal["day", "week", "month"]
_HOURS = {"day": 24, "week": 168, "month": 744}
_WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun", "")
_TICKS = {"day": (0, 3, 6, 9, 12, 15, 18, 21, 24), "week": range(0, 169, 24), "month": range(0, 745, 120)}


@dataclass(frozen=True)
class Strip:
    """One day, week or month: [from, to) clipped to the interval, and where in the row it begins."""

    label: str
    row_ns: int
    from_ns: int
    to_ns: int
    seconds: dict[Verdict, int]
    change: str  # of the wall clock: "25 h", "23 h"


def strip_length(from_ns: int, to_ns: int, zone: ZoneInfo) -> Each:
    """Whether an interval has a strip a day, a week or a month."""
    days = (local(to_ns - 1, zone).date() - local(from_ns, zone).date()).days + 1
    return "day" if days <= MOST_DAYS else "week" if days <= 7 * MOST_WEEKS else "month"


def strips(periods: Sequence[Period], from_ns: int, to_ns: int, zone: ZoneInfo) -> list[Strip]:
    """The rows in order of time; the seconds of a row add up to the time of it that has a verdict."""
    each = strip_length(from_ns, to_ns, zone)
    rows = []
    for begin, end in pairwise(_edges(from_ns, to_ns, zone, each)):
        row_ns, next_ns = (parse(day.isoformat(), zone) for day in (begin, end))
        a, b = max(row_ns, from_ns), min(next_ns, to_ns)
        hours = (next_ns - row_ns) // (3600 * NS)
        change = f"{hours} h" if each == "day" and hours != 24 else ""
        rows.append(Strip(_label(begin, each), row_ns, a, b, _seconds(within(periods, a, b), a, b), change))
    return rows


def within(periods: Sequence[Period], from_ns: int, to_ns: int) -> Sequence[Period]:
    """Those of periods in order of time that touch [from, to)."""
    first = bisect_right(periods, from_ns, key=lambda p: p.to_ns)
    return periods[first : bisect_left(periods, to_ns, key=lambda p: p.from_ns)]


def _edges(from_ns: int, to_ns: int, zone: ZoneInfo, each: Each) -> list[date]:
    first, last = local(from_ns, zone).date(), local(to_ns - 1, zone).date()
    day = {"day": first, "week": first - timedelta(first.weekday()), "month": first.replace(day=1)}[each]
    edges = [day]
    while edges[-1] <= last:
        edges.append(_next(edges[-1], each))
    return edges


def _next(day: date, each: Each) -> date:
    if each == "month":
        return (day.replace(day=28) + timedelta(4)).replace(day=1)
    return day + timedelta(1 if each == "day" else 7)


def _label(day: date, each: Each) -> str:
    if each == "month":
        return f"{day:%Y-%m}"
    return f"{day:%a} {day:%m-%d}" if each == "day" else f"{day:%G-W%V}"


def _seconds(periods: Sequence[Period], from_ns: int, to_ns: int) -> dict[Verdict, int]:
    spent: dict[Verdict, int] = dict.fromkeys(LEVELS, 0)
    for p in periods:
        spent[p.verdict] += min(p.to_ns, to_ns) - max(p.from_ns, from_ns)
    return {verdict: ns // NS for verdict, ns in spent.items()}


def hour_of_points(rows: Sequence[Strip], each: Each) -> float:
    """Points of one hour, so that the longest row fits; ns are counted from the row's own midnight."""
    longest = max([_HOURS[each], *((r.to_ns - r.row_ns) / (3600 * NS) for r in rows)])
    return WIDTH / longest


def row_height(rows: int) -> float:
    """Points of one row of the table of strips, so that a month and its chart fill one page."""
    return max(9.0, min(14.0, 350 / max(rows, 1)))


def draw_strip(row: Strip, periods: Sequence[Period], hour: float, zone: ZoneInfo) -> str:
    """One strip as SVG: three levels, stable on top; what lies outside the interval stays empty."""

    def x(at_ns: int) -> float:
        return (at_ns - row.row_ns) / (3600 * NS) * hour

    mine = within(periods, row.from_ns, row.to_ns)
    lines = "".join(
        path(f"M{number(x(row.from_ns))} {number((n + 1) * LEVEL - 0.2)}H{number(x(row.to_ns))}", HAIR, 0.3)
        for n in range(len(LEVELS))
    )
    boxes = "".join(_box(run, x(run.from_ns), x(run.to_ns)) for run in _runs(mine, row, x(row.to_ns)))
    changes = [x(s.from_ns) for s in stretches(row.from_ns, row.to_ns, zone)[1:]]
    marks = "".join(
        path(f"M{number(at + aside)} 0V{number(HEIGHT)}", INK, 0.4) for at in changes for aside in (-0.7, 0.7)
    )
    return drawing(WIDTH, HEIGHT, STRIP_PATTERNS + lines + boxes + marks)


def _runs(periods: Sequence[Period], row: Strip, end: float) -> list[Run]:
    span = (row.from_ns, row.to_ns)
    columns = max(int(end / COLUMN), 1)
    if all((p.to_ns - p.from_ns) * columns >= row.to_ns - row.from_ns for p in periods):
        return exact_runs(periods, *span)
    return runs_in_columns(periods, *span, columns)


def _box(run: Run, x0: float, x1: float) -> str:
    y = LEVELS.index(run.verdict) * LEVEL
    return element("rect", x=x0, y=y, width=x1 - x0, height=LEVEL - 0.3, fill=STRIP_FILLS[run.reason])


def draw_ruler(each: Each, hour: float) -> str:
    """The hours above the strips; on a day when the clock changes they count from midnight."""
    parts = []
    for at in _TICKS[each]:
        day = at // 24
        label = f"{at:02d}" if each == "day" else str(day + 1) if each == "month" else _WEEK[day]
        x = at * hour
        anchor = "start" if at == 0 or each != "day" else "end" if x > WIDTH - 6 else "middle"
        parts.append(path(f"M{number(min(x + 0.2, WIDTH - 0.2))} 7.5V10", SOFT, 0.4))
        parts.append(text(x, 6, label, anchor, fill=SOFT))
    return drawing(WIDTH, 10, "".join(parts), font_family="B612", font_size=6.0, fill=INK)
