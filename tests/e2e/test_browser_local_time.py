"""Local time is true on every axis, and a pixel of the verdict trace shows the worst that is in it."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboard.app import create_app
from dashboard.charts.local_axis import tick_words
from logger.instants import NS, parse
from logger.local_time import stretches
from logger.model import Excursion, Period, Setup
from logger.verdicts.curves import Curve
from tests.dashboard.synthetic import Synthetic

pytestmark = [pytest.mark.browser, pytest.mark.slow]
HOUR, MINUTE = 3600 * NS, 60 * NS
AXES = """[...document.querySelectorAll('.js-plotly-plot')].map(p => p._fullLayout.xaxis).map(a => ({
    range: a.range, at: a.tickvals, text: a.ticktext, length: a._length}))"""
GRAPH = "document.querySelector('#trend-graph .js-plotly-plot')"
TRACE = f"{GRAPH}.data.find(t => t.type === 'heatmap')"
# Each with the instant of a change (IANA tz database, from memory): back and forward, by an hour and by half.
CHANGES = [
    ("Europe/Vienna", "2026-10-25T01:00:00Z"),
    ("Europe/Vienna", "2026-03-29T01:00:00Z"),
    ("Australia/Lord_Howe", "2026-04-04T15:00:00Z"),
    ("America/New_York", "2026-03-08T07:00:00Z"),
]


class Elsewhere(Synthetic):
    """A record in some zone: 20.0 °C always, but for stretches of 21 °C out of limits."""

    def __init__(self, zone: str, now_ns: int, out: list[tuple[int, int]]) -> None:
        super().__init__(now_ns=now_ns)
        setup = super().setup()
        self._setup = replace(setup, room=replace(setup.room, timezone=zone))
        self.out = out

    def setup(self) -> Setup:
        return self._setup

    def extent(self) -> tuple[int, int] | None:
        return self.now - 400 * 24 * HOUR, self.now

    def corrected(self, channel: str, from_ns: int, to_ns: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        step = max(60 * NS, (to_ns - from_ns) // 20_000)
        taken = np.arange(from_ns, min(to_ns, self.now), step, dtype=np.int64)
        value = np.full(len(taken), 20.0)
        for begin, end in self.out:
            value[(taken >= begin) & (taken < end)] = 21.0
        return taken, value, np.full(len(taken), 0.1)

    def curve(self, channel: str, from_ns: int, to_ns: int, bins: int) -> Curve:
        edges = np.linspace(from_ns, min(to_ns, self.now), bins + 1).astype(np.int64)
        value = np.full(bins, 20.0)
        for begin, end in self.out:
            value[(edges[:-1] >= begin) & (edges[:-1] < end)] = 21.0
        counts = np.ones(bins, dtype=np.int64)
        return Curve(edges[:-1], edges[1:], value, value, value, np.full(bins, 0.1), counts)

    def periods(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> list[Period]:
        result, at = [], from_ns
        for begin, end in self.out:
            a, b = max(begin, from_ns), min(end, to_ns, now_ns)
            if a < b:
                result += [Period(zone, at, a, "stable", "conforming")] if at < a else []
                result.append(Period(zone, a, b, "not stable", "nonconforming", f"{zone}.temperature", "P1"))
                at = b
        return result + ([Period(zone, at, to_ns, "stable", "conforming")] if at < to_ns else [])

    def excursions(self, zone: str | None, from_ns: int, to_ns: int, now_ns: int) -> list[Excursion]:
        return []


@pytest.fixture
def elsewhere(served: Callable[..., Any], open_page: Callable[..., Any]) -> Callable[..., Any]:
    """`with elsewhere(zone, now, out, width=…) as opened`."""

    @contextmanager
    def opened(zone: str, now_ns: int, out: list[tuple[int, int]], **how: Any) -> Iterator[Any]:
        record = Elsewhere(zone, now_ns, out)
        app = create_app(Path("unused"), source=record, now_ns=lambda: record.now, tick_s=1.0)
        with served(app) as address:
            yield open_page(where=address, **how)

    return opened


def clock(ms: float, zone: str) -> datetime:
    return datetime.fromtimestamp(ms / 1000, ZoneInfo(zone))


def proven(axis: Mapping[str, Any], zone: str) -> int:
    """Every tick says what the clock on the wall showed; each offset stands at its first tick.
    Gives the number of offsets in sight.
    """
    assert 2 <= len(axis["at"]) <= 11
    offsets = []
    for at, text in zip(axis["at"], axis["text"], strict=True):
        then, words = clock(at, zone), text.split("<br>")
        assert words[0] in (
            f"{then:%H:%M}",
            f"{then:%H:%M:%S}",
            f"{then:%Y-%m-%d}",
            f"{then:%Y-%m}",
            f"{then:%Y}",
        )
        offset = f"{then:%z}"[:3] + ":" + f"{then:%z}"[3:5]
        offsets += [word for word in words if word[:1] in "+-" and word]
        if words[-1][:1] in ("+", "-"):
            assert words[-1] == offset
    a, b = (int(edge * 1e6) for edge in axis["range"])
    parts = stretches(a, b, ZoneInfo(zone))
    assert len(offsets) == (len(parts) if len(parts) > 1 else 0)
    return len(parts)


def readout(opened: Any, graph: str, share: float) -> str:
    """What is said of the time at that share of the width."""
    area = opened.page.locator(f"{graph} .nsewdrag").first.bounding_box()
    opened.page.mouse.move(area["x"] + area["width"] * share, area["y"] + area["height"] / 2)
    return str(opened.page.locator(f":is(.readout, .readout-table):has(+ .chart {graph})").inner_text())


def instant_of(text: str, zone: str) -> int:
    """The instant that a readout says, with its offset."""
    day, time, offset = re.search(r"(\d{4}-\d\d-\d\d)\s+(\d\d:\d\d)\s+([+-]\d\d:\d\d)", text).groups()
    assert clock(parse(f"{day}T{time}{offset}", ZoneInfo(zone)) / 1e6, zone).strftime("%H:%M") == time
    return parse(f"{day}T{time}{offset}", ZoneInfo(zone))


@pytest.mark.parametrize(("zone", "change"), CHANGES)
def test_trend_is_true_on_both_sides_of_a_change_of_the_clock(
    elsewhere: Callable[..., Any], zone: str, change: str
) -> None:
    """An excursion before the change and one after it: drawn, read out and tabled at their own local times,
    also when zoomed. The window ends in the other offset, which must not move what lies before.
    """
    at = parse(change, ZoneInfo("UTC"))
    out = [(at - 5 * HOUR, at - 4 * HOUR), (at + 4 * HOUR, at + 5 * HOUR)]
    begin, end = at - 10 * HOUR, at + 10 * HOUR
    stamps = [clock(t / 1e6, zone).strftime("%Y-%m-%dT%H:%M") for t in (begin, end)]
    with elsewhere(zone, at + 30 * HOUR, out) as opened:
        page = opened.go(f"/trend?from={stamps[0]}&to={stamps[1]}", "#trend-graph .nsewdrag")
        opened.wait("window.stillroomAxis && document.querySelector('.readout-table').textContent")
        (axis,) = page.evaluate(AXES)
        assert proven(axis, zone) == 2
        assert axis["range"] == [begin / 1e6, end / 1e6]
        edges = page.evaluate(f"{TRACE}.x")
        assert [edge for pair in out for edge in pair] == [int(ms) * 10**6 for ms in edges[1:-1]]
        for item in out:
            middle = (item[0] + item[1]) // 2
            text = readout(opened, "#trend-graph", (middle - begin) / (end - begin))
            assert instant_of(text, zone) == pytest.approx(middle, abs=2 * MINUTE)
            assert "not stable: nonconforming" in text
            assert "21.00 ± 0.10 °C" in text
        page.get_by_text("Periods: ").click()
        table = page.locator("table", has_text="periods, local time").inner_text()
        for edge in (edge for pair in out for edge in pair):
            then = clock(edge / 1e6, zone)
            assert f"{then:%Y-%m-%d %H:%M} {f'{then:%z}'[:3]}:{f'{then:%z}'[3:5]}" in table

        area = page.locator("#trend-graph .nsewdrag").first.bounding_box()
        high = area["y"] + area["height"] / 2
        page.mouse.move(area["x"] + area["width"] * 0.2, high)
        page.mouse.down()
        page.mouse.move(area["x"] + area["width"] * 0.55, high, steps=5)
        page.mouse.up()
        opened.wait(f"{AXES}[0].at.join() !== '{','.join(str(int(ms)) for ms in axis['at'])}'")
        opened.wait(
            "document.querySelector('#trend-link').href.indexOf('" + stamps[0].replace(":", "%3A") + "') < 0"
        )
        (axis,) = page.evaluate(AXES)
        assert proven(axis, zone) == 2
        middle = (out[0][0] + out[0][1]) // 2
        left, right = (int(ms * 1e6) for ms in axis["range"])
        text = readout(opened, "#trend-graph", (middle - left) / (right - left))
        assert instant_of(text, zone) == pytest.approx(middle, abs=2 * MINUTE)
        assert "not stable: nonconforming" in text
        assert opened.seen.console == []


@pytest.mark.parametrize(("zone", "change"), CHANGES[:2])
def test_an_excursion_has_one_time_in_every_window(
    elsewhere: Callable[..., Any], zone: str, change: str
) -> None:
    """Windows that begin and end in either offset say the same of an excursion, on a day of 25 h and of 23 h:
    the readout at its middle, the edge of the trace, the table of periods.
    """
    at = parse(change, ZoneInfo("UTC"))
    out = [(at - 5 * HOUR, at - 4 * HOUR), (at + 4 * HOUR, at + 5 * HOUR)]
    windows = {(-10, -1): out[:1], (-10, 10): out, (1, 10): out[1:]}
    with elsewhere(zone, at + 30 * HOUR, out) as opened:
        for (a, b), inside in windows.items():
            begin, end = at + a * HOUR, at + b * HOUR
            stamps = [clock(t / 1e6, zone).strftime("%Y-%m-%dT%H:%M%z") for t in (begin, end)]
            queries = [quote(f"{stamp[:-2]}:{stamp[-2:]}") for stamp in stamps]
            page = opened.go(f"/trend?from={queries[0]}&to={queries[1]}", "#trend-graph .nsewdrag")
            opened.wait("window.stillroomAxis && document.querySelector('.readout-table').textContent")
            assert page.evaluate(AXES)[0]["range"] == [begin / 1e6, end / 1e6]
            edges = page.evaluate(f"{TRACE}.x")
            page.get_by_text("Periods: ").click()
            table = page.locator("table", has_text="periods, local time").inner_text()
            for from_ns, to_ns in inside:
                text = readout(opened, "#trend-graph", ((from_ns + to_ns) // 2 - begin) / (end - begin))
                assert instant_of(text, zone) == pytest.approx((from_ns + to_ns) // 2, abs=2 * MINUTE)
                assert from_ns // 10**6 in edges
                assert f"{clock(from_ns / 1e6, zone):%Y-%m-%d %H:%M}" in table


@pytest.mark.parametrize(("path", "charts"), [("/", 2), ("/gradients", 1)])
@pytest.mark.parametrize("width", [390, 1280])
def test_now_and_gradients_are_true_in_the_hours_after_a_change(
    elsewhere: Callable[..., Any], path: str, charts: int, width: int
) -> None:
    """At 08:00 after the clock was put back, 12 h reach over the change; on a phone fewer ticks say it."""
    zone, at = CHANGES[0][0], parse(CHANGES[0][1], ZoneInfo("UTC"))
    with elsewhere(zone, at + 6 * HOUR, [(at - HOUR, at)], width=width) as opened:
        page = opened.go(path, ".js-plotly-plot .nsewdrag")
        opened.wait("window.stillroomAxis && document.querySelector('.readout').textContent")
        opened.wait(f"{AXES}.every(a => a.at && a.at.length * 48 < a.length + 60)")
        axes = page.evaluate(AXES)
        assert len(axes) == charts
        assert [proven(axis, zone) for axis in axes] == [2] * charts
        assert opened.seen.console == []


def test_browser_and_server_write_the_same_ticks(open_page: Callable[..., Any]) -> None:
    """Windows from a minute to decades, around changes of the clock and far from them, in five zones."""
    cases, expected, names = [], [], []
    for zone in [*{zone for zone, _ in CHANGES}, "America/Santiago", "America/Havana"]:
        for change in {change for _, change in CHANGES} | {"2025-09-07T04:00:00Z", "2025-11-02T05:00:00Z"}:
            at = parse(change, ZoneInfo("UTC"))
            for minutes in (1, 7, 45, 300, 1500, 6000, 40_000, 300_000, 3_000_000, 20_000_000):
                begin = max(at - minutes * MINUTE * 2 // 3, 0) // 10**6 * 10**6
                end = begin + minutes * MINUTE
                parts = [[s.from_ns // 10**6, s.offset_s] for s in stretches(begin, end + 1, ZoneInfo(zone))]
                ticks = tick_words(begin, end, zone)
                cases.append([begin // 10**6, end // 10**6, parts])
                expected.append({"at": ticks["tickvals"], "text": ticks["ticktext"]})
                names.append((zone, change, minutes))
    result = (
        open_page()
        .go("/health")
        .evaluate("cases => cases.map(([a, b, parts]) => window.stillroomAxis.ticks(a, b, parts, 8))", cases)
    )
    assert len(result) == len(expected) == 300
    for name, first, other in zip(names, result, expected, strict=True):
        assert first == other, name


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1280, "light"), (1920, "dark")])
def test_every_run_out_of_limits_is_seen_in_the_trace_of_a_year(
    elsewhere: Callable[..., Any], width: int, scheme: str
) -> None:
    """76 runs of some minutes between days of stable time: each has a pixel in its own row, and no pixel that
    holds one is called stable. Read from the picture, column by column.
    """
    now = parse("2026-11-25T12:00:00Z", ZoneInfo("UTC"))
    begin = now - 365 * 24 * HOUR
    out = [
        (begin + (n * 6900 + 3000) * MINUTE, begin + (n * 6900 + 3003 + n % 9) * MINUTE) for n in range(76)
    ]
    with elsewhere("Europe/Vienna", now, out, width=width, scheme=scheme) as opened:
        page = opened.go("/trend?from=2025-11-25T13:00&to=2026-11-25T13:00", "#trend-graph .hm image")
        opened.wait(f"{GRAPH}.joinedMs > 0")
        page.evaluate(f"{GRAPH}.scrollIntoView()")
        place = page.evaluate(
            f"""(() => {{ const p = {GRAPH}, l = p._fullLayout, box = p.getBoundingClientRect();
            return {{left: box.left + l.xaxis._offset, length: l.xaxis._length,
                     rows: [0, 1, 2].map(r => box.top + l.yaxis2._offset + l.yaxis2.c2p(r))}}; }})()"""
        )
        from PIL import Image

        page.mouse.move(1, 1)
        picture = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB")).astype(int)
        strip = {row: picture[int(place["rows"][row])] for row in range(3)}
        bottom, top = sorted(range(3), key=lambda row: -place["rows"][row])[0::2]
        for a, b in out:
            first, last = ((t - begin) / (now - begin) * place["length"] + place["left"] for t in (a, b))
            near = slice(int(first) - 2, int(last) + 4)
            red, green, blue = strip[bottom][near].T
            bad = np.flatnonzero((red > green + 40) & (red > blue + 40))
            assert len(bad), f"run at {clock(a / 1e6, 'Europe/Vienna')} is not drawn"
            red, green, _ = strip[top][near][bad].T
            assert (green < red + 40).all()
