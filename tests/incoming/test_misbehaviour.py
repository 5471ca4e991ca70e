"""What a probe, its clock or a broker does wrong over MQTT and HTTP: a sentence, never a wrong value.

Whatever one message says, the next one of the same broker is stored.
"""

from __future__ import annotations

import json
import math
import time
from typing import Any

import pytest

from logger.errors import Refused
from logger.model import Config, Message
from logger.service.incoming import push
from logger.store import Store

from .conftest import NOW_NS, Broker
from .test_mqtt import Sender, Taker, sender, topic, until, values

__all__ = ["sender"]  # a fixture
SENML = Message("senml")


def _body(**more: Any) -> bytes:
    return json.dumps({"time": time.time() - 1, "t": 19.0, "rh": 45.0, **more}).encode()


BAD_CLOCKS = ["9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z", "2300-01-01T00:00:00Z"]


@pytest.mark.parametrize("clock", BAD_CLOCKS)
def test_a_clock_of_another_age_is_refused_over_http(store: Store, config: Config, clock: str) -> None:
    """Instants are counted in 64 bits of nanoseconds since 1970, 1677 to 2262."""
    for name in ({"clock": clock}, {"clock": clock, "time": clock}, {"time": clock}):
        body = json.dumps({"time": NOW_NS / 1e9, "t": 20.0, "rh": 45.0, **name}).encode()
        with pytest.raises(Refused, match=r"clock: expected a clock|before the year 2000|30 s in the"):
            push(store, config, "annex", 1, body, NOW_NS)
    assert store.verify().intact


BODIES = {
    "a clock of the year 9999": _body(clock=BAD_CLOCKS[0], time=BAD_CLOCKS[0]),
    "a clock of the year 1": _body(clock=BAD_CLOCKS[1]),
    "a time years ahead": _body(time=time.time() + 1e8),
    "a time before 2000": _body(time=5e8),
    "a number beyond an integer": b'{"time": 1793000000, "t": ' + b"9" * 5000 + b', "rh": 45}',
    "a lone surrogate": b'{"time": "\\ud800", "t": 20, "rh": 45}',
    "nothing": b"",
    "a NUL": b"\x00",
    "larger than a message may be": _body(pad="x" * 10_000_000),
}


@pytest.mark.slow
def test_no_message_holds_up_the_next_one(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    taker = Taker(store, config, topic(broker))
    running = taker.running()
    for n, body in enumerate(BODIES.values()):
        sender._client.publish("room/p1", body, qos=n % 3).wait_for_publish(60)
    sender._client.publish("room/p2", _body(), qos=1).wait_for_publish(60)  # a topic of nobody
    sender.say(3)
    assert until(lambda: 20.03 in values(store), 20)
    assert running.connected
    assert running.stop()
    assert [value for value in values(store) if not math.isnan(value)] == [20.03]
    assert not [what for kind, what in taker.events if kind == "broker-lost"]
    whys = [what["why"] for kind, what in taker.events if kind == "message-refused"]
    # The number beyond a double is a fault in the record; the broker itself keeps back what is too large.
    assert len(whys) == len(BODIES) - 2, whys
    assert store.verify().intact


@pytest.mark.slow
def test_a_text_in_the_place_of_a_number_is_a_fault_and_a_foreign_unit_no_value(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    odd = ["20.0", True, 1e400, None, [20.0], {"v": 20}]
    running = Taker(store, config, topic(broker)).running()
    for n, value in enumerate(odd):
        sender._client.publish("room/p1", _body(t=value, time=time.time() - 50 + n), qos=1)
    assert until(lambda: len(store.readings.columns("P1.temperature", 0, 2**62)) == len(odd))
    assert running.stop()
    assert all(math.isnan(value) for value in values(store))
    taker = Taker(store, config, topic(broker, SENML))
    running = taker.running()
    sender._client.publish("room/p1", b'[{"n":"t","u":"K","v":293.15}]', qos=1)
    sender._client.publish("room/p1", b'[{"n":"t","u":"Cel","v":20.04}]', qos=1)
    assert until(lambda: 20.04 in values(store))
    assert running.stop()
    assert 293.15 not in values(store)
    assert "expected degC" in str(taker.events)


@pytest.mark.slow
def test_a_message_without_a_receipt_does_not_cost_the_connection(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    """A receipt for what has no number breaks the protocol (MQTT 5, 2.2.1): a broker may hang up."""
    taker = Taker(store, config, topic(broker))
    running = taker.running()
    for n in range(1, 4):
        body = _body(t=20.0 + n / 100, time=time.time() - 50 + n)
        sender._client.publish("room/p1", body, qos=0)
        assert until(lambda n=n: len(values(store)) == n, 10)
    time.sleep(0.5)
    assert running.connected
    assert running.stop()
    assert not [kind for kind, _ in taker.events if kind == "broker-lost"]
