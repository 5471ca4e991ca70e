"""`stillroom demo` as a person starts it: the whole job live, with real lines, and nothing left behind."""

from __future__ import annotations

import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="stops the demo by SIGTERM, which Windows lacks"
)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def until(what: Callable[[], Any], seconds: float, failed: str) -> Any:
    """Wait for something to become true, for at most that long."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        result = what()
        if result:
            return result
        time.sleep(0.2)
    pytest.fail(failed)


def children(pid: int) -> list[int]:
    """Processes that a process started."""
    files = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(child) for file in files for child in file.read_text().split()]


def alive(pids: list[int]) -> list[int]:
    """Those that still run; a finished one that nobody has asked about yet does not."""
    stats = [Path(f"/proc/{pid}/stat") for pid in pids]
    return [
        int(s.parent.name) for s in stats if s.exists() and s.read_text().rpartition(")")[2].split()[0] != "Z"
    ]


class Demo:
    """A running demo, its output and its address."""

    def __init__(self, data: Path, *more: str) -> None:
        self.data, self.port = data, free_port()
        self.log = data.with_suffix(".log")
        command = [sys.executable, "-m", "logger.cli", "demo", "--no-browser", "--data", str(data)]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [*command, "--port", str(self.port), *more], stdout=log, stderr=subprocess.STDOUT
            )

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def output(self) -> str:
        return self.log.read_text("utf-8")

    def started(self) -> bool:
        assert self.process.poll() is None, self.output()
        return self.address in self.output()

    def polled(self) -> int:
        """Channels with a reading that came over a line and has a value."""
        query = (
            "SELECT count(DISTINCT r.channel) FROM reading r JOIN name n ON n.id = r.source "
            "WHERE n.text = 'poll' AND r.status = 0"
        )
        db = sqlite3.connect(self.data / "stillroom.db", timeout=10)
        try:
            return int(db.execute(query).fetchone()[0])
        finally:
            db.close()


@pytest.fixture
def demo(demo_copy: Path) -> Iterator[Demo]:
    running = Demo(demo_copy)
    try:
        until(running.started, 90, "the demo did not come up")
        yield running
    finally:
        running.process.kill()
        running.process.wait()


@pytest.mark.slow
def test_the_demo_polls_shows_and_stops_without_leaving_anything(demo: Demo, installed: Any) -> None:
    imported = re.search(r"Imported machine-bay\.csv: (\d+) ", demo.output())
    assert imported, demo.output()
    # 54 h of six channels; a poll comes some seconds early or late, so either end may hold one more or less.
    assert abs(int(imported.group(1)) - 54 * 60 * 6) <= 6, "what the loggers held up to now"
    with urllib.request.urlopen(demo.address, timeout=10) as page:  # noqa: S310 (our own address)
        assert page.status == 200
    # All 13 channels by serial lines: pseudo-terminals on this system.
    until(lambda: demo.polled() == 13, 60, "not every probe was read")
    second = installed("run", "--data", demo.data)
    assert second.returncode == 3
    assert str(demo.process.pid) in second.stderr
    started = children(demo.process.pid)
    demo.process.send_signal(signal.SIGTERM)
    assert demo.process.wait(60) == 0, demo.output()
    assert demo.output().rstrip().endswith("The demo has stopped.")
    until(lambda: not alive(started), 5, "a process was left behind")
    with socket.create_server(("127.0.0.1", demo.port)):
        pass
    assert installed("verify", "--data", demo.data).returncode == 0


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks for left processes in /proc")
def test_a_killed_demo_leaves_no_process(demo: Demo) -> None:
    started = children(demo.process.pid)
    assert len(alive(started)) >= 2, "the pages and the probes; a reader of files may be there, too"
    demo.process.kill()
    until(lambda: not alive(started), 10, "the pages or the probes outlived the demo")


@pytest.mark.long
def test_the_alert_arrives_at_a_mail_server_when_the_room_drifts(demo_copy: Path) -> None:
    from aiosmtpd.controller import Controller

    letters: list[str] = []

    class Inbox:
        async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:
            letters.append(envelope.content.decode())
            return "250 OK"

    mail = free_port()
    server = Controller(Inbox(), hostname="127.0.0.1", port=mail)
    server.start()
    running = Demo(demo_copy, "--drift", "--mail-port", str(mail))
    try:
        begin = time.monotonic()
        until(lambda: letters, 600, "no letter in ten minutes")
        print(f"the letter arrived {time.monotonic() - begin:.0f} s after the start of the demo")
        assert "Simulated" in letters[0] or "SIMULATED" in letters[0]
        assert "Stop measuring on the machine." in letters[0]
    finally:
        running.process.send_signal(signal.SIGTERM)
        running.process.wait(60)
        server.stop()
