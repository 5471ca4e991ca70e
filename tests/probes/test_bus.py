"""The polling thread with drivers and a clock of our own, and once with everything real."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import pytest

from logger.errors import ProbeError, Refused
from logger.instants import NS
from logger.model import Row
from logger.probes import Bus, Raw, buses
from logger.probes.bus import SKIPPED

from .conftest import Device, TurnedClock, line_to

WALL_S = 1_792_360_000.3


@dataclass
class Scripted:
    """A driver whose reads do what `script` says; number of the read in, statuses out."""

    probe: str
    clock: TurnedClock
    script: Callable[[int], str] = lambda n: "ok"
    interval_s: float = 60.0
    lasting_s: float = 0.03
    reads: int = 0
    opens: int = 0
    closes: int = 0
    channels: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        self.channels = (f"{self.probe}.temperature", f"{self.probe}.relative_humidity")

    @property
    def wire(self) -> object:
        return self

    @property
    def deadline_s(self) -> float:
        return 60.0

    def open(self) -> None:
        self.opens += 1

    def listen(self, until_s: float) -> bool:
        return False

    def read(self) -> Sequence[Raw]:
        self.reads += 1
        self.clock.pass_s(self.lasting_s)
        status = self.script(self.reads)
        if status == "lost":
            raise ProbeError("the line cannot be used")
        if status == "bug":
            raise ZeroDivisionError("a fault in the driver")
        value = 20.0 if status == "ok" else None
        return [Raw(c, value, status, self.clock.wall_ns()) for c in self.channels]  # type: ignore[arg-type]

    def close(self) -> None:
        self.closes += 1


def ran(clock: TurnedClock, *drivers: Scripted) -> tuple[list[Row], list[tuple[str, Mapping[str, object]]]]:
    rows: list[Row] = []
    events: list[tuple[str, Mapping[str, object]]] = []
    Bus("socket://127.0.0.1:1", drivers, rows.extend, lambda *e: events.append(e), clock).run()
    return rows, events


@pytest.mark.slow
def test_a_day_at_one_minute_gives_1440_rows_for_each_channel_inside_their_cells() -> None:
    """1440 ± 1 rows, intervals of 60 ± 1 s; polls between 10 % and 90 % of a cell."""
    clock = TurnedClock(WALL_S, 86400)
    rows, events = ran(clock, Scripted("P1", clock), Scripted("P2", clock))
    counts = Counter(row.channel for row in rows)
    taken_s = [row.taken_ns / 1e9 for row in rows if row.channel == "P1.temperature"]
    assert set(counts.values()) <= {1439, 1440, 1441}
    assert len(counts) == 4
    assert all(0.1 <= t % 60 / 60 <= 0.9 for t in taken_s)
    assert all(abs(b - a - 60) < 1 for a, b in pairwise(taken_s))
    assert not events
    assert all(row.boot and row.monotonic_ns and row.received_ns >= row.taken_ns for row in rows)


@pytest.mark.parametrize(
    ("what", "status"),
    [("timeout", "timeout"), ("garbage", "garbage"), ("lost", "no-port"), ("bug", "device-error")],
)
def test_every_due_poll_yields_a_row_for_each_channel_also_when_it_fails(what: str, status: str) -> None:
    clock = TurnedClock(WALL_S, 600)
    driver = Scripted("P1", clock, lambda n: what if 3 <= n <= 5 else "ok")
    rows, _ = ran(clock, driver)
    per_poll = [row.status for row in rows if row.channel == "P1.temperature"]
    assert per_poll == ["ok", "ok", status, status, status, "ok", "ok", "ok", "ok", "ok"]
    assert [r.status for r in rows if r.channel == "P1.relative_humidity"] == per_poll
    assert all((row.value is None) == (row.status != "ok") for row in rows)


def test_a_silent_probe_does_not_take_the_time_of_its_neighbour() -> None:
    clock = TurnedClock(WALL_S, 300)
    silent = Scripted("P1", clock, lambda n: "timeout", interval_s=1.0, lasting_s=0.9)
    prompt = Scripted("P2", clock, interval_s=1.0)
    rows, _ = ran(clock, silent, prompt)
    counts = Counter(row.channel for row in rows)
    assert counts["P2.temperature"] == pytest.approx(300, abs=2)
    assert counts["P1.temperature"] == counts["P2.temperature"]
    assert silent.reads < 25
    assert {row.status for row in rows if row.channel.startswith("P1")} == {"timeout"}
    assert any("not asked" in row.raw for row in rows)


def test_a_line_on_which_nobody_answers_is_opened_anew() -> None:
    clock = TurnedClock(WALL_S, 900)
    driver = Scripted("P1", clock, lambda n: "timeout")
    ran(clock, driver)
    assert driver.closes > 5


def test_a_step_of_the_clock_and_an_overrun_are_events_and_no_poll_is_lost() -> None:
    clock = TurnedClock(WALL_S, 600, {200.0: -3600.0})
    slow = Scripted("P1", clock, lambda n: clock.pass_s(150) or "ok" if n == 8 else "ok")  # type: ignore[func-returns-value]
    rows, events = ran(clock, slow)
    assert [kind for kind, _ in events] == ["clock-step", "overrun"]
    assert events[0][1]["step_s"] == pytest.approx(-3600, abs=1e-3)
    assert events[1][1]["skipped"] == 2
    monotonic = [row.monotonic_ns / NS for row in rows if row.channel == "P1.temperature"]
    assert max(b - a for a, b in pairwise(monotonic[:7])) < 90


def test_a_poll_that_was_skipped_is_a_row_at_its_time_with_its_reason() -> None:
    """A poll of 200 s at intervals of 60 s: the three that were due meanwhile have a row each."""
    clock = TurnedClock(WALL_S, 900)
    slow = Scripted("P1", clock, lambda n: clock.pass_s(200) or "ok" if n == 4 else "ok")  # type: ignore[func-returns-value]
    rows, events = ran(clock, slow)
    mine = [row for row in rows if row.channel == "P1.temperature"]
    skipped = [row for row in mine if row.raw == SKIPPED]
    assert [(row.value, row.status) for row in skipped] == [(None, "timeout")] * 3
    assert [b.taken_ns - a.taken_ns for a, b in pairwise(skipped)] == [60 * NS, 60 * NS]
    cells = [row.taken_ns // (60 * NS) for row in mine]
    queries = [row for row in mine if row.raw != SKIPPED]
    assert skipped[0].taken_ns - queries[2].taken_ns == pytest.approx(2 * 60 * NS, abs=NS)
    assert len(mine) == 15
    assert {*range(min(cells), max(cells) + 1)} - {*cells} <= {cells[3] - 3}  # the slow one is where it ended
    assert events == [("overrun", {"url": "socket://127.0.0.1:1", "skipped": 3})]


def test_a_taker_of_rows_that_fails_is_an_event_and_polling_goes_on() -> None:
    clock = TurnedClock(WALL_S, 300)
    driver = Scripted("P1", clock)
    events: list[str] = []

    def full(rows: Sequence[Row]) -> None:
        raise OSError("queue is full")

    Bus("x", [driver], full, lambda kind, what: events.append(kind), clock).run()
    assert driver.reads == 5
    assert events == ["bus-error"] * 5


def test_one_bus_for_each_line_in_order() -> None:
    lines = [line_to("a", probe="P1"), line_to("b", probe="P2"), line_to("a", probe="P3")]
    bus_loops = buses(lines, lambda rows: None, lambda kind, what: None)
    assert [(bus.url, [d.probe for d in bus.drivers]) for bus in bus_loops] == [
        ("a", ["P1", "P3"]),
        ("b", ["P2"]),
    ]


def test_a_streaming_probe_shares_its_line_with_nobody() -> None:
    lines = [line_to("a", probe="P1", mode="stream"), line_to("a", probe="P2")]
    with pytest.raises(Refused, match=r"Probe P2: mode: expected a line of its own.*P1"):
        buses(lines, lambda rows: None, lambda kind, what: None)


def test_an_interval_that_does_not_divide_a_day_is_refused() -> None:
    with pytest.raises(Refused, match=r"found 7 s. Correct it in config/probes\.toml"):
        buses([line_to("a", interval_s=7)], lambda rows: None, lambda kind, what: None)


def test_a_real_line_is_polled_listened_to_and_let_go(device: Device) -> None:
    rows: list[Row] = []
    bus = buses([line_to(device.wire.url)], rows.extend, lambda kind, what: None)[0]
    bus.start()
    until = time.monotonic() + 60
    while len(rows) < 6 and time.monotonic() < until:
        time.sleep(0.02)
    assert bus.stop()
    assert {(row.value, row.status) for row in rows} == {(20.03, "ok"), (47.8, "ok")}
    seconds = [row.taken_ns / 1e9 for row in rows if row.channel == "P1.temperature"]
    assert all(b > a for a, b in pairwise(seconds))  # that they lie on the grid is shown with a turned clock


@pytest.mark.slow
def test_a_real_stream_gives_a_row_for_each_poll(device: Device) -> None:
    rows: list[Row] = []
    line = line_to(device.wire.url, mode="stream", query="", interval_s=0.5, timeout_s=0.3)
    bus = buses([line], rows.extend, lambda kind, what: None)[0]
    bus.start()
    until = time.monotonic() + 60
    n = 0
    while sum(row.status == "ok" for row in rows) < 6 and time.monotonic() < until:
        n += 1
        device.wire.receive()
        device.say(f"T=20.{n % 100:02d} RH=47.8\r\n".encode(), 0.1)
    assert bus.stop()
    temperatures = [row.value for row in rows if row.channel == "P1.temperature" and row.status == "ok"]
    assert len(temperatures) >= 3
    assert temperatures == sorted(set(temperatures))


def test_a_probe_that_fails_is_named_with_how_and_how_often(device: Device) -> None:
    """Garbage is no silence; the heartbeat tells the two apart."""
    device.script = lambda query: [b"T=2\xfe\r\n"]
    rows: list[Row] = []
    (bus,) = buses([line_to(device.wire.url)], rows.extend, lambda *_: None)
    assert bus.failing == {}
    bus.start()
    until_s = time.monotonic() + 60
    while len(rows) < 6 and time.monotonic() < until_s:
        time.sleep(0.05)
    assert bus.stop()
    assert bus.failing["P1"].startswith("garbage, ")
    assert {row.status for row in rows} == {"garbage"}
    assert not any("no answer" in row.raw for row in rows)
