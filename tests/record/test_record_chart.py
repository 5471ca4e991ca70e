"""The chart of a record: what it must show, whatever the data."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.model import NS, REASONS, VERDICT_OF, Period
from logger.record.axis import time_ticks, value_ticks
from logger.record.chart import COLUMNS, Limits, Line, Panel, draw
from logger.record.marks import SERIES

VIENNA = ZoneInfo("Europe/Vienna")
START = int(datetime(2026, 10, 18, 22, tzinfo=UTC).timestamp()) * NS
DAY_NS = 86_400 * NS
SVG = "{http://www.w3.org/2000/svg}"


def chart(value: np.ndarray, days: float = 1.0, periods: tuple[Period, ...] = ()) -> str:
    """One line of equally spaced values over `days`, with limits 19.5 and 20.5 and a guard of 0.1."""
    end = START + int(days * DAY_NS)
    taken = np.linspace(START, end, len(value), endpoint=False).astype(np.int64)
    longest = 3 * int(np.diff(taken).max()) if len(taken) > 1 else NS
    line = Line("P1 air", taken, value, longest)
    panel = Panel("Temperature", "", 100.0, 2, (line,), (Limits(START, end, 19.5, 20.5, 0.1),))
    return draw([panel], periods, START, end, VIENNA)


def read(svg: str) -> ET.Element:
    """The picture as a tree: sound XML or an error."""
    return ET.fromstring(svg)  # noqa: S314 (our own picture)


def curve(svg: str) -> str:
    """Path of the only line."""
    paths = [p for p in read(svg).iter(f"{SVG}path") if p.get("stroke-linejoin") == "round"]
    assert len(paths) == 1
    return paths[0].get("d") or ""


def test_a_gap_stays_a_gap() -> None:
    value = np.full(1440, 20.0)
    value[600:700] = np.nan
    assert curve(chart(value)).count("M") == 2


def test_one_minute_in_ten_weeks_is_still_a_peak() -> None:
    value = np.full(100_000, 20.0)
    value[43_210] = 22.0
    d = curve(chart(value, days=70))
    heights = [float(y) for y in re.findall(r"[\d.]+ ([\d.]+)", d)]
    assert d.count("L") <= 2 * COLUMNS
    assert sorted(set(heights))[0] < 30 < sorted(set(heights))[1]


def test_guard_bands_lie_inside_both_limits() -> None:
    boxes = [
        (float(r.get("y") or 0), float(r.get("height") or 0))
        for r in read(chart(np.full(100, 20.0))).iter(f"{SVG}rect")
        if r.get("fill") == "url(#guard)"
    ]
    ground = next(
        (float(r.get("y") or 0), float(r.get("height") or 0))
        for r in read(chart(np.full(100, 20.0))).iter(f"{SVG}rect")
        if r.get("fill") == "#eef4f2"
    )
    top, bottom = sorted((y, y + h) for y, h in boxes)[0], sorted((y, y + h) for y, h in boxes)[1]
    assert top[0] == ground[0]
    assert abs(bottom[1] - (ground[0] + ground[1])) < 0.02
    assert abs((top[1] - top[0]) - 0.1 * ground[1]) < 0.02


def test_each_verdict_has_its_own_level_and_each_reason_its_own_fill() -> None:
    hour = 3600 * NS
    periods = tuple(
        Period("z", START + n * hour, START + (n + 1) * hour, VERDICT_OF[reason], reason)
        for n, reason in enumerate(REASONS)
    )
    with_trace = read(chart(np.full(10, 20.0), periods=periods))
    words = [t.text for t in with_trace.iter(f"{SVG}text")]
    assert words.index("stable") < words.index("not shown") < words.index("not stable")
    fills = {r.get("fill") for r in with_trace.iter(f"{SVG}rect")}
    assert {
        "#009e73",
        "#d55e00",
        *(f"url(#{n})" for n in ("settling", "marked", "guard-band", "indeterminate")),
    } <= fills


def test_lines_differ_by_more_than_colour() -> None:
    assert len({dash for _, dash in SERIES}) == len(SERIES)


@given(st.lists(st.floats(15.0, 25.0), min_size=1, max_size=400))
def test_the_same_data_give_the_same_bytes_and_sound_xml(values: list[float]) -> None:
    first, second = chart(np.array(values)), chart(np.array(values))
    assert first == second
    assert read(first).tag == f"{SVG}svg"


def test_the_day_of_25_hours_has_its_hours_where_the_wall_clock_had_them() -> None:
    """2026-10-25 in Vienna: 00:00 is 22:00Z of the day before; 03:00 is 02:00Z, four hours later."""
    begin = int(datetime(2026, 10, 24, 22, tzinfo=UTC).timestamp()) * NS
    ticks = time_ticks(begin, begin + 25 * 3600 * NS, VIENNA)
    hours = [(t.hour, (t.at_ns - begin) // (3600 * NS)) for t in ticks]
    assert hours[:3] == [("00:00", 0), ("03:00", 4), ("06:00", 7)]
    assert (ticks[0].day, ticks[-1].day) == ("2026-10-25", "2026-10-26")


@given(st.floats(-50, 50), st.floats(0.01, 500))
def test_value_ticks_are_few_and_inside(low: float, width: float) -> None:
    ticks = value_ticks(low, low + width)
    assert 1 <= len(ticks) <= 8
    assert all(low - 1e-6 * width <= t <= low + width * (1 + 1e-6) for t in ticks)
