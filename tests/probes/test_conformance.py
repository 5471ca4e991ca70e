"""What every driver must do, over every transport. A new driver is added to the list of transports."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest

from logger.errors import ProbeError
from logger.probes import AsciiLineDriver
from logger.probes.port import Port
from tests.programs import program

from .conftest import Device, asked_again, line_to


@pytest.fixture
def driver(device: Device) -> AsciiLineDriver:
    text_driver = AsciiLineDriver(line_to(device.wire.url))
    text_driver.open()
    return text_driver


@pytest.fixture
def patient(device: Device) -> AsciiLineDriver:
    """For tests in which each question is answered: a busy machine may take its time."""
    text_driver = AsciiLineDriver(line_to(device.wire.url, timeout_s=30.0))
    text_driver.open()
    return text_driver


def statuses(driver: AsciiLineDriver) -> list[str]:
    return [raw.status for raw in driver.read()]


def test_a_whole_answer_gives_one_value_for_each_channel(patient: AsciiLineDriver) -> None:
    before = time.time_ns()
    answers = patient.read()
    assert [(a.channel, a.value, a.status) for a in answers] == [
        ("P1.temperature", 20.03, "ok"),
        ("P1.relative_humidity", 47.8, "ok"),
    ]
    assert all(before <= a.at_ns <= time.time_ns() for a in answers)


def test_an_answer_that_drips_in_is_put_together(patient: AsciiLineDriver, device: Device) -> None:
    device.script = lambda query: [s for b in b"T=-1.50 RH=5.0\n" for s in (bytes([b]), 0.005)]
    assert [a.value for a in patient.read()] == [-1.5, 5.0]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("answer", "status"),
    [
        pytest.param([], "timeout", id="nothing"),
        pytest.param([b"T=21.5"], "timeout", id="half a line"),
        pytest.param([b"\xfe\x81T=2#\r\n"], "garbage", id="bytes that are no text"),
        pytest.param([b"x T=20.03 RH=47.8\r\n"], "garbage", id="noise before a good line"),
        pytest.param([b"T=20.03 RH=47.8 !\r\n"], "garbage", id="noise after a good line"),
        pytest.param([b"T=20.0T=20.03 RH=47.8\r\n"], "garbage", id="two answers glued together"),
        pytest.param([b"\r\n"], "garbage", id="an empty line"),
        pytest.param([b"y" * 3000], "timeout", id="a line without end"),
    ],
)
def test_a_bad_answer_is_a_row_without_value_for_each_channel(
    driver: AsciiLineDriver, device: Device, answer: list[bytes], status: str
) -> None:
    device.script = lambda query: answer
    answers = driver.read()
    assert [(a.channel, a.value, a.status) for a in answers] == [
        ("P1.temperature", None, status),
        ("P1.relative_humidity", None, status),
    ]
    assert all(len(a.raw) <= 64 and a.raw.isprintable() for a in answers)


def test_the_deadline_counts_for_the_whole_line_not_for_each_byte(
    driver: AsciiLineDriver, device: Device
) -> None:
    device.script = lambda query: [s for _ in range(80) for s in (b"1", 0.1)]
    begun = time.monotonic()
    assert statuses(driver) == ["timeout", "timeout"]
    assert time.monotonic() - begun < 6  # the bytes alone take 8 s; the bound has room for a busy machine


@pytest.mark.slow
def test_half_a_line_is_not_glued_to_the_next_answer(driver: AsciiLineDriver, device: Device) -> None:
    answers = iter([[b"T=2"], [b"T=21.25 RH=40.0\r\n"]])
    device.script = lambda query: next(answers)
    assert statuses(driver) == ["timeout", "timeout"]
    assert [a.value for a in asked_again(driver)] == [21.25, 40.0]


def test_a_late_answer_is_not_taken_for_the_answer_of_the_next_probe(device: Device) -> None:
    """As seen on a shared line: a temperature of 21 that came late was taken for 41 %RH."""
    device.script = lambda query: [0.3, b"V=21.0\r\n"] if query == b"A" else [b"V=41.0\r\n"]
    named = {"pattern": r"V=(?P<v>[\d.]+)", "channels": {"v": "value"}}
    first = line_to(device.wire.url, probe="A", query="A", **named)
    second = line_to(device.wire.url, probe="B", query="B", **named)
    port = Port(first)
    slow, prompt = AsciiLineDriver(first, port), AsciiLineDriver(second, port)
    slow.open()
    assert slow.read()[0].status == "timeout"
    prompt.open()
    assert prompt.read()[0].value == 41.0
    port.close()


@pytest.mark.parametrize("word", ["---", "nan", "9.91E37", "OL", "1_0", ""], ids=lambda w: w or "nothing")
def test_an_answer_without_a_number_is_a_fault_of_that_sensor_alone(device: Device, word: str) -> None:
    driver = AsciiLineDriver(line_to(device.wire.url, pattern=r"T=(?P<t>\S*) RH=(?P<rh>\S+)", timeout_s=30.0))
    driver.open()
    device.script = lambda query: [f"T={word} RH=4.1E+1\r\n".encode()]
    assert [(a.value, a.status) for a in driver.read()] == [(None, "sensor-fault"), (41.0, "ok")]
    driver.close()


def test_an_unplugged_probe_is_lost_and_found_again_under_its_name(
    patient: AsciiLineDriver, device: Device
) -> None:
    patient.read()  # the other end has taken the connection
    device.wire.unplug()
    with pytest.raises(ProbeError, match="cannot be used"):
        patient.read()
    with pytest.raises(ProbeError):
        patient.open()
    device.wire.plug()
    patient.open()
    assert [a.value for a in patient.read()] == [20.03, 47.8]


def test_close_never_raises_and_open_is_repeatable(patient: AsciiLineDriver, device: Device) -> None:
    patient.open()
    assert statuses(patient) == ["ok", "ok"]
    device.wire.unplug()
    patient.close()
    patient.close()
    with pytest.raises(ProbeError):
        patient.read()


def stream_to(device: Device, **changes: object) -> AsciiLineDriver:
    driver = AsciiLineDriver(line_to(device.wire.url, mode="stream", query="", **changes))
    driver.open()
    device.wire.receive()  # lets a socket accept its client
    return driver


def test_a_stream_loses_its_first_line_which_may_have_begun_before(device: Device) -> None:
    driver = stream_to(device)
    time.sleep(0.1)
    device.say(b"0.03 RH=47.8\r\nT=20.11 RH=48.0\r\n")
    assert [a.value for a in driver.read()] == [20.11, 48.0]
    driver.close()


def test_a_listening_stream_gives_the_newest_line_with_the_instant_at_which_it_came(device: Device) -> None:
    driver = stream_to(device)
    time.sleep(0.1)
    device.say(b"x\r\nT=20.11 RH=48.0\r\nT=20.12 RH=48.1\r\nT=20.")
    assert driver.listen(time.monotonic() + 0.2)
    heard = time.time_ns()
    time.sleep(0.2)
    answers = driver.read()
    assert [a.value for a in answers] == [20.12, 48.1]
    assert answers[0].at_ns <= heard
    device.say(b"13 RH=48.2\r\n")
    assert [a.value for a in driver.read()] == [20.13, 48.2]
    driver.close()


def test_a_silent_stream_is_a_timeout_and_one_that_asks_is_not_listened_to(
    device: Device, driver: AsciiLineDriver
) -> None:
    assert not driver.listen(time.monotonic() + 5)
    driver.close()
    stream = stream_to(device)
    assert statuses(stream) == ["timeout", "timeout"]
    stream.close()


@pytest.mark.parametrize("device", ["pty"], indirect=True)
def test_a_serial_port_is_ours_alone(driver: AsciiLineDriver, device: Device) -> None:
    other = AsciiLineDriver(line_to(device.wire.url))
    with pytest.raises(ProbeError):
        other.open()
    driver.close()
    other.open()
    other.close()


def test_a_port_that_is_not_there_names_itself() -> None:
    driver = AsciiLineDriver(line_to("/dev/serial/by-id/usb-not-there"))
    with pytest.raises(ProbeError, match="usb-not-there"):
        driver.open()


def test_a_pseudo_terminal_made_by_another_program_is_read(tmp_path: Path) -> None:
    """An outside peer: socat makes the pseudo-terminal, a shell script answers."""
    script = tmp_path / "probe.sh"
    script.write_text("#!/bin/sh\nwhile read -r q; do printf 'T=19.97 RH=51.2\\r\\n'; done\n")
    script.chmod(0o755)
    name = tmp_path / "socat"
    peer = subprocess.Popen([program("socat"), f"pty,raw,echo=0,link={name}", f"exec:{script}"])
    try:
        until = time.monotonic() + 60
        while not name.exists() and time.monotonic() < until:
            time.sleep(0.02)
        driver = AsciiLineDriver(line_to(str(name), timeout_s=30.0))
        driver.open()
        assert [a.value for a in driver.read()] == [19.97, 51.2]
        driver.close()
    finally:
        peer.terminate()
        peer.wait(60)
