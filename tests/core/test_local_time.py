"""Local time on an axis: changes of the offset where the tz database has them, ticks that are true.

Changes are those of the IANA tz database (from memory): Vienna 29 March and 25 October 2026 at 01:00 UTC;
Lord Howe, half an hour, 4 April 2026 15:00 UTC (+11 to +10:30); Santiago at 24:00, so that 6 September 2026
begins at 01:00; Havana at 01:00, so that 2 November 2025 has its first hour twice; New York 1 November 2026,
06:00 UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import local_time
from logger.instants import NS
from logger.local_time import Tick, offset_at, stretches, ticks

HOUR = 3600 * NS
ZONES = (
    "Europe/Vienna",
    "Australia/Lord_Howe",
    "America/Santiago",
    "America/Havana",
    "America/New_York",
    "UTC",
)


def utc(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp()) * NS  # type: ignore[misc,arg-type]


def wall(tick: Tick, zone: str) -> str:
    """What the zone's own clock showed then, told by the standard library."""
    return datetime.fromtimestamp(tick.at_ns // NS, ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M:%S")


@pytest.mark.parametrize(
    ("zone", "around", "offsets"),
    [
        ("Europe/Vienna", utc(2026, 10, 25, 1), (7200, 3600)),
        ("Europe/Vienna", utc(2026, 3, 29, 1), (3600, 7200)),
        ("Australia/Lord_Howe", utc(2026, 4, 4, 15), (39600, 37800)),
        ("America/Santiago", utc(2026, 9, 6, 4), (-14400, -10800)),
        ("America/Havana", utc(2025, 11, 2, 5), (-14400, -18000)),
        ("America/New_York", utc(2026, 11, 1, 6), (-14400, -18000)),
    ],
)
def test_the_offset_changes_at_its_own_instant(zone: str, around: int, offsets: tuple[int, int]) -> None:
    result = stretches(around - 12 * HOUR, around + 13 * HOUR, ZoneInfo(zone))
    assert [(s.from_ns, s.to_ns, s.offset_s) for s in result] == [
        (around - 12 * HOUR, around, offsets[0]),
        (around, around + 13 * HOUR, offsets[1]),
    ]


def test_the_day_of_25_hours_has_two_o_clock_twice() -> None:
    """25 October 2026 in Vienna begins at 22:00 UTC and lasts 25 h; 02:00 comes at 00:00 and at 01:00 UTC."""
    day = utc(2026, 10, 24, 22)
    result = ticks(day, day + 25 * HOUR, ZoneInfo("Europe/Vienna"), 30)
    assert [t.local.hour for t in result] == [0, 1, 2, *range(2, 24), 0]
    assert [t.at_ns for t in result] == [day + n * HOUR for n in range(26)]
    assert [t.offset_s for t in result] == [7200] * 3 + [3600] * 23
    assert [n for n, t in enumerate(result) if t.new_offset] == [0, 3]


def test_the_day_of_23_hours_has_no_two_o_clock() -> None:
    day = utc(2026, 3, 28, 23)
    result = ticks(day, day + 23 * HOUR, ZoneInfo("Europe/Vienna"), 30)
    assert [t.local.hour for t in result] == [0, 1, *range(3, 24), 0]
    assert [t.at_ns for t in result] == [day + n * HOUR for n in range(24)]


def test_a_day_that_begins_at_one_o_clock_has_its_tick_there_and_one_that_begins_twice_has_one() -> None:
    santiago = ticks(utc(2026, 9, 4, 4), utc(2026, 9, 9, 3), ZoneInfo("America/Santiago"), 8)
    assert [f"{t.local:%m-%d %H}" for t in santiago] == [
        "09-04 00", "09-05 00", "09-06 01", "09-07 00", "09-08 00", "09-09 00",
    ]  # fmt: skip
    days = ticks(utc(2025, 10, 30, 4), utc(2025, 11, 4, 5), ZoneInfo("America/Havana"), 8)
    assert [f"{t.local:%m-%d %H}" for t in days] == [
        "10-30 00", "10-31 00", "11-01 00", "11-02 00", "11-03 00", "11-04 00",
    ]  # fmt: skip


def test_a_window_within_one_offset_names_none() -> None:
    result = ticks(utc(2026, 6, 1), utc(2026, 6, 2), ZoneInfo("Europe/Vienna"), 8)
    assert not any(t.new_offset for t in result)
    assert [f"{t.local:%H:%M}" for t in result] == [
        "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00", "00:00",
    ]  # fmt: skip


@pytest.mark.slow
@given(
    st.sampled_from(ZONES),
    st.integers(utc(2024, 1, 1) // NS, utc(2028, 1, 1) // NS),
    st.floats(1.8, 9.5),
    st.sampled_from([4, 8]),
)
def test_every_tick_says_what_the_clock_on_the_wall_showed(
    zone: str, from_s: int, size: float, at_most: int
) -> None:
    """Windows of one minute to a hundred years: ascending, inside, true, never too many, hardly ever none."""
    from_ns, to_ns = from_s * NS, (from_s + int(10**size)) * NS
    result = ticks(from_ns, to_ns, ZoneInfo(zone), at_most)
    assert [f"{t.local:%Y-%m-%d %H:%M:%S}" for t in result] == [wall(t, zone) for t in result]
    places = [t.at_ns for t in result]
    assert places == sorted(set(places))
    assert all(from_ns <= at <= to_ns for at in places)
    assert len(result) <= at_most + 2
    moments = [datetime.fromtimestamp(at // NS, ZoneInfo(zone)) for at in places]
    assert [t.offset_s for t in result] == [m.utcoffset() // timedelta(seconds=1) for m in moments]  # type: ignore[operator]


@pytest.mark.parametrize("zone", ["Europe/Vienna", "Australia/Lord_Howe", "Pacific/Apia", "UTC"])
def test_changes_of_ten_years_are_those_of_a_walk_and_are_looked_up_once(
    zone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A chart of ten years asks six times; each was a walk of 3,653 days, half of what a zoom cost."""
    info, begin, end = ZoneInfo(zone), utc(2010, 5, 1) + 1, utc(2020, 5, 1)
    days = [*range(begin, end, 24 * HOUR), end]
    walked = [offset_at(at, info) for at in days]
    parts = stretches(begin, end, info)
    assert [part.offset_s for part in parts] == [offset for offset, _ in groupby(walked)]
    for part in parts[1:]:
        assert offset_at(part.from_ns - NS, info) != offset_at(part.from_ns, info) == part.offset_s
    looks: list[int] = []
    monkeypatch.setattr(local_time, "offset_at", lambda at, info: looks.append(at) or offset_at(at, info))
    assert stretches(begin, end, info) == parts
    assert len(looks) == len(parts)
