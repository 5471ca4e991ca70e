"""The process of the simulated probes, read by the real drivers over both transports."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.errors import StillroomError
from logger.instants import NS
from logger.model import AsciiLine, Row
from logger.probes import AsciiLineDriver, buses, stop_all
from logger.simulation.climate import instant
from logger.simulation.probe import PROBES
from logger.simulation.process import TwinProcess

from .conftest import asked_again, line_to

SINCE_NS = instant("2026-11-24T00:00+00:00")
PRESSURE = {"pattern": r"P=(?P<p>\d+\.\d)", "channels": {"p": "B1.pressure"}}


@pytest.fixture(params=["pty", "socket"], scope="module")
def twin(request: pytest.FixtureRequest) -> Iterator[TwinProcess]:
    with TwinProcess(7, since_ns=time.time_ns() - 3600 * NS, use_socket=request.param == "socket") as started:
        yield started


def lines(twin: TwinProcess, interval_s: float) -> list[AsciiLine]:
    return [
        line_to(url, probe=key, interval_s=interval_s)
        if key != "B1"
        else line_to(url, probe=key, interval_s=interval_s, **PRESSURE)
        for key, url in twin.urls.items()
    ]


def wait_for(met: Callable[[], bool], within_s: float = 60.0) -> bool:
    """Whether it was so once: a reading at a threshold may lie below it the next time."""
    until = time.monotonic() + within_s
    while not met():
        if time.monotonic() > until:
            return False
        time.sleep(0.02)
    return True


def test_all_probes_are_polled_and_show_a_room_that_conforms(twin: TwinProcess) -> None:
    rows: list[Row] = []
    running = buses(lines(twin, 0.5), rows.extend, lambda kind, what: None)
    for bus in running:
        bus.start()
    assert wait_for(lambda: len(rows) >= 3 * 13)
    assert stop_all(running)
    assert tuple(twin.urls) == PROBES
    assert {row.status for row in rows} == {"ok"}
    temperatures = [row.value for row in rows if row.channel.endswith("temperature")]
    assert all(value is not None and 19.8 < value < 20.4 for value in temperatures)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "status"),
    [("silence", "timeout"), ("garbage", "garbage"), ("half line", "timeout"), ("fault word", "garbage")],
)
@pytest.mark.parametrize("twin", ["pty"], indirect=True)
def test_a_probe_fails_as_it_is_told_and_recovers(twin: TwinProcess, fault: str, status: str) -> None:
    driver = AsciiLineDriver(line_to(twin.urls["P4"]))
    driver.open()
    twin.fault("P4", fault)
    assert driver.read()[0].status == status
    twin.fault("P4", "none")
    assert asked_again(driver)[0].status == "ok"
    driver.close()


def test_an_unplugged_probe_is_no_port_and_comes_back_under_its_url(twin: TwinProcess) -> None:
    rows: list[Row] = []
    bus = buses([line_to(twin.urls["P5"], interval_s=0.1)], rows.extend, lambda kind, what: None)[0]
    bus.start()
    assert wait_for(lambda: any(row.status == "ok" for row in rows))
    twin.fault("P5", "unplug")
    assert wait_for(lambda: any(row.status == "no-port" for row in rows))
    before = len(rows)
    twin.fault("P5", "none")
    assert wait_for(lambda: any(row.status == "ok" for row in rows[before:]))
    assert bus.stop()


def test_a_probe_tells_its_serial_number_and_leaves_the_unknown_unanswered(twin: TwinProcess) -> None:
    identity = {"query": "ID?", "pattern": r"AG-(?P<t>\d+)", "channels": {"t": "number"}}
    driver = AsciiLineDriver(line_to(twin.urls["P3"], **identity))
    driver.open()
    assert driver.read()[0].value == 413
    driver.close()
    unknown = AsciiLineDriver(line_to(twin.urls["P3"], query="WHO?"))
    unknown.open()
    assert unknown.read()[0].status == "timeout"
    unknown.close()


def test_probes_that_speak_by_themselves() -> None:
    with TwinProcess(7, options=["--stream-s", "0.1", "--probes", "P1"]) as twin:
        driver = AsciiLineDriver(line_to(twin.urls["P1"], mode="stream", query="", timeout_s=1.0))
        driver.open()
        assert [a.status for a in driver.read()] == ["ok", "ok"]
        driver.close()


def test_a_heater_that_sticks_takes_the_bay_out_of_its_limit() -> None:
    """The room's time runs 200 times as fast here: three minutes in a second."""
    with TwinProcess(7, drift=True, time_factor=200, options=["--probes", "P2"]) as twin:
        driver = AsciiLineDriver(line_to(twin.urls["P2"]))
        driver.open()
        first = driver.read()[0].value
        assert first is not None
        assert first < 20.4
        assert wait_for(lambda: (driver.read()[0].value or 0) > 20.52, within_s=30)
        driver.close()


def test_an_order_that_cannot_be_done_is_refused_with_what_can(twin: TwinProcess) -> None:
    with pytest.raises(StillroomError, match="half line"):
        twin.fault("P9", "silence")
    assert twin.alive


def test_a_line_that_is_no_order_is_refused_and_the_probes_go_on() -> None:
    program = subprocess.run(
        [sys.executable, "-m", "logger.simulation.probe", "--probes", "B1"],
        input='nonsense\n{"drift": true}\n',
        capture_output=True,
        text=True,
        timeout=600,
        check=True,
    )
    answers = [json.loads(line) for line in program.stdout.splitlines()]
    assert [next(iter(answer)) for answer in answers] == ["urls", "refused", "done"]
    assert program.stderr == ""


def test_stopping_leaves_no_process_and_no_names() -> None:
    twin = TwinProcess(7)
    twin.start()
    pid, folder = twin.pid, Path(twin.urls["P1"]).parent
    twin.stop()
    twin.stop()
    assert not twin.alive
    assert not folder.exists()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_it_ends_when_the_program_that_started_it_is_killed() -> None:
    code = (
        "import time; from logger.simulation.process import TwinProcess; t = TwinProcess(7); t.start();"
        "print(t.pid, t.urls['P1'], flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    _, name = parent.stdout.readline().split()
    assert Path(name).exists()
    parent.send_signal(signal.SIGKILL)
    parent.wait(60)
    parent.stdout.close()
    assert wait_for(lambda: not Path(name).parent.exists())


def test_one_that_cannot_start_says_so() -> None:
    with pytest.raises(StillroomError, match="ended before it was ready"):
        TwinProcess(7, options=["--no-such-option"]).start()
