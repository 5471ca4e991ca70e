"""Round numbers and round hours for the axes of a printed chart."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log10
from zoneinfo import ZoneInfo

from ..instants import NS
from ..local_time import SIZES, Size, offset_text, ticks
from ..local_time import Tick as WallTick


@dataclass(frozen=True)
class AxisTick:
    """A mark on the time axis: the instant, the hour beside it, the day where one begins, and the offset
    from UTC where a window has several.
    """

    at_ns: int
    hour: str
    day: str
    offset: str = ""


def time_ticks(from_ns: int, to_ns: int, zone: ZoneInfo, at_most: int = 9) -> list[AxisTick]:
    """Ticks at round local hours; a day of 23 or 25 h gets its own spacing, as the wall clock had it."""
    days = at_most + 6  # a day takes less room than a full date
    size = next(
        (s for apart_s, s in SIZES if (to_ns - from_ns) / NS <= apart_s * (at_most if s[0] == "s" else days)),
        SIZES[-1][1],
    )
    return [_tick(tick, size) for tick in ticks(from_ns, to_ns, zone, at_most, size)]


def _tick(wall_tick: WallTick, size: Size) -> AxisTick:
    t, offset = wall_tick.local, offset_text(wall_tick.offset_s) if wall_tick.new_offset else ""
    if size[0] != "s":
        day = f"{t:%m-%d}" if size[0] == "d" else f"{t:%Y-%m}"
        return AxisTick(wall_tick.at_ns, f"{t:%a}" if size[0] == "d" else "", day, offset)
    hour = f"{t:%H:%M}" if size[1] >= 60 else f"{t:%H:%M:%S}"
    return AxisTick(wall_tick.at_ns, hour, f"{t:%Y-%m-%d}" if wall_tick.new_day else "", offset)


def value_ticks(low: float, high: float, at_most: int = 7) -> list[float]:
    """Round values that cover [low, high] from inside.

    >>> value_ticks(19.4, 20.7)
    [19.4, 19.6, 19.8, 20.0, 20.2, 20.4, 20.6]
    """
    step = _value_step((high - low) / at_most)
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [round(n * step, 9) for n in range(first, last + 1)]


def _value_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is not below `least`."""
    power = 10.0 ** floor(log10(max(least, 1e-9)))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= least * (1 - 1e-9))
