"""Local time on an axis: where the offset from UTC changes, and round local times for its ticks.

Places on an axis are instants; what stands beside a tick is what the clock on the wall showed then. A day on
which the clock is put back has 25 h and one hour twice, one on which it is put forward has 23 h. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Literal
from zoneinfo import ZoneInfo

from .instants import NS

_EPOCH = datetime(1970, 1, 1)
_DAY_S = 86_400
_LOOK_NS = _DAY_S * NS  # no zone changes its offset twice within a day
_BLOCK_NS = 64 * _LOOK_NS  # of which changes are kept
_ENDS_NS = ((1 - 719_163) * _LOOK_NS + _LOOK_NS, 2_932_896 * _LOOK_NS)  # a day inside of years 1 to 9999
Size = tuple[Literal["s", "d", "m", "y"], int]
SIZES: tuple[tuple[int, Size], ...] = (
    *((n, ("s", n)) for n in (1, 2, 5, 10, 15, 30)),
    *((n * 60, ("s", n * 60)) for n in (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720)),
    *((n * _DAY_S, ("d", n)) for n in (1, 2, 7, 14)),
    *((n * 30 * _DAY_S, ("m", n)) for n in (1, 2, 3, 6)),
    *((n * 365 * _DAY_S, ("y", n)) for n in (1, 2, 5, 10, 20, 50)),
)


@dataclass(frozen=True)
class Stretch:
    """[from, to) during which local time is `offset_s` seconds ahead of UTC."""

    from_ns: int
    to_ns: int
    offset_s: int


@dataclass(frozen=True)
class Tick:
    """A round local time: its instant, the wall clock then (without offset), and the offset.

    new_day: another date than at the tick before; new_offset: another offset, or the first of several.
    """

    at_ns: int
    local: datetime
    offset_s: int
    new_day: bool
    new_offset: bool


def offset_at(at_ns: int, zone: ZoneInfo) -> int:
    """Seconds that local time is ahead of UTC at an instant."""
    offset = datetime.fromtimestamp(at_ns // NS, UTC).astimezone(zone).utcoffset()
    return 0 if offset is None else int(offset.total_seconds())


def offset_text(seconds: int) -> str:
    """
    >>> offset_text(3600), offset_text(-12600)
    ('+01:00', '-03:30')
    """
    sign = "-" if seconds < 0 else "+"
    return f"{sign}{abs(seconds) // 3600:02d}:{abs(seconds) % 3600 // 60:02d}"


def stretches(from_ns: int, to_ns: int, zone: ZoneInfo) -> list[Stretch]:
    """The window [from, to) in parts of one offset each."""
    blocks = range(from_ns // _BLOCK_NS, (to_ns - 1) // _BLOCK_NS + 1)
    changes = [at for block in blocks for at in _changes(block, zone) if from_ns < at < to_ns]
    edges = [from_ns, *changes, to_ns]
    return [Stretch(a, b, offset_at(a, zone)) for a, b in pairwise(edges)]


@lru_cache(maxsize=4096)
def _changes(block: int, zone: ZoneInfo) -> tuple[int, ...]:
    """The first whole second of each new offset in a block of time.

    They are kept: a chart of ten years asks six times for the same ones, 3,653 days each.
    """
    begin, end = (min(max(edge * _BLOCK_NS, _ENDS_NS[0]), _ENDS_NS[1]) for edge in (block, block + 1))
    looks = [*range(begin - NS, end - NS, _LOOK_NS), end - NS]  # a change at its beginning belongs to it
    return tuple(_between(a, b, zone) for a, b in pairwise(looks) if offset_at(a, zone) != offset_at(b, zone))


def _between(before_ns: int, after_ns: int, zone: ZoneInfo) -> int:
    """The first whole second of the new offset, between instants of two offsets."""
    low, high, before = before_ns // NS, after_ns // NS, offset_at(before_ns, zone)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if offset_at(middle * NS, zone) == before else (low, middle)
    return high * NS


def size_of(from_ns: int, to_ns: int, at_most: int) -> Size:
    """The least distance of ticks of which a window holds no more than that."""
    whole_s = (to_ns - from_ns) / NS
    return next((size for apart_s, size in SIZES if whole_s <= at_most * apart_s), SIZES[-1][1])


def ticks(from_ns: int, to_ns: int, zone: ZoneInfo, at_most: int, size: Size | None = None) -> list[Tick]:
    """Ticks at round local times of [from, to], at most about `at_most`; `size`: how far apart."""
    size = size or size_of(from_ns, to_ns, at_most)
    parts = stretches(from_ns, to_ns + 1, zone)
    places = [
        (at, s.offset_s)
        for s, before in zip(parts, [None, *parts], strict=False)
        for at in _in(s, before, size)
    ]
    chosen: list[Tick] = []
    for at_ns, offset_s in places:
        wall_time, last = _wall(at_ns, offset_s), chosen[-1] if chosen else None
        if last and (
            _too_near(at_ns - last.at_ns, size) or (size[0] != "s" and last.local.date() == wall_time.date())
        ):
            continue
        new_offset = len(parts) > 1 and (last is None or last.offset_s != offset_s)
        chosen.append(
            Tick(
                at_ns, wall_time, offset_s, last is None or last.local.date() != wall_time.date(), new_offset
            )
        )
    return chosen


def _wall(at_ns: int, offset_s: int) -> datetime:
    return _EPOCH + timedelta(seconds=at_ns // NS + offset_s)


def _too_near(apart_ns: int, size: Size) -> bool:
    """A change of the clock may bring two round times so near that their words would meet."""
    return size[0] == "s" and apart_ns < 0.6 * size[1] * NS


def _in(part: Stretch, before: Stretch | None, size: Size) -> Iterator[int]:
    """Instants of a stretch at which the wall clock shows a round time."""
    unit, n = size
    step_s = n if unit == "s" else _DAY_S
    begin_s, end_s = -(-part.from_ns // NS) + part.offset_s, -(-part.to_ns // NS) + part.offset_s
    if unit != "s" and before and _skips_midnight(before, part) and _is_round(begin_s // _DAY_S, size):
        yield part.from_ns
    for shown_s in range(-(-begin_s // step_s) * step_s, end_s, step_s):
        if unit == "s" or _is_round(shown_s // _DAY_S, size):
            yield (shown_s - part.offset_s) * NS


def _skips_midnight(before: Stretch, part: Stretch) -> bool:
    """Whether a day begins with the stretch, later than at midnight."""
    last_s, first_s = part.from_ns // NS - 1 + before.offset_s, part.from_ns // NS + part.offset_s
    return last_s // _DAY_S != first_s // _DAY_S and first_s % _DAY_S != 0


def _is_round(day: int, size: Size) -> bool:
    """Whether a local day, counted since 1970-01-01, bears a tick."""
    unit, n = size
    date = _EPOCH + timedelta(days=day)
    if unit == "d":
        return date.toordinal() % n == 0
    if unit == "m":
        return date.day == 1 and (date.year * 12 + date.month - 1) % n == 0
    return (date.month, date.day) == (1, 1) and date.year % n == 0
