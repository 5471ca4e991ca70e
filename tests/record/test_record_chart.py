"""The chart of a record: what it must show, whatever the data."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.instants import NS
from logger.model import REASONS, VERDICT_OF, Period
from logger.record.axis import time_ticks, value_ticks
from logger.record.chart import COLUMNS, ChartPanel, LimitBand, Line, draw
from logger.record.figure import figure
from logger.record.interval import Interval
from logger.record.marks import SERIES
from logger.record.zone_readings import read_zone

from .conftest import DAY, Room

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
    panel = ChartPanel("Temperature", "", 100.0, 2, (line,), (LimitBand(START, end, 19.5, 20.5, 0.1),))
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


def test_a_year_shows_every_run_out_of_limits_and_no_stable_beside_it() -> None:
    """76 runs of 3 to 11 min in 365 days: each has a mark of 0.5 points, and no stable is drawn over it."""
    end, out, at, periods = START + 365 * DAY_NS, [], START, list[Period]()
    for n in range(76):
        begin = START + (n * 6900 + 3000) * 60 * NS
        out.append((begin, begin + (3 + n % 9) * 60 * NS))
        periods.append(Period("z", at, begin, "stable", "conforming"))
        periods.append(Period("z", *out[-1], "not stable", "nonconforming"))
        at = out[-1][1]
    periods.append(Period("z", at, end, "stable", "conforming"))
    svg = read(draw([], periods, START, end, VIENNA))
    boxes = [
        (r.get("fill"), float(r.get("x") or 0), float(r.get("width") or 0)) for r in svg.iter(f"{SVG}rect")
    ]
    good = [(x, x + width) for fill, x, width in boxes if fill == "#009e73"]
    bad = [(x, x + width) for fill, x, width in boxes if fill == "#d55e00"]
    left, whole = min(x for x, _ in good), max(x for _, x in good) - min(x for x, _ in good)
    for begin, stop in out:
        middle = left + ((begin + stop) / 2 - START) / (end - START) * whole
        (mark,) = [(a, b) for a, b in bad if a - 0.02 <= middle <= b + 0.02]
        assert mark[1] - mark[0] >= 0.45
        assert not any(a < mark[1] - 0.02 and b > mark[0] + 0.02 for a, b in good)


def test_the_change_of_the_clock_is_drawn_with_the_offset_on_both_sides() -> None:
    """2026-10-25 in Vienna: until 01:00Z the offset is +02:00, then +01:00; a double rule at 3 of 25 h."""
    begin = int(datetime(2026, 10, 24, 22, tzinfo=UTC).timestamp()) * NS
    svg = read(draw([], (), begin, begin + 25 * 3600 * NS, VIENNA))
    words = [(t.text, float(t.get("x") or 0)) for t in svg.iter(f"{SVG}text")]
    placed = {word: x for word, x in words if word}
    whole = placed["2026-10-26"] - placed["2026-10-25"]
    assert [word for word, _ in words if word and word[0] in "+-"] == ["+02:00", "+01:00"]
    assert placed["+02:00"] == placed["2026-10-25"]
    assert placed["+01:00"] > placed["+02:00"] + 3 / 25 * whole
    rules = [p.get("d") or "" for p in svg.iter(f"{SVG}path") if (p.get("d") or "").count("V") == 1]
    x = [float(re.match(r"M([\d.]+) ", d)[1]) for d in rules]  # type: ignore[index]
    assert sum(x) / 2 == pytest.approx(placed["+02:00"] + 3 / 25 * whole, abs=0.02)


@given(st.floats(-50, 50), st.floats(0.01, 500))
def test_value_ticks_are_few_and_inside(low: float, width: float) -> None:
    ticks = value_ticks(low, low + width)
    assert 1 <= len(ticks) <= 8
    assert all(low - 1e-6 * width <= t <= low + width * (1 + 1e-6) for t in ticks)


@pytest.mark.parametrize("count", [3, 16, 24])
def test_every_line_is_named_within_its_panel(count: int) -> None:
    """Up to 24 lines on a low panel: each name once, inside the panel, no two on one place."""
    taken = np.linspace(START, START + DAY_NS, 100, endpoint=False).astype(np.int64)
    lines = tuple(
        Line(f"T{n} air", taken, np.full(100, 20.0 + 0.01 * n), DAY_NS) for n in range(1, count + 1)
    )
    svg = draw([ChartPanel("Temperature", "", 77.0, 2, lines, ())], (), START, START + DAY_NS, VIENNA)
    names = [t for t in read(svg).iter(f"{SVG}text") if re.fullmatch(r"T\d+( air)?", t.text or "")]
    places = {(float(t.get("x", "")), float(t.get("y", ""))) for t in names}
    assert {(t.text or "").split()[0] for t in names} == {f"T{n}" for n in range(1, count + 1)}
    assert len(places) == len(names) == count
    assert all(18 <= y <= 18 + 77 + 4 for _, y in places)


def test_outdoor_air_does_not_flatten_the_room(room: Room) -> None:
    """It has a panel of its own; a quantity without a value and a limit has none."""
    span = Interval("machine-bay", *DAY, room.now_ns)
    periods = room.verdicts.periods("machine-bay", *DAY, room.now_ns)
    place = room.setup.positions[room.setup.placements_of("P3.temperature")[0].position]
    outside = replace(place, medium="outdoor")
    setup = replace(room.setup, positions={**room.setup.positions, place.key: outside})
    titles = [
        t.text
        for t in read(figure(read_zone(room.store, setup, "machine-bay", *DAY), setup, periods, span)).iter(
            f"{SVG}text"
        )
    ]
    assert titles.index("Temperature outdoors") < titles.index("P3 outdoor")
    assert titles.index("Temperature outdoors") > titles.index("P1 air") > titles.index("Temperature")
    before = Interval("machine-bay", START - 400 * DAY_NS, START - 399 * DAY_NS, room.now_ns)
    empty = [
        t.text
        for t in read(
            figure(
                read_zone(room.store, setup, "machine-bay", before.from_ns, before.to_ns), setup, (), before
            )
        ).iter(f"{SVG}text")
    ]
    assert "Temperature outdoors" not in empty
    assert "Pressure" not in empty
