"""MQTT against a broker of another make: sessions that are kept, restarts, retained and repeated messages."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from logger.errors import StoreError
from logger.model import Config, Message, MqttTopic
from logger.probes.mqtt import BrokerMessage, Subscriber, subscribers
from logger.service.incoming import store_messages
from logger.store import Store

from .conftest import JSON, NAMES, Broker, with_lines


def until(holds: Callable[[], object], within_s: float = 60.0) -> bool:
    deadline = time.monotonic() + within_s
    while not holds() and time.monotonic() < deadline:
        time.sleep(0.02)
    return bool(holds())


class Sender:
    """A probe: publishes with QoS 1 and waits until the broker has it."""

    def __init__(self, broker: Broker) -> None:
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def say(self, n: int, retain: bool = False, topic: str = "room/p1", **more: object) -> None:
        body = {"time": time.time() - 100 + n, "t": 20.0 + n / 100, "rh": 45.0, **more}
        self._client.publish(topic, json.dumps(body), qos=1, retain=retain).wait_for_publish(60)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def sender(broker: Broker) -> Iterator[Sender]:
    built = Sender(broker)
    yield built
    built.close()


class Taker:
    """The storing side, which can refuse for a while."""

    def __init__(self, store: Store, config: Config, topic: MqttTopic) -> None:
        self._store, self._config = store, with_lines(config, topic)
        self.refuses = False
        self.events: list[tuple[str, Any]] = []
        self.turns = 0
        (self.subscriber,) = subscribers([topic], store.key, self.take, lambda *e: self.events.append(e))
        self.subscribed = 0  # how often the broker confirmed: what is published before is nobody's
        self.subscriber._client.on_subscribe = self._confirmed

    def _confirmed(self, *_: object) -> None:
        self.subscribed += 1

    def take(self, messages: Sequence[BrokerMessage]) -> None:
        self.turns += 1
        if self.refuses:
            raise StoreError("the disk is full")
        store_messages(self._store, self._config, messages, lambda *e: self.events.append(e))

    def running(self) -> Subscriber:
        self.subscriber.start()
        assert until(lambda: self.subscribed)
        return self.subscriber


def topic(broker: Broker, message: Message = JSON) -> MqttTopic:
    return MqttTopic("P1", broker.url, "room/p1", NAMES, message)


def values(store: Store) -> list[float]:
    return sorted(store.readings.read("P1.temperature", 0, 2**62).value.tolist())


def test_what_is_published_is_stored_also_what_came_while_we_were_away(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    first = Taker(store, config, topic(broker)).running()
    sender.say(1)
    assert until(lambda: values(store) == [20.01])
    assert first.stop()
    for n in range(2, 6):
        sender.say(n)
    second = Taker(store, config, topic(broker)).running()
    assert until(lambda: len(values(store)) == 5)
    assert values(store) == [20.01, 20.02, 20.03, 20.04, 20.05]
    assert second.stop()
    assert store.verify().intact


def test_a_retained_message_is_never_a_new_reading(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    sender.say(1, retain=True)
    taker = Taker(store, config, topic(broker))
    running = taker.running()
    sender.say(2)
    assert until(lambda: values(store) == [20.02])
    assert running.stop()


def test_nothing_is_acknowledged_before_it_is_stored(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    full = Taker(store, config, topic(broker))
    full.refuses = True
    running = full.running()
    sender.say(1)
    assert until(lambda: full.turns > 0)
    running.stop()  # as if killed: nothing was acknowledged
    assert values(store) == []
    again = Taker(store, config, topic(broker)).running()
    assert until(lambda: values(store) == [20.01])
    again.stop()


def test_a_full_disk_is_waited_for_and_a_repeated_message_is_one(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    taker = Taker(store, config, topic(broker))
    taker.refuses = True
    running = taker.running()
    at = time.time() - 50
    for _ in range(3):
        sender.say(1, time=at)
    assert until(lambda: taker.turns > 1)
    taker.refuses = False
    assert until(lambda: values(store) == [20.01])
    time.sleep(0.3)
    assert values(store) == [20.01]
    assert running.stop()


@pytest.mark.slow
def test_a_broker_that_comes_later_and_one_that_is_restarted(
    store: Store, config: Config, broker: Broker
) -> None:
    broker.stop()
    taker = Taker(store, config, topic(broker))
    taker.subscriber.start()
    time.sleep(0.3)
    broker.start()
    assert until(lambda: taker.subscribed == 1)
    sender = Sender(broker)
    sender.say(1)
    assert until(lambda: values(store) == [20.01])
    sender.close()
    broker.stop()
    assert until(lambda: any(kind == "broker-lost" for kind, _ in taker.events))
    broker.start()
    assert until(lambda: taker.subscribed == 2)
    sender = Sender(broker)
    sender.say(2)
    assert until(lambda: values(store) == [20.01, 20.02])
    sender.close()
    assert taker.subscriber.stop()


def test_a_message_that_cannot_be_read_is_an_event_and_the_next_is_stored(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    taker = Taker(store, config, topic(broker))
    running = taker.running()
    sender.say(1, time="yesterday")
    sender.say(2)
    assert until(lambda: values(store) == [20.02])
    refused = [what for kind, what in taker.events if kind == "message-refused"]
    assert len(refused) == 1
    assert "yesterday" in refused[0]["why"]
    assert running.stop()


def test_messages_without_a_time_are_dated_by_arrival_and_not_kept_while_we_are_away(
    store: Store, config: Config, broker: Broker, sender: Sender
) -> None:
    """A message that was kept would be dated wrongly; a gap is the truth."""
    output = topic(broker, Message("json", "arrival"))
    running = Taker(store, config, output).running()
    before = time.time_ns()
    sender.say(1)
    assert until(lambda: values(store) == [20.01])
    assert before <= store.readings.read("P1.temperature", 0, 2**62).taken_ns[0] <= time.time_ns()
    running.stop()
    sender.say(2)
    running = Taker(store, config, output).running()
    sender.say(3)
    assert until(lambda: values(store) == [20.01, 20.03])
    running.stop()


def test_no_thread_is_left(store: Store, config: Config, broker: Broker) -> None:
    before = threading.active_count()
    for _ in range(3):
        assert Taker(store, config, topic(broker)).running().stop()
    assert threading.active_count() == before


def test_an_end_in_the_middle_of_connecting_is_an_end(broker: Broker, store: Store, example: Config) -> None:
    """The library forgets a disconnection that is asked for while it connects."""
    for n in range(12):
        taker = Taker(store, example, topic(broker))
        taker.subscriber.start()
        time.sleep(n / 1000)
        assert taker.subscriber.stop(60.0)  # False: it hung until the time was over
