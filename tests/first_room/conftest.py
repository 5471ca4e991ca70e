"""A text probe on a socket, and answers of a person who sets up a first room."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ANSWER = "TEMP 20.05 C; HUM 47.0 %; N 17"


class _Probe(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        for line in self.rfile:
            if line.strip() == b"READ?":
                self.wfile.write(ANSWER.encode() + b"\r\n")


@pytest.fixture
def probe() -> Iterator[str]:
    """Address of a probe that answers READ? with a temperature, a humidity, a number that is neither."""

    class Server(socketserver.ThreadingTCPServer):
        allow_reuse_address = True
        daemon_threads = True

    with Server(("127.0.0.1", 0), _Probe) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"socket://127.0.0.1:{server.server_address[1]}"
        server.shutdown()


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder, which is where a new user begins."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def answers(probe: str) -> dict[str, str]:
    """A form filled in without a certificate."""
    return {
        "room": "Measuring room 2",
        "site": "Example works",
        "timezone": "Europe/Vienna",
        "size": "6 4 3",
        "zone": "Gear bay",
        "settling_h": "4",
        "lower": "19,5",
        "upper": "20.5",
        "span": "0.5",
        "basis": "machine specification, annex B",
        "position.P1": "Table",
        "medium.P1": "air",
        "xyz.P1": "2.1 / 1.4 / 1.0",
        "serial": "MG-0511",
        "address": probe,
        "ask": "READ?",
        "baud": "9600",
        "interval": "10",
        "line": ANSWER,
        "unit.v1": "degC",
        "unit.v2": "%RH",
        "unit.v3": "none",
        "certificate.P1.temperature": "none",
        "custodian": "Greta Holm",
        "mail": "",
        "action": "Stop measuring in Gear bay.",
        "alone": "no",
    }


@pytest.fixture
def certified(answers: dict[str, str]) -> dict[str, Any]:
    """The same with a certificate entered from the paper."""
    key = "P1.temperature"
    return answers | {
        f"certificate.{key}": "enter",
        f"number.{key}": "MG-0511-T",
        f"issuer.{key}": "Example laboratory",
        f"calibrated.{key}": "2026-03-02",
        f"due.{key}": "2027-03-02",
        f"points.{key}": "15,08 15,00 0,06; 25.02 25.00 0.06",
        f"drift.{key}": "0.05",
    }
