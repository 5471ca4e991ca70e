"""Round numbers and round hours for the axes of a printed chart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import ceil, floor, log10
from zoneinfo import ZoneInfo

from ..instants import local, to_ns
from ..model import NS

_MINUTES = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440, 2880, 7 * 1440, 14 * 1440)


@dataclass(frozen=True)
class Tick:
    """A mark on the time axis: the instant, the hour beside it, and the day where one begins."""

    at_ns: int
    hour: str
    day: str


def time_ticks(from_ns: int, to_ns: int, zone: ZoneInfo, at_most: int = 9) -> list[Tick]:
    """Ticks at round local hours; a day of 23 or 25 h gets its own spacing, as the wall clock had it."""
    step_min = _time_step(from_ns, to_ns, at_most)
    scan_ns = min(step_min, 15) * 60 * NS  # every offset in use is a multiple of a quarter of an hour
    first_ns = -(-from_ns // scan_ns) * scan_ns
    found = [local(at, zone) for at in range(first_ns, to_ns + 1, scan_ns)]
    kept = [t for t in found if _is_round(t, step_min)]
    return [_tick(t, previous, step_min) for t, previous in zip(kept, [None, *kept], strict=False)]


def _time_step(from_ns: int, to_ns: int, at_most: int) -> int:
    minutes = (to_ns - from_ns) / (60 * NS)
    days = at_most + 6  # a day takes less room than a full date
    return next((s for s in _MINUTES if minutes / s <= (days if s >= 1440 else at_most)), 28 * 1440)


def _is_round(t: datetime, step_min: int) -> bool:
    minute = t.hour * 60 + t.minute
    if step_min <= 1440:
        return minute % step_min == 0
    return minute == 0 and t.toordinal() % (step_min // 1440) == 0


def _tick(t: datetime, previous: datetime | None, step_min: int) -> Tick:
    at_ns = to_ns(t)
    if step_min >= 1440:
        return Tick(at_ns, f"{t:%a}", f"{t:%m-%d}")
    new_day = previous is None or previous.date() != t.date()
    return Tick(at_ns, f"{t:%H:%M}", f"{t:%Y-%m-%d}" if new_day else "")


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
