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
    made = MQTTMessage(mid=1, topic=b"p1")
    made.qos, made.payload = qos, b"{}"
    return made


def test_messages_without_a_receipt_are_bounded_and_those_with_one_are_not_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The broker holds back what we have not acknowledged (QoS 1); of QoS 0 it sends what comes."""
    monkeypatch.setattr(mqtt, "MOST_WAITING", 10)
    told: Counter[str] = Counter()

    def event(kind: str, what: Mapping[str, object]) -> None:
        told[kind] += int(str(what["messages"]))

    one = Subscriber([TOPIC], "record", lambda _: None, event)
    for _ in range(25):
        one._on_message(one._client, None, message(0))
    one._on_message(one._client, None, message(1))
    assert one._waiting.qsize() == 11
    assert told == {"messages-dropped": 15}


def test_a_broker_that_is_away_is_known_by_how_long() -> None:
    one = Subscriber([TOPIC], "record", lambda _: None, lambda *_: None)
    assert one.away_s == 0.0  # it has not begun
    one._lost_s = 1e-9
    assert one.away_s > 0.0
    one.connected = True
    assert one.away_s == 0.0
