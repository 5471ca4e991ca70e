"""Signs of life to the outside: given while all parts move, and not when they do not."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from logger.model import Heartbeat
from logger.service import Service, heartbeat
from logger.store import Store

from .test_whole_service import START_NS, FastClock, in_force, texts, until

HEARD: list[dict[str, Any]] = []


class Watcher(BaseHTTPRequestHandler):
    """Somebody outside."""

    def do_POST(self) -> None:
        HEARD.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_: Any) -> None: ...


@pytest.fixture
def url() -> Iterator[str]:
    HEARD.clear()
    server = ThreadingHTTPServer(("127.0.0.1", 0), Watcher)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    yield f"http://127.0.0.1:{server.server_address[1]}/room"
    server.shutdown()
    server.server_close()


def falls_silent() -> bool:
    """Whether nothing comes for five of its periods."""
    count = len(HEARD)
    time.sleep(1.0)
    return len(HEARD) == count


@pytest.mark.slow
def test_those_outside_hear_that_it_runs_until_it_does_not(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, file = FastClock(), tmp_path / "watch" / "room.json"
    file.parent.mkdir()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        config = replace(in_force(store, texts(25), START_NS), heartbeat=Heartbeat(url, str(file), 0.2))
        service = Service(store, config, clock=clock.wall_ns, bus_clock=clock)
        service.start()
        assert until(lambda: len(HEARD) >= 2, 60)
        assert HEARD[0]["setup"] == 1
        assert {"buses", "brokers", "clock", "clock_synchronised", "queue"} <= HEARD[0].keys()
        assert heartbeat.read(file.parent) is None
        assert json.loads(file.read_text())["pid"] == HEARD[0]["pid"]
        monkeypatch.setattr("logger.service.service.HANGS_AFTER_S", -1.0)
        assert until(falls_silent, 60)
        assert service.stop()


def test_a_watcher_that_is_away_is_an_event_and_nothing_else(tmp_path: Path) -> None:
    clock = FastClock()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        away = Heartbeat("http://127.0.0.1:9/", "", 0.2)
        config = replace(in_force(store, texts(25), START_NS), heartbeat=away, lines=())
        service = Service(store, config, clock=clock.wall_ns, bus_clock=clock)
        service.start()
        assert until(lambda: service.status()["failing"], 60)
        assert service.alive
        assert service.stop()
        events = [e.what for e in store.journal.entries(kind="event") if e.what["event"] == "job-failed"]
        assert [what["job"] for what in events] == ["heartbeat outside"]
