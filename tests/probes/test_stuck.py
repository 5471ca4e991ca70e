"""A probe that does not come back is set apart by name, tried again, and holds up nobody else."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.model import CommandLine, OneWire, Row
from logger.probes import Bus, ProbeDriver, Raw, buses, drivers
from logger.probes.polls import RunningPolls
from logger.processes.deadline import DeadlineExceeded
from logger.simulation.devices import show_one_wire

Events = list[tuple[str, Mapping[str, object]]]
LONG_S = 60.0


def until(holds: Callable[[], object]) -> bool:
    """Whether it comes true before anybody would doubt it."""
    deadline = time.monotonic() + LONG_S
    while not holds() and time.monotonic() < deadline:
        time.sleep(0.02)
    return bool(holds())


@pytest.fixture(autouse=True)
def _tried_again_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.probes.polls.FIRST_PAUSE_S", 0.2)


@contextmanager
def polled(build: Sequence[Bus]) -> Iterator[None]:
    for bus in build:
        bus.start()
    try:
        yield
    finally:
        assert all([bus.stop(LONG_S) for bus in build])


def command(code: str, probe: str = "P1", **changes: float) -> CommandLine:
    """A probe behind a Python program."""
    fields = {"interval_s": 1.0, "timeout_s": 20.0, **changes}
    return CommandLine(
        probe, (sys.executable, "-S", "-c", code), r"T=(?P<t>\S+)", {"t": f"{probe}.temperature"}, **fields
    )


@pytest.mark.slow
def test_a_sensor_file_that_blocks_holds_up_no_other_sensor_and_comes_back(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A pipe that nobody writes into stands for a file that the kernel does not give out."""
    master = tmp_path / "w1_bus_master1"
    lines = [
        OneWire(
            f"W{n}", str(master / f"28-000{n}"), {"t": f"W{n}.temperature"}, 2.0, 0.5 if n == 1 else LONG_S
        )
        for n in range(3)
    ]
    for line in lines:
        show_one_wire(Path(line.folder), 20.0)
    blocked = Path(lines[1].folder) / "w1_slave"
    blocked.unlink()
    os.mkfifo(blocked)
    rows: list[Row] = []
    events: Events = []
    bus_loops = buses(lines, rows.extend, lambda *event: events.append(event))

    def of(probe: str) -> list[Row]:
        return [row for row in rows if row.channel == f"{probe}.temperature"]

    with polled(bus_loops):
        assert until(lambda: len(of("W0")) >= 4)
        assert list(bus_loops[0].stuck) == ["W1"]
        assert "W1" in bus_loops[0].failing
        assert {row.status for probe in ("W0", "W2") for row in of(probe)} == {"ok"}
        assert of("W1")[0].raw == "no end within 0.5 s"
        assert all(row.raw.startswith(("no end", "not asked")) for row in of("W1"))
        blocked.unlink()
        show_one_wire(blocked.parent, 21.0)
        assert until(lambda: any(row.value == 21.0 for row in of("W1")))
        assert bus_loops[0].stuck == {}
    probe_events = [(kind, what["probe"]) for kind, what in events if kind.startswith("probe")]
    assert probe_events == [("probe-stuck", "W1"), ("probe-back", "W1")]
    hangs, again = [record.getMessage() for record in caplog.records]
    assert hangs.startswith("probe W1 on 1-wire:")
    assert " hangs (no end within 0.5 s): it is set apart and tried again" in hangs
    assert " answers again, after " in again


class Hanging:
    """A driver that hangs where it is told to, until it is let go."""

    channels: tuple[str, ...]

    def __init__(self, probe: str, wire: object | None = None, hangs: str = "") -> None:
        self.probe, self.hangs = probe, hangs
        self.interval_s, self.deadline_s = 0.5, 0.3 if hangs else LONG_S
        self.channels = (f"{probe}.temperature",)
        self.wire = wire or self
        self.go = threading.Event()
        self.inside = 0
        self.most_inside = 0

    def _at(self, step: str) -> None:
        self.inside += 1
        self.most_inside = max(self.inside, self.most_inside)
        if self.hangs == step:
            self.go.wait(LONG_S)
        self.inside -= 1

    def open(self) -> None:
        self._at("open")

    def read(self) -> Sequence[Raw]:
        self._at("read")
        return [Raw(self.channels[0], 20.0, "ok", time.time_ns())]

    def close(self) -> None:
        self._at("close")

    def listen(self, until_s: float) -> bool:
        return False


@pytest.mark.slow
@pytest.mark.parametrize("step", ["open", "read"])
def test_who_shares_the_wire_waits_and_says_for_whom_and_two_are_never_in_it(step: str) -> None:
    wire = object()
    first, other = Hanging("P1", wire, step), Hanging("P2", wire)
    rows: list[Row] = []
    bus = Bus("line", [first, other], rows.extend, lambda *_: None)
    with polled([bus]):
        assert until(lambda: any("P1 has held the line" in row.raw for row in rows))
        empty = [row for row in rows if row.channel == "P2.temperature" and row.value is None]
        assert empty
        first.go.set()
        first.hangs = ""
        assert until(lambda: rows[-1].value == 20.0 and rows[-2].value == 20.0)
    assert first.most_inside == 1


@pytest.mark.slow
def test_each_due_poll_is_one_row_with_its_reason_and_nothing_is_lost() -> None:
    """Through a hang of one of three, on wires of their own: the others have values alone."""
    probe_drivers = [Hanging("P1"), Hanging("P2", hangs="read"), Hanging("P3")]
    for item in probe_drivers:
        item.interval_s = 2.0
    rows: list[Row] = []
    with polled([Bus("three", probe_drivers, rows.extend, lambda *_: None)]):
        assert until(lambda: sum(row.channel == "P3.temperature" for row in rows) >= 3)
        probe_drivers[1].go.set()
    counts = [sum(row.channel == f"P{n}.temperature" for row in rows) for n in (1, 2, 3)]
    assert max(counts) - min(counts) <= 1
    assert {row.status for row in rows if not row.channel.startswith("P2")} == {"ok"}
    assert all(row.raw for row in rows if row.value is None)


@pytest.mark.parametrize("step", ["open", "read", "close"])
def test_a_bus_ends_whatever_hangs_in_it(step: str) -> None:
    hanging = Hanging("P1", hangs=step)
    bus = Bus("line", [hanging], lambda _: None, lambda *_: None)
    bus.start()
    assert until(lambda: hanging.inside or step == "close")
    assert bus.stop(LONG_S / 2)
    hanging.go.set()


def test_a_stuck_probe_has_a_bounded_number_of_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.probes.polls.LONGEST_PAUSE_S", 0.0)
    monkeypatch.setattr("logger.probes.polls.MOST_HANGING", 3)
    hanging = Hanging("P1", hangs="read")
    hanging.deadline_s = 0.0
    under_way = RunningPolls([hanging], lambda driver: driver.read())
    for _ in range(10):
        if not under_way.hindrance(hanging):
            under_way.begin(hanging, lambda: False)
        list(under_way.take_results())
    assert hanging.most_inside == 3
    assert under_way.hindrance(hanging).startswith("not asked: it has not come back for")
    hanging.go.set()


def values_of(line: CommandLine) -> Sequence[Raw]:
    (driver,) = drivers([line])
    driver.open()
    return driver.read()


def test_a_program_that_leaves_a_child_behind_has_ended_when_it_exits() -> None:
    """The child is in a session of its own and holds the output open for longer than anybody waits."""
    code = "import os, time\nif os.fork() == 0:\n os.setsid(); time.sleep(120); os._exit(0)\nprint('T=20.5')"
    (answer,) = values_of(command(code))
    assert (answer.value, answer.status) == (20.5, "ok")


def test_a_program_that_does_not_end_is_overdue_though_a_child_left_its_group() -> None:
    code = "import os, time\nif os.fork() == 0: os.setsid()\ntime.sleep(120)"
    with pytest.raises(DeadlineExceeded, match="did not end within 1 s"):
        values_of(command(code, timeout_s=1.0))


@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_a_program_that_prints_without_end_costs_neither_memory_nor_time(stream: str) -> None:
    """It is ended at its first megabyte; what is looked at are 4096 bytes."""
    code = f"import sys\nwhile True: sys.{stream}.write('T=20.5 ' * 1000)"
    (answer,) = values_of(command(code, timeout_s=LONG_S))
    assert (answer.value, answer.status, answer.raw) == (None, "garbage", "printed more than 1 MB")


def test_a_program_that_is_late_is_told_as_stuck_and_not_waited_for(tmp_path: Path) -> None:
    mark = tmp_path / "quick"
    code = f"import os, time\nif not os.path.exists({str(mark)!r}): time.sleep(120)\nprint('T=20.5')"
    rows: list[Row] = []
    bus_loops = buses([command(code, timeout_s=0.5)], rows.extend, lambda *_: None)
    with polled(bus_loops):
        assert until(lambda: bus_loops[0].stuck)
        assert rows[0].raw == "did not end within 0.5 s"
        mark.touch()
        bus_loops[0].drivers[0].line = command(code, timeout_s=LONG_S)  # type: ignore[attr-defined]
        assert until(lambda: any(row.value == 20.5 for row in rows))
        assert not bus_loops[0].stuck


def test_every_real_driver_says_what_it_shares_and_when_it_has_ended(tmp_path: Path) -> None:
    probe_drivers: list[ProbeDriver] = [
        *drivers([command("")]),
        *drivers([OneWire("W", str(tmp_path / "x"), {"t": "W.t"})]),
    ]
    assert all(driver.wire is driver and driver.deadline_s > 0 for driver in probe_drivers)
