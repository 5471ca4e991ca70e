"""The example's room with probes that send by themselves, an empty store, and a real broker."""

from __future__ import annotations

import os
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.model import Config, Line, Message, PushedLine
from tests.programs import program

NOW_NS = 1_793_000_000 * 10**9  # 2026-10-26T07:33:20Z
JSON = Message("json", "time", "clock")
NAMES = {"t": "P1.temperature", "rh": "P1.relative_humidity"}


def with_lines(config: Config, *lines: Line) -> Config:
    return replace(config, lines=lines)


@pytest.fixture
def config(example: Config) -> Config:
    """Node "annex" has the probe P1."""
    return with_lines(example, PushedLine("P1", "annex", NAMES, JSON))


class Broker:
    """Debian's mosquitto on a loopback port, with what it keeps in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self._file = folder / "mosquitto.conf"
        self._file.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nautosave_interval 1\nautosave_on_changes true\n"
        )
        if os.geteuid() == 0:  # else it lets go of its rights, and could keep nothing in our folder
            self._file.write_text(self._file.read_text() + "user root\n")
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        command = [program("mosquitto"), "-c", str(self._file)]
        self._process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 60
        while time.monotonic() < until:
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.2).close()
                return
            except OSError:
                time.sleep(0.02)
        raise AssertionError("mosquitto did not start")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(60)
            self._process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    built = Broker(folder)
    yield built
    built.stop()
