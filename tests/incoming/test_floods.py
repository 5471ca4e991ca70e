"""A broker that floods costs neither memory nor readings that others sent."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import pytest
from paho.mqtt.client import MQTTMessage

from logger.model import MqttTopic
from logger.probes import mqtt
from logger.probes.mqtt import Subscriber

TOPIC = MqttTopic("P1", "mqtt://127.0.0.1:1", "p1", {"t": "P1.temperature"})


def message(qos: int) -> MQTTMessage:
    built = MQTTMessage(mid=1, topic=b"p1")
    built.qos, built.payload = qos, b"{}"
    return built


def test_messages_without_a_receipt_are_bounded_and_those_with_one_are_not_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The broker holds back what we have not acknowledged (QoS 1); of QoS 0 it sends what comes."""
    monkeypatch.setattr(mqtt, "MOST_WAITING", 10)
    output: Counter[str] = Counter()

    def event(kind: str, what: Mapping[str, object]) -> None:
        output[kind] += int(str(what["messages"]))

    item = Subscriber([TOPIC], "record", lambda _: None, event)
    for _ in range(25):
        item._on_message(item._client, None, message(0))
    item._on_message(item._client, None, message(1))
    assert item._waiting.qsize() == 11
    assert output == {"messages-dropped": 15}


def test_a_broker_that_is_away_is_known_by_how_long() -> None:
    item = Subscriber([TOPIC], "record", lambda _: None, lambda *_: None)
    assert item.away_s == 0.0  # it has not begun
    item._lost_s = 1e-9
    assert item.away_s > 0.0
    item.connected = True
    assert item.away_s == 0.0
