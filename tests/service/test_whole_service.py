"""The whole way: simulated probes behind real lines, store, judge, alarm, a real mail server, a person.

The clock of the service and of the simulated room runs thirty times faster than that of the wall,
so that minutes of a room pass in seconds; nothing else is simulated.
"""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.config import example_folder, load_texts, read_texts
from logger.core.alarms.lifecycle import AlarmState
from logger.instants import NS, to_ns
from logger.model import Config, Row
from logger.probes import Bus
from logger.service import Service, heartbeat
from logger.simulation.process import TwinProcess
from logger.store import Store

FACTOR = 30
START_NS = to_ns(datetime(2026, 10, 20, 7, 40, tzinfo=UTC))  # all certificates of the example are valid


class FastClock:
    """A clock that runs FACTOR times faster, for the service and its buses."""

    def __init__(self) -> None:
        self._begin_s = time.monotonic()

    def monotonic_ns(self) -> int:
        return int((time.monotonic() - self._begin_s) * FACTOR * NS)

    def wall_ns(self) -> int:
        return START_NS + self.monotonic_ns()

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        return stop.wait(max(0.0, seconds / FACTOR))


class Mailbox:
    """Handler of the mail server: keeps what it takes."""

    def __init__(self) -> None:
        self.mails: list[str] = []

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.mails.append(envelope.content.decode("utf-8"))
        return "250 Message accepted"


@pytest.fixture
def mailbox() -> Iterator[tuple[Mailbox, int]]:
    """A real mail server on loopback."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    handler = Mailbox()
    controller = Controller(handler, hostname="127.0.0.1", port=port, ready_timeout=60)
    controller.start()
    yield handler, port
    controller.stop()


def until(holds: Callable[[], object], within_s: float) -> bool:
    """Whether it comes true in that time."""
    deadline = time.monotonic() + within_s
    while not holds() and time.monotonic() < deadline:
        time.sleep(0.05)
    return bool(holds())


def texts(mail_port: int) -> dict[str, str]:
    """The example, its mail going to that port and its bay alarmed after a minute."""
    files = read_texts(example_folder())
    files["alarms.toml"] = re.sub(r"(?m)^port = \d+", f"port = {mail_port}", files["alarms.toml"])
    files["alarms.toml"] = re.sub(r"(?m)^off_delay_s = \d+", "off_delay_s = 60", files["alarms.toml"])
    return files


def reached(config: Config, urls: dict[str, str], interval_s: float) -> Config:
    """The configuration with the lines of the simulated probes, polled so often."""
    lines = [replace(line, url=urls[line.probe], interval_s=interval_s) for line in config.lines]
    return replace(config, lines=tuple(lines))


def in_force(store: Store, files: dict[str, str], now_ns: int) -> Config:
    """The files applied as the first version."""
    version = actions.apply_setup(store, files, "Greta Holm", "first setup", "Ines Faber", now_ns)
    return load_texts(files, version=version)


def state(store: Store, key: str) -> AlarmState:
    """State of one alarm; normal when it was never evaluated."""
    return {a.key: a.state for a in attending.alarm_list(store)}.get(key, AlarmState.NORMAL)


def events(store: Store) -> list[object]:
    """Kinds of events in the journal."""
    return [e.what["event"] for e in store.journal.entries(kind="event")]


def test_drift_alarm_mail_acknowledgement(tmp_path: Path, mailbox: tuple[Mailbox, int]) -> None:
    """The heater sticks; the custodian gets a mail that says what to do, and acknowledges."""
    mails, port = mailbox[0].mails, mailbox[1]
    clock = FastClock()
    with (
        Store.open(tmp_path / "data", create=True, simulated=True) as store,
        store.lock_service(),
        TwinProcess(since_ns=START_NS, time_factor=FACTOR) as twin,
    ):
        config = reached(in_force(store, texts(port), START_NS), dict(twin.urls), 30.0)
        service = Service(store, config, clock=clock.wall_ns, judge_every_s=0.3, bus_clock=clock)
        service.start()
        try:
            assert until(lambda: len(store.readings.newest(ok=True)) == 13, 60), store.readings.newest()
            twin.drift()
            assert until(lambda: any("bay-temperature" in mail for mail in mails), 60), (
                state(store, "bay-temperature"), store.verdict_cache.live(), events(store)
            )  # fmt: skip
            assert state(store, "bay-temperature") is AlarmState.UNACKNOWLEDGED
            after = attending.acknowledge(
                store, "bay-temperature", "Greta Holm", "heater valve stuck", clock.wall_ns()
            )
            alive = heartbeat.read(tmp_path / "data") or {}
        finally:
            ended = service.stop()
        last = heartbeat.read(tmp_path / "data") or {}

        mail = next(mail for mail in mails if "bay-temperature" in mail)
        assert "SIMULATED" in mail
        assert "above the limit 20.50" in re.sub(r"=\r?\n", "", mail)
        assert after.state is AlarmState.ACKNOWLEDGED
        assert alive["stopped"] is False
        assert (last["stopped"], last["queue"], last["readings_lost"], ended) == (True, 0, 0, True)
        assert {"start", "stop"} <= set(events(store))
        assert not {"job-failed", "bus-error", "store-refused", "reading-refused"} & set(events(store))
        transitions = [(e.who, e.what["is"]) for e in store.journal.entries(kind="alarm")
                       if e.what["alarm"] == "bay-temperature"]  # fmt: skip
        assert transitions[:2] == [("service", "unacknowledged"), ("Greta Holm", "acknowledged")]


@pytest.mark.slow
def test_the_service_ends_by_a_signal_with_its_last_reading(tmp_path: Path) -> None:
    """SIGTERM: the lock is free, the journal says start and stop, what was polled is stored."""
    with TwinProcess() as twin:
        folder, data = tmp_path / "config", tmp_path / "data"
        for name, text in texts(25).items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(_with_urls(text, dict(twin.urls)), encoding="utf-8")
        command = [sys.executable, "-m", "logger.cli", "run", "--config", str(folder), "--data", str(data)]
        process = subprocess.Popen([*command, "--begin", "--who", "Greta Holm"])
        try:
            assert until(lambda: heartbeat.read(data) is not None, 60)
            assert until(lambda: _count(data) >= 13, 60)
        finally:
            process.send_signal(signal.SIGTERM)
            code = process.wait(60)

    with Store.open(data) as store, store.lock_service():
        assert code == 0
        assert [e for e in events(store) if e in {"start", "stop"}] == ["start", "stop"]
        assert [(v.version, v.who) for v in store.setups.versions()] == [(1, "Greta Holm")]
        assert store.verify().intact
    last = heartbeat.read(data)
    assert last is not None
    assert last["stopped"] is True


def test_an_outage_is_found_at_the_next_start(tmp_path: Path) -> None:
    """From the newest stored reading to the start: an event with both ends."""
    clock = FastClock()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        config = replace(in_force(store, texts(25), START_NS), lines=())
        _one_reading(store, START_NS - 2 * 3600 * NS)
        service = Service(store, config, clock=clock.wall_ns, bus_clock=clock)
        service.start()
        assert service.stop()

        outage = [e.what for e in store.journal.entries(kind="event") if e.what["event"] == "outage"]
        assert [o["from"] for o in outage] == ["2026-10-20T05:40:00Z"]
        assert 7200 <= int(str(outage[0]["seconds"])) < 7800


@pytest.mark.slow
def test_a_setup_that_was_applied_meanwhile_is_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process puts a version in force; the running service judges by it without a restart."""
    clock, begin = FastClock(), Bus.start
    files = texts(25)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        config = in_force(store, files, START_NS)
        service = Service(
            store, config, clock=clock.wall_ns, judge_every_s=0.05, bus_clock=clock,
            connected=lambda taken: replace(taken, mail=()),
        )  # fmt: skip
        service.start()
        lived: list[bool] = []

        def started(bus: Bus) -> None:
            lived.append(service.alive)  # between one line's thread and the next
            begin(bus)

        monkeypatch.setattr(Bus, "start", started)
        try:
            quiet = re.sub(r'url = "[^"]*"', 'url = "socket://127.0.0.1:9"', files["probes.toml"])
            changed = {**files, "probes.toml": quiet}
            actions.apply_setup(
                store, changed, "Greta Holm", "moved to a gateway", "Ines Faber", clock.wall_ns()
            )

            def taken_over() -> bool:
                lived.append(service.alive)
                return "setup-taken-over" in events(store)

            assert until(taken_over, 60)
        finally:
            assert service.stop()
        assert all(lived)
        assert service.config.setup.version == 2
        assert {line.url for line in service.config.lines} == {"socket://127.0.0.1:9"}
        assert service.config.mail == ()


def _with_urls(text: str, urls: dict[str, str]) -> str:
    """probes.toml with the lines of the simulated probes, polled each second."""
    for key, url in urls.items():
        text = re.sub(rf'(\[probes\.{key}\.connection\][^\[]*?url = )"[^"]*"', rf'\1"{url}"', text)
    return re.sub(r"sampling_interval_s = [\d.]+", "sampling_interval_s = 1.0", text)


def _count(data: Path) -> int:
    with Store.open(data) as store:
        return len(store.readings.newest(ok=True))


def _one_reading(store: Store, at_ns: int) -> None:
    store.append("poll", [Row("P1.temperature", at_ns, at_ns, 20.0)])
