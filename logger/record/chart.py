"""The chart of a record as SVG, drawn by hand: values, limits, guard bands, gaps, verdict trace.

Lengths are points of the printed page. The same bytes come out of the same input: every
coordinate is rounded to a hundredth of a point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from ..local_time import stretches
from ..model import Period
from ..series import Float, Int
from .axis import time_ticks, value_ticks
from .marks import GROUND, HAIR, INK, LIMIT, PATTERNS, SERIES, SOFT
from .svg import drawing, element, number, path, text
from .verdict_trace import TRACE_HEIGHT, draw_trace

WIDTH, LEFT, RIGHT = 493.0, 46.0, 78.0
COLUMNS = 740  # two points of data for each column of about half a point
TITLE, AXIS, APART = 18.0, 36.0, 10.0
LABEL, MOST_COLUMNS = 8, 3  # height of a name at the end of a line; columns of names


@dataclass(frozen=True)
class Line:
    """One channel: corrected values in the unit of the panel, and how long silence may last in it."""

    label: str
    taken_ns: Int
    value: Float
    max_age_ns: int


@dataclass(frozen=True)
class LimitBand:
    """A band in force over [from, to), and the width of the guard band inside each limit."""

    from_ns: int
    to_ns: int
    lower: float | None
    upper: float | None
    guard: float


@dataclass(frozen=True)
class ChartPanel:
    """One quantity of one zone on its own scale."""

    title: str
    note: str
    height: float
    decimals: int
    lines: tuple[Line, ...]
    limits: tuple[LimitBand, ...]


@dataclass(frozen=True)
class _Frame:
    """Where data fall on the page."""

    from_ns: int
    to_ns: int
    top: float
    height: float
    low: float
    high: float

    def x(self, at_ns: int | Int) -> Float:
        share = (np.asarray(at_ns, np.float64) - self.from_ns) / (self.to_ns - self.from_ns)
        return np.asarray(LEFT + np.clip(share, 0, 1) * (WIDTH - LEFT - RIGHT))

    def y(self, value: float | Float) -> Float:
        share = (np.asarray(value, np.float64) - self.low) / (self.high - self.low)
        return np.asarray(self.top + (1 - np.clip(share, -0.02, 1.02)) * self.height)


def draw(
    panels: Sequence[ChartPanel], periods: Sequence[Period], from_ns: int, to_ns: int, zone: ZoneInfo
) -> str:
    """The whole figure: panels above each other, the verdict trace, one time axis below."""
    parts, top = [PATTERNS], 0.0
    for panel in panels:
        frame = _frame(panel, from_ns, to_ns, top + TITLE)
        parts += [_title(panel, top), *_panel(panel, frame)]
        top += TITLE + panel.height + APART
    frame = _Frame(from_ns, to_ns, top, TRACE_HEIGHT, 0.0, 1.0)
    parts.append(draw_trace(periods, frame.x, top, LEFT, WIDTH - RIGHT))
    parts += [_time_axis(frame, top + TRACE_HEIGHT, zone), _clock_changes(frame, zone)]
    content = "\n".join(["", *parts, ""])
    return drawing(WIDTH, top + TRACE_HEIGHT + AXIS, content, font_family="B612", font_size=7.0, fill=INK)


def _frame(panel: ChartPanel, from_ns: int, to_ns: int, top: float) -> _Frame:
    values = [v for line in panel.lines for v in _extremes(line.value)]
    marks = [v for band in panel.limits for v in (band.lower, band.upper) if v is not None]
    low, high = min([*values, *marks], default=0.0), max([*values, *marks], default=1.0)
    least = 2 * 10.0**-panel.decimals
    pad = max((high - low) * 0.08, least)
    return _Frame(from_ns, to_ns, top, panel.height, low - pad, high + pad)


def _extremes(value: Float) -> tuple[float, ...]:
    finite = value[np.isfinite(value)]
    return (float(finite.min()), float(finite.max())) if len(finite) else ()


def _title(panel: ChartPanel, top: float) -> str:
    bold = text(LEFT, top + 10, panel.title, font_weight="bold", font_size=8)
    return bold + text(WIDTH - RIGHT, top + 10, panel.note, "end", fill=SOFT)


def _panel(panel: ChartPanel, frame: _Frame) -> list[str]:
    limits = [_limits(band, frame) for band in panel.limits]
    curves = [_curve(line, frame, n) for n, line in enumerate(panel.lines)]
    return [*limits, _value_axis(panel, frame), *curves, _labels(panel.lines, frame)]


def _value_axis(panel: ChartPanel, frame: _Frame) -> str:
    """Round values, and the limits themselves in their own colour; what would touch a limit gives way."""
    limits = sorted({v for band in panel.limits for v in (band.lower, band.upper) if v is not None})
    ticks = value_ticks(frame.low, frame.high, max(4, int(frame.height / 16)))
    places = max((_places(v, panel.decimals) for v in (*ticks, *limits)), default=0)
    free = [v for v in ticks if all(abs(float(frame.y(v) - frame.y(m))) > 7 for m in limits)]
    parts = [_tick(frame, value, places, SOFT) for value in free]
    parts += [_tick(frame, value, places, LIMIT) for value in limits]
    bottom = number(frame.top + frame.height)
    return "".join([*parts, path(f"M{LEFT:g} {bottom}H{WIDTH - RIGHT:g}", HAIR, 0.5)])


def _tick(frame: _Frame, value: float, places: int, colour: str) -> str:
    y = float(frame.y(value))
    words = f"{value:.{places}f}".replace("-", "−")
    return path(f"M{LEFT - 3:g} {number(y)}h3", INK, 0.5) + text(LEFT - 5, y + 2.4, words, "end", fill=colour)


def _places(value: float, decimals: int) -> int:
    """As many places as the value needs, and no more than the panel has."""
    return next((n for n in range(decimals) if round(value, n) == round(value, decimals)), decimals)


def _limits(band: LimitBand, frame: _Frame) -> str:
    x0, x1 = float(frame.x(band.from_ns)), float(frame.x(band.to_ns))
    low_y = float(frame.y(frame.low if band.lower is None else band.lower))
    high_y = float(frame.y(frame.high if band.upper is None else band.upper))
    parts = [element("rect", x=x0, y=high_y, width=x1 - x0, height=low_y - high_y, fill=GROUND)]
    for value, inward in ((band.lower, band.guard), (band.upper, -band.guard)):
        if value is not None:
            parts.append(_limit(value, inward, frame, (x0, x1)))
    return "".join(parts)


def _limit(value: float, inward: float, frame: _Frame, x: tuple[float, float]) -> str:
    """The limit as a dashed line, the guard band hatched on its inner side."""
    y, inner = float(frame.y(value)), float(frame.y(value + inward))
    hatch = element(
        "rect", x=x[0], y=min(y, inner), width=x[1] - x[0], height=abs(inner - y), fill="url(#guard)"
    )
    return hatch + path(f"M{number(x[0])} {number(y)}H{number(x[1])}", LIMIT, 0.8, "4 2")


def _curve(line: Line, frame: _Frame, place: int) -> str:
    colour, dash = SERIES[place % len(SERIES)]
    d = "".join(_polyline(run, frame) for run in _runs(line))
    return path(d, colour, 0.8, dash, stroke_linejoin="round") if d else ""


def _runs(line: Line) -> list[tuple[Int, Float]]:
    """The line cut where a value is missing or silence lasted longer than it may: a gap stays a gap."""
    finite = np.isfinite(line.value)
    taken_ns, value = line.taken_ns[finite], line.value[finite]
    cuts = np.flatnonzero(np.diff(taken_ns) > line.max_age_ns) + 1
    return [run for run in zip(np.split(taken_ns, cuts), np.split(value, cuts), strict=True) if len(run[0])]


def _polyline(run: tuple[Int, Float], frame: _Frame) -> str:
    taken_ns, value = _envelope(*run, frame)
    pairs = [f"{number(x)} {number(y)}" for x, y in zip(frame.x(taken_ns), frame.y(value), strict=True)]
    return "M" + "L".join(pairs if len(pairs) > 1 else pairs * 2)


def _envelope(taken_ns: Int, value: Float, frame: _Frame) -> tuple[Int, Float]:
    """Smallest and largest value of each column, in order of time: no peak is lost on a long chart."""
    if len(taken_ns) <= 2 * COLUMNS:
        return taken_ns, value
    column = (taken_ns - frame.from_ns) * COLUMNS // (frame.to_ns - frame.from_ns)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    sizes = np.diff(starts, append=len(taken_ns))
    lowest = np.flatnonzero(value == np.repeat(np.minimum.reduceat(value, starts), sizes))
    highest = np.flatnonzero(value == np.repeat(np.maximum.reduceat(value, starts), sizes))
    first = lowest[np.flatnonzero(np.diff(column[lowest], prepend=-1))]
    last = highest[np.flatnonzero(np.diff(column[highest], append=COLUMNS + 1))]
    places_kept = np.unique(np.concatenate([first, last]))
    return taken_ns[places_kept], value[places_kept]


def _labels(lines: Sequence[Line], frame: _Frame) -> str:
    """Names at the ends of the lines in place of a legend, pushed apart where they would touch.

    More than the panel is high stand in up to three columns, neighbours beside each other.
    """
    raw_ends = [(float(frame.y(_last(line))), n) for n, line in enumerate(lines)]
    ends = sorted((y, n) for y, n in raw_ends if np.isfinite(y))
    columns = min(MOST_COLUMNS, -(-len(ends) // max(1, int(frame.height // LABEL + 1))) or 1)
    rows, width = [ends[n : n + columns] for n in range(0, len(ends), columns)], RIGHT / columns
    parts, floor = [], frame.top + 2
    for place, row in enumerate(rows):
        ceiling = frame.top + frame.height - LABEL * (len(rows) - 1 - place)
        at = min(max(row[0][0], floor), ceiling)
        floor = at + LABEL
        parts += [
            _label(_fitting(lines[n].label, width), at, n, column * width)
            for column, (_, n) in enumerate(row)
        ]
    return "".join(parts)


def _fitting(label: str, width: float) -> str:
    """A label, or the probe alone where a column has no room for what it stands in."""
    return label if width >= RIGHT else label.partition(" ")[0]


def _last(line: Line) -> float:
    finite = line.value[np.isfinite(line.value)]
    return float(finite[-1]) if len(finite) else float("nan")


def _label(words: str, y: float, place: int, aside: float) -> str:
    colour, dash = SERIES[place % len(SERIES)]
    x = WIDTH - RIGHT + 3 + aside
    return path(f"M{x:g} {number(y)}h12", colour, 1.0, dash) + text(x + 15, y + 2.4, words, fill=colour)


def _clock_changes(frame: _Frame, zone: ZoneInfo) -> str:
    """A double rule through all panels where the local clock changes."""
    changes = stretches(frame.from_ns, frame.to_ns, zone)[1:]
    places = [float(frame.x(change.from_ns)) + aside for change in changes for aside in (-0.7, 0.7)]
    return "".join(path(f"M{number(x)} {number(TITLE)}V{number(frame.top)}", SOFT, 0.4) for x in places)


def _time_axis(frame: _Frame, top: float, zone: ZoneInfo) -> str:
    parts = [path(f"M{LEFT:g} {number(top + 4)}H{WIDTH - RIGHT:g}", INK, 0.5)]
    for tick in time_ticks(frame.from_ns, frame.to_ns, zone):
        x = float(frame.x(tick.at_ns))
        parts.append(path(f"M{number(x)} {number(top + 4)}v3", INK, 0.5))
        parts.append(text(x, top + 14, tick.hour, "middle"))
        parts.append(text(x, top + 23, tick.day, "middle", fill=SOFT) if tick.day else "")
        parts.append(text(x, top + 31, tick.offset, "middle", fill=SOFT) if tick.offset else "")
    return "".join(parts)
