"""What systemd is told, and the unit file that is shipped."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.config import example_folder
from logger.errors import StoreError
from logger.service import Service, systemd
from logger.service.forwarder import Centre
from logger.service.node import Node
from logger.store import Store
from tests.programs import program

from .test_whole_service import START_NS, FastClock, in_force, texts, until

NOWHERE = Centre("http://127.0.0.1:9", "annex", "a token for this test alone")
UNIT = Path(__file__).parents[2] / "systemd" / "stillroom.service"


class Listener:
    """The other end of NOTIFY_SOCKET."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.settimeout(0.05)
        self.heard: list[str] = []

    def listen(self, seconds: float) -> list[str]:
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            try:
                self.heard.append(self._socket.recv(4096).decode())
            except TimeoutError:
                continue
        return self.heard

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def listener(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Listener]:
    item = Listener(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "600000")
    yield item
    item.close()


def test_nothing_is_said_where_nobody_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not systemd.notify("READY=1")
    monkeypatch.setenv("WATCHDOG_USEC", "60000000")
    assert systemd.watchdog_s() == 60
    monkeypatch.setenv("WATCHDOG_PID", "1")
    assert systemd.watchdog_s() is None


def test_ready_watchdog_and_stopping_are_told_in_order(tmp_path: Path, listener: Listener) -> None:
    clock = FastClock()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        service = Service(store, in_force(store, texts(25), START_NS), clock=clock.wall_ns, bus_clock=clock)
        service.start()
        fed = "WATCHDOG=1\nSTATUS=setup 1"
        assert until(lambda: sum(h.startswith(fed) for h in listener.listen(0.1)) >= 2, 60)
        assert service.stop()
    heard = listener.listen(0.2)
    assert heard.index("READY=1") < heard.index("STOPPING=1")


def test_a_writer_that_hangs_is_not_covered_for(
    tmp_path: Path, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watchdog is fed by progress alone: no row gets to the disk, no sign is given."""
    clock = FastClock()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        service = Service(store, in_force(store, texts(25), START_NS), clock=clock.wall_ns, bus_clock=clock)
        service.start()
        listener.listen(0.5)
        monkeypatch.setattr("logger.service.service.HANGS_AFTER_S", -1.0)
        listener.listen(0.3)
        listener.heard.clear()
        assert listener.listen(0.8) == []
        assert service.stop()


@pytest.mark.slow
@pytest.mark.parametrize("part", ["service", "node"])
def test_a_full_disk_is_waited_out_and_not_begun_anew(
    tmp_path: Path, listener: Listener, monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    """A restart would lose what memory holds; the heartbeat stops, so that it is noticed outside."""
    clock, full = FastClock(), threading.Event()
    append = Store.append

    def refuse(store: Store, *rows: Any) -> Any:
        if full.is_set():
            raise StoreError("database or disk is full") from OSError(28, "No space left on device")
        return append(store, *rows)

    monkeypatch.setattr(Store, "append", refuse)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        config = in_force(store, texts(25), START_NS)
        more = {"clock": clock.wall_ns, "bus_clock": clock}
        item = Service(store, config, **more) if part == "service" else Node(store, config, NOWHERE, **more)
        full.set()
        item.start()
        assert until(lambda: item.status()["store_trouble"] and int(str(item.status()["queue"])) > 0, 60)
        item._writer.passed_s -= 1000.0  # as after a quarter of an hour
        listener.listen(0.5)  # what was told before
        (store.folder / "heartbeat").unlink(missing_ok=True)
        listener.heard.clear()
        listener.listen(1.0)
        assert sum(heard.startswith("WATCHDOG=1") for heard in listener.heard) >= 2
        assert not (store.folder / "heartbeat").exists()
        waited = int(str(item.status()["queue"]))
        full.clear()
        assert until(lambda: item.status()["store_trouble"] == "", 60)
        assert item.stop()
        assert len(store.readings.arrived_after(0)[0]) >= waited > 0


def test_the_unit_is_sound_and_hardened(tmp_path: Path) -> None:
    """Checked by systemd itself, with this environment's program in the place of the installed one."""
    analyze = program("systemd-analyze")
    installed = Path(sys.executable).with_name("stillroom")
    unit = tmp_path / "stillroom.service"
    unit.write_text(UNIT.read_text().replace("/opt/stillroom/bin/stillroom", str(installed)))
    result = subprocess.run([analyze, "verify", str(unit)], capture_output=True, text=True, check=False)
    assert (result.returncode, result.stderr) == (0, "")
    outcome = subprocess.run(
        [analyze, "security", "--offline=yes", "--threshold=25", str(unit)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert outcome.returncode == 0, outcome.stdout[-400:]


@pytest.mark.slow
def test_sighup_proposes_changed_files_and_refuses_faulty_ones_whole(tmp_path: Path) -> None:
    """The running service goes on under what is in force."""
    folder, data = tmp_path / "config", tmp_path / "data"
    shutil.copytree(example_folder(), folder)
    room = folder / "room.toml"
    command = [sys.executable, "-m", "logger.cli", "run", "--config", str(folder), "--data", str(data)]
    process = subprocess.Popen(
        [*command, "--begin", "--who", "Greta Holm"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        assert "Reading" in process.stdout.readline()
        room.write_text(room.read_text().replace('name = "Machine bay"', 'nmae = "Machine bay"'))
        os.kill(process.pid, signal.SIGHUP)
        assert "was rejected" in process.stdout.readline()
        room.write_text(room.read_text().replace('nmae = "Machine bay"', 'name = "Large machine bay"'))
        os.kill(process.pid, signal.SIGHUP)
        assert "proposed as version 2" in process.stdout.readline()
    finally:
        process.terminate()
        assert process.wait(60) == 0
        process.stdout.close()
    with Store.open(data) as store:
        events = [e.what for e in store.journal.entries(kind="event") if e.what["event"] == "config-reload"]
        assert any("nmae" in str(fault) for fault in events[0]["faults"])
        assert [p.state for p in store.setups.proposals()] == ["waiting"]
        assert len(store.setups.versions()) == 1
        assert store.verify().intact
