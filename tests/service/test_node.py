"""A node and its centre: whatever the line does, everything arrives once and in order."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from logger.config import example_folder, load_texts, read_texts
from logger.errors import Refused
from logger.instants import NS
from logger.model import Config, PushedLine, Row
from logger.service.forwarder import Centre, Forwarder
from logger.service.incoming import take_rows
from logger.service.node import Node
from logger.simulation.process import TwinProcess
from logger.store import Store

from .test_whole_service import FastClock, until

TOKEN = "a token for this test alone"


class Door:
    """An HTTP server in front of the storing side, that can be away, refuse, and lose answers."""

    def __init__(self, store: Store, config: Config) -> None:
        self.mode = "open"
        self.batches = 0
        self.lost = 0
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                outer.batches += 1
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                if self.headers["Authorization"] != f"Bearer {TOKEN}":
                    self.send_error(401)
                    return
                if outer.mode == "busy":
                    self.send_error(503)
                    return
                node = self.path.split("/")[4]
                reply = take_rows(store, config, node, body["record"], body["first"], body["rows"])
                if outer.mode == "cut" and outer.batches % 2:
                    outer.lost += 1
                    self.close_connection = True  # stored, and the answer never comes
                    return
                answer = json.dumps({"next": reply}).encode()
                self.send_response(200)
                self.send_header("Content-Length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, *_: Any) -> None: ...

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


@pytest.fixture
def config() -> Config:
    loaded = load_texts(read_texts(example_folder()))
    names = {"t": "P1.temperature"}
    return replace(loaded, lines=(PushedLine("P1", "annex", names),))


@pytest.fixture
def centre(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "centre", create=True, simulated=True) as store:
        yield store


@pytest.fixture
def annex(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "annex", create=True, simulated=True) as store:
        yield store


@pytest.fixture
def door(centre: Store, config: Config) -> Iterator[Door]:
    item = Door(centre, config)
    yield item
    item.close()


def rows(first: int, count: int) -> list[Row]:
    return [
        Row(
            "P1.temperature",
            n * NS,
            n * NS,
            None if n % 7 == 0 else n / 100,
            "timeout" if n % 7 == 0 else "ok",
        )
        for n in range(first, first + count)
    ]


class Hand:
    """A clock that a test moves, so that no pause is waited for."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Sends(Forwarder):
    """Two minutes pass before each turn."""

    def __init__(self, annex: Store, door: Door, token: str = TOKEN) -> None:
        self.hand = Hand()
        super().__init__(annex, Centre(door.url, "annex", token), self.hand)

    def later(self) -> int:
        self.hand.now_s += 120.0
        return self.turn()


def forwarder(annex: Store, door: Door) -> Sends:
    return Sends(annex, door)


@pytest.mark.slow
def test_everything_arrives_once_though_the_centre_is_away_busy_and_loses_answers(
    annex: Store, centre: Store, door: Door
) -> None:
    """A phase of 503, and a phase in which half of the answers are lost after the commit."""
    sends = forwarder(annex, door)
    for number in range(8):
        annex.append("poll", rows(1 + 500 * number, 500))
        door.mode = ("open", "busy", "cut", "open")[number % 4]
        sends.later()
    door.mode = "open"
    for _ in range(5):
        sends.later()
    assert sends.waiting == 0
    assert door.lost > 0
    mine, theirs = (store.readings.columns("P1.temperature", 0, 2**62) for store in (annex, centre))
    assert len(theirs) == 4000
    for name in ("taken_ns", "received_ns", "status", "seq"):
        assert getattr(mine, name).tolist() == getattr(theirs, name).tolist()
    assert [str(v) for v in mine.value] == [str(v) for v in theirs.value]
    assert centre.verify().intact


def test_a_node_that_is_started_again_goes_on_where_the_centre_is(
    annex: Store, centre: Store, door: Door
) -> None:
    annex.append("poll", rows(1, 1200))
    assert forwarder(annex, door).later() == 1200
    annex.append("poll", rows(1201, 30))
    again = forwarder(annex, door)
    assert again.later() == 30
    assert door.batches == 1 + 3 + 1 + 1


def test_a_centre_that_was_put_back_gets_again_what_it_lost(
    annex: Store, centre: Store, door: Door, config: Config, tmp_path: Path
) -> None:
    annex.append("poll", rows(1, 100))
    sends = forwarder(annex, door)
    sends.later()
    with Store.open(tmp_path / "put-back", create=True, simulated=True) as older:
        take_rows(older, config, "annex", annex.key, 1, [])
        other = Door(older, config)
        annex.append("poll", rows(101, 1))
        forwarder(annex, other).later()
        assert len(older.readings.columns("P1.temperature", 0, 2**62)) == 101
        other.close()


def test_a_node_that_was_put_back_says_so_and_sends_nothing(
    annex: Store, centre: Store, door: Door, config: Config
) -> None:
    annex.append("poll", rows(1, 10))
    from logger.service.forwarder import fields

    take_rows(centre, config, "annex", annex.key, 1, [fields(row) for row in rows(1, 50)])
    sends = forwarder(annex, door)
    assert sends.later() == 0
    assert "the centre has 50 rows of this node and this record only 10" in sends.trouble


def test_a_wrong_token_is_told_and_nothing_is_lost(annex: Store, centre: Store, door: Door) -> None:
    annex.append("poll", rows(1, 10))
    sends = Sends(annex, door, "wrong")
    assert sends.later() == 0
    assert sends.trouble.startswith("401")
    assert sends.waiting == 10
    with pytest.raises(Refused, match="Address of the centre: expected"):
        Centre("room.example:8060", "annex")


@pytest.mark.slow
def test_a_whole_node_reads_stores_and_sends(annex: Store, centre: Store, door: Door, config: Config) -> None:
    """Simulated probes behind real lines; what the node stored while the centre was away arrives later."""
    clock = FastClock()
    example = load_texts(read_texts(example_folder()))
    with TwinProcess() as twin:
        lines = tuple(
            replace(line, url=twin.urls["P1"], interval_s=10.0)
            for line in example.lines
            if line.probe == "P1"
        )  # type: ignore[call-arg]
        both = PushedLine("P1", "annex", {"t": "P1.temperature", "rh": "P1.relative_humidity"})
        door.close()
        open_ = Door(centre, replace(config, lines=(both,)))
        open_.mode = "busy"
        node = Node(
            annex, replace(example, lines=lines), Centre(open_.url, "annex", TOKEN),
            clock=clock.wall_ns, bus_clock=clock, send_every_s=0.1,
        )  # fmt: skip
        node.start()
        assert until(lambda: len(annex.readings.columns("P1.temperature", 0, 2**62)) >= 3, 60)
        assert centre.readings.channels() == []
        assert node.status()["not_sent"]
        open_.mode = "open"
        assert until(lambda: len(centre.readings.read("P1.temperature", 0, 2**62)) >= 5, 60)
        assert node.stop()
        open_.close()
    events = [e.what["event"] for e in annex.journal.entries(kind="event")]
    assert events[0] == "start"
    assert events[-1] == "stop"
    assert annex.verify().intact
    assert centre.verify().intact


def test_a_node_hands_over_to_the_interface_as_it_is_served(
    annex: Store, centre: Store, config: Config
) -> None:
    """The real routes with a real token behind a real server; a token without the right is told so."""
    from waitress import create_server

    from logger.acts.inspections import apply_setup
    from logger.api import create_api
    from logger.model.roles import Scope
    from logger.people import Tokens

    texts = dict(read_texts(example_folder()))
    before, _, after = texts["probes.toml"].partition("[probes.P1.connection]\n")
    pushed = 'kind = "push"\nnode = "annex"\nvalues = { t = "temperature" }\n\n'
    texts["probes.toml"] = f"{before}[probes.P1.connection]\n{pushed}{after[after.index('[probes.P2]') :]}"
    apply_setup(centre, texts, "test", "test", "test", 1)
    tokens = Tokens(centre)
    server = create_server(create_api(centre), host="127.0.0.1", port=0, threads=2)
    serving = threading.Thread(target=server.run, daemon=True)
    serving.start()
    url = f"http://127.0.0.1:{server.effective_port}"
    annex.append("poll", rows(1, 1200))
    wrong = Forwarder(annex, Centre(url, "annex", tokens.add("annex", {Scope.HEALTH}, "test")[1]))
    assert wrong.turn() == 0
    assert wrong.trouble.startswith("403")
    sends = Forwarder(annex, Centre(url, "annex", tokens.add("annex", {Scope.READINGS}, "test")[1]))
    assert sends.turn() == 1200
    assert sends.turn() == 0
    assert len(centre.readings.columns("P1.temperature", 0, 2**62)) == 1200
    assert centre.verify().intact
    server.close()
    serving.join(60)
