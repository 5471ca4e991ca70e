"""Verdicts at a broker of another make (mosquitto): retained, with an end, and a will for what dies."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from logger.config import load_texts
from logger.errors import ConfigError
from logger.instants import NS, rfc3339
from logger.model import PublishPlan
from logger.service.publisher import Publisher
from logger.verdicts.zone_state import ZoneState
from tests.incoming.conftest import Broker, broker

__all__ = ["broker"]
TOPIC, STATE = "stillroom/room-east/zones/bay/verdict", "stillroom/room-east/state"
ROOT = Path(__file__).resolve().parents[2]


class Lamp:
    """A subscriber that knows nothing of us."""

    def __init__(self, broker: Broker) -> None:
        self.messages: queue.SimpleQueue[tuple[str, str, bool, int | None]] = queue.SimpleQueue()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_message = self._take
        self._client.on_connect = lambda client, *_: client.subscribe("stillroom/#", qos=1)
        hears = threading.Event()
        self._client.on_subscribe = lambda *_: hears.set()
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert hears.wait(60)

    def _take(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        left_s = getattr(message.properties, "MessageExpiryInterval", None)
        self.messages.put((message.topic, message.payload.decode(), message.retain, left_s))

    def next(self, topic: str = TOPIC, timeout_s: float = 60.0) -> tuple[str, bool, int | None]:
        """The next message on a topic: text, whether it was retained, seconds until it goes."""
        deadline = time.monotonic() + timeout_s
        while True:
            name, text, retained, left_s = self.messages.get(timeout=max(0.01, deadline - time.monotonic()))
            if name == topic:
                return text, retained, left_s

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def lamp(broker: Broker) -> Iterator[Callable[[], Lamp]]:
    lamps: list[Lamp] = []

    def listen() -> Lamp:
        lamps.append(Lamp(broker))
        return lamps[-1]

    yield listen
    for item in lamps:
        item.close()


@pytest.fixture
def publisher(broker: Broker) -> Iterator[Publisher]:
    sender = Publisher(
        PublishPlan(broker.url, "stillroom/room-east", keeps_s=180), "room-east", lambda *_: None
    )
    sender.start()
    until(lambda: sender.connected)
    yield sender
    sender.stop()


def until(holds: Callable[[], object]) -> None:
    deadline = time.monotonic() + 60
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def state(verdict: str = "stable", judged_ns: int | None = None) -> ZoneState:
    at = rfc3339(judged_ns or time.time_ns() // NS * NS)
    return ZoneState("bay", "Bay", verdict, "conforming", f"Bay is {verdict}.", at, at, provisional=True)


def test_each_change_is_told_with_its_end(publisher: Publisher, lamp: Callable[[], Lamp]) -> None:
    """Retained for who comes later, with a message expiry (MQTT 5, 3.3.2.3.3); the text says the same end."""
    early = lamp()
    assert early.next(STATE)[0] == "running"
    zone_state = state()
    publisher.publish([zone_state], time.time_ns())
    text, _, left_s = early.next()
    message = json.loads(text)
    assert (message["verdict"], message["zone"]) == ("stable", "bay")
    assert message["valid_until"] == rfc3339(_ns(zone_state) + 180 * NS)
    assert left_s is not None
    assert 0 < left_s <= 180
    publisher.publish([replace(zone_state, verdict="not stable")], time.time_ns())
    assert json.loads(early.next()[0])["verdict"] == "not stable"
    text, retained, _ = lamp().next()
    assert (json.loads(text)["verdict"], retained) == ("not stable", True)


def _ns(state: ZoneState) -> int:
    from datetime import datetime

    return int(datetime.fromisoformat(str(state.judged_until)).timestamp()) * NS


def test_the_same_is_told_again_before_it_vanishes(publisher: Publisher, lamp: Callable[[], Lamp]) -> None:
    listener, zone_state, now_ns = lamp(), state(), time.time_ns()
    publisher.publish([zone_state], now_ns)
    publisher.publish([zone_state], now_ns + NS)  # nothing new
    publisher.publish([zone_state], now_ns + 31 * NS)
    publisher.publish([replace(zone_state, verdict="not shown")], now_ns + 32 * NS)
    assert [json.loads(listener.next()[0])["verdict"] for _ in range(3)] == ["stable", "stable", "not shown"]


def test_a_verdict_that_nobody_renews_vanishes(broker: Broker, lamp: Callable[[], Lamp]) -> None:
    """Who subscribes after the expiry finds none, whatever became of the publisher."""
    plan = PublishPlan(broker.url, "stillroom/room-east", keeps_s=1)  # less than a setup may say
    sender = Publisher(plan, "room-east", lambda *_: None)
    sender.start()
    until(lambda: sender.connected)
    witness = lamp()
    sender.publish([state()], time.time_ns())
    witness.next()
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        late = lamp()
        late.next(STATE)
        try:
            late.next(timeout_s=0.5)
        except queue.Empty:
            break
    else:
        pytest.fail("the verdict stayed")
    sender.stop()


def test_a_broker_that_comes_back_is_told_the_newest(
    broker: Broker, publisher: Publisher, lamp: Callable[[], Lamp]
) -> None:
    """While it is away nothing waits; once it is back it has the newest state and no older one."""
    publisher.publish([state("stable")], time.time_ns())
    broker.stop()
    until(lambda: not publisher.connected)
    begun = time.monotonic()
    publisher.publish([state("not stable")], time.time_ns())
    publisher.publish([state("not shown")], time.time_ns())
    assert time.monotonic() - begun < 60  # it does not wait for the broker
    broker.start()
    until(lambda: publisher.connected)
    listener = lamp()
    while json.loads(listener.next()[0])["verdict"] != "not shown":
        pass
    assert lamp().next(STATE)[0] == "running"


def test_who_stops_takes_its_verdicts_along(publisher: Publisher, lamp: Callable[[], Lamp]) -> None:
    publisher.publish([state()], time.time_ns())
    listener = lamp()
    listener.next()
    publisher.stop()
    while listener.next(STATE)[0] != "stopped":
        pass
    late = lamp()
    assert late.next(STATE)[0] == "stopped"
    with pytest.raises(queue.Empty):
        late.next(timeout_s=0.5)


PROGRAM = """
import sys, time
from logger.instants import rfc3339
from logger.model import PublishPlan
from logger.service.publisher import Publisher
from logger.verdicts.zone_state import ZoneState
made = Publisher(PublishPlan(sys.argv[1], "stillroom/room-east"), "room-east", lambda *_: None)
made.start()
while True:
    at = rfc3339(time.time_ns())
    made.publish([ZoneState("bay", "Bay", "stable", "conforming", "", at, at, True)], time.time_ns())
    time.sleep(0.1)
"""


@pytest.mark.slow
def test_the_broker_says_gone_when_the_program_is_killed(broker: Broker, lamp: Callable[[], Lamp]) -> None:
    """kill -9: no word of its own, and the last will (MQTT 5, 3.1.2.5) tells whoever listens."""
    program = subprocess.Popen([sys.executable, "-P", "-c", PROGRAM, broker.url], cwd=ROOT)
    try:
        listener = lamp()
        while listener.next(STATE)[0] != "running":
            pass
        listener.next()
        os.kill(program.pid, signal.SIGKILL)
        while listener.next(STATE)[0] != "gone":
            pass
        assert lamp().next(STATE)[:2] == ("gone", True)
    finally:
        program.kill()
        program.wait(60)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"\x20\x02\x00\x01", "protocol version: it does not speak MQTT 5"),
        (b"", "MQTT 5 is needed"),
        (None, "MQTT 5 is needed"),
    ],
    ids=["says so", "hangs up", "says nothing"],
)
def test_a_broker_without_mqtt_5_is_named_once_in_a_sentence(
    answer: bytes | None, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer is that of MQTT 3.1.1, 3.2.2.3, table 3.1; amqtt 0.12 says nothing (tried)."""
    monkeypatch.setattr("logger.service.publisher.ANSWERS_IN_S", 1.0)
    events: list[tuple[str, str]] = []
    with socket.create_server(("127.0.0.1", 0)) as old:
        old.settimeout(0.2)
        plan = PublishPlan(f"mqtt://127.0.0.1:{old.getsockname()[1]}", "stillroom/room-east")
        sender = Publisher(plan, "old", lambda kind, what: events.append((kind, str(what["reason"]))))
        sender.start()
        for _ in range(2):  # tried again, and not told again
            deadline = time.monotonic() + 60
            while True:
                with contextlib.suppress(TimeoutError):
                    peer, _ = old.accept()
                    break
                assert time.monotonic() < deadline
            with peer:
                peer.settimeout(60)
                assert peer.recv(1000)[:1] == b"\x10"  # CONNECT
                if answer is None:
                    assert peer.recv(1000)[:1] in (b"\xe0", b"")  # DISCONNECT
                else:
                    peer.sendall(answer)
        deadline = time.monotonic() + 60
        while not events and time.monotonic() < deadline:
            time.sleep(0.05)
        sender.stop()
    assert [kind for kind, _ in events] == ["broker-refuses"]
    assert words in events[0][1]
    assert "would outlive us" in sender.why


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ('url = "http://broker"\nprefix = "room"', "url"),
        ('url = "mqtt://broker"\nprefix = "room/#"', "prefix"),
        ('url = "mqtt://broker"\nprefix = "/room"', "prefix"),
        ('url = "mqtt://broker"', "prefix"),
        ('url = "mqtt://broker"\nprefix = "room"\nkeeps_s = 10', "keeps_s"),
    ],
)
def test_a_faulty_table_is_named(line: str, expected: str) -> None:
    from logger.config import example_folder, read_texts

    texts = {**read_texts(example_folder()), "service.toml": f"[publish]\n{line}\n"}
    with pytest.raises(ConfigError, match=rf"service.toml.*\[publish\].* {expected}"):
        load_texts(texts)
