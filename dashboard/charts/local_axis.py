"""The time axis of a chart: places are instants, words are local time with the offset that held then.

The browser writes the ticks anew when a person zooms (assets/axis.js), by the same rules.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from logger.instants import NS
from logger.local_time import Size, Tick, offset_text, size_of, stretches, ticks

from ..data.words import local, local_offset

if TYPE_CHECKING:
    from .chart import Chart

MS = 1_000_000
TICKS, FEW_TICKS = 8, 4  # those of a narrow chart as assets/axis.js has them, so that it draws nothing anew
AHEAD_NS = 2 * 86_400 * NS  # a page may stay open over a change of the clock


def tick_words(from_ns: int, to_ns: int, zone: str, most: int = TICKS) -> dict[str, Any]:
    """Ticks of a window for the layout of an axis, about so many at most."""
    size = size_of(from_ns, to_ns, most)
    ticks_ = ticks(from_ns, to_ns, ZoneInfo(zone), most, size)
    return {
        "tickmode": "array",
        "tickvals": [tick.at_ns // MS for tick in ticks_],
        "ticktext": [_words(tick, size) for tick in ticks_],
    }


def _words(tick: Tick, size: Size) -> str:
    """Time of day, the day where another one begins, the offset where it is another one."""
    unit, n = size
    offset = [offset_text(tick.offset_s)] if tick.new_offset else []
    if unit != "s":
        form = {"d": "%Y-%m-%d", "m": "%Y-%m", "y": "%Y"}[unit]
        return "<br>".join([tick.local.strftime(form), *offset])
    time = tick.local.strftime("%H:%M" if n >= 60 else "%H:%M:%S")
    day = [tick.local.strftime("%Y-%m-%d")] if tick.new_day else [""] if offset else []
    return "<br>".join([time, *day, *offset])


def meta(chart: Chart) -> dict[str, Any]:
    """From which ms on which offset in s holds; and the window itself, for the way back from a zoom."""
    whole = chart.to_ns - chart.from_ns
    around = max(chart.from_ns - whole, 0), chart.to_ns + max(whole, AHEAD_NS)
    offsets = [[s.from_ns // MS, s.offset_s] for s in stretches(*around, ZoneInfo(chart.clock))]
    return {"offsets": offsets, "whole": [chart.from_ns // MS, chart.to_ns // MS]}


def offsets_in(from_ns: int, to_ns: int, zone: str) -> str:
    """The offset of a window in words; where the clock changes in it, each with its beginning."""
    first, *others = stretches(from_ns, to_ns, ZoneInfo(zone))
    later = [f"from {local(s.from_ns, zone)} on {offset_text(s.offset_s)}" for s in others]
    return ", ".join([f"time at {offset_text(first.offset_s)}", *later[-4:]])


def stamps_in(from_ns: int, to_ns: int, zone: str) -> Callable[[int], str]:
    """How times of a window are written in its tables: with their offset where the clock changes in it."""
    several = len(stretches(from_ns, to_ns + 1, ZoneInfo(zone))) > 1
    return partial(local_offset if several else local, zone=zone)
