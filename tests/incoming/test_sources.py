"""Every kind of source at once: a polled line, a broker, a node that posts; and lines that are changed."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from logger.errors import Refused
from logger.model import Config, Message, MqttTopic, PushedLine
from logger.service.incoming import push
from logger.service.sources import Sources
from logger.service.writer import Writer
from logger.store import Store

from ..probes.rigs import rig
from .conftest import Broker
from .test_mqtt import until

TIMED = Message("json", "time")


@pytest.mark.slow
def test_all_kinds_of_source_side_by_side(tmp_path: Path, example: Config, broker: Broker) -> None:
    modbus = rig("modbus tcp", tmp_path / "a", patience_s=5.0)
    polled = replace(modbus.driver.line, probe="P1", interval_s=0.5)  # type: ignore[attr-defined]
    topic = MqttTopic("P2", broker.url, "p2", {"t": "P2.temperature"}, TIMED)
    posted = PushedLine("P3", "annex", {"t": "P3.temperature"}, TIMED)
    config = replace(example, lines=(polled, topic, posted))
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        writer = Writer(store)
        writer.start()
        sources = Sources(store, writer)
        sources.start(config)
        assert until(lambda: dict(sources.status()["brokers"]) == {topic.bus: True})  # type: ignore[call-overload]
        time.sleep(0.1)
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        text = json.dumps({"time": time.time(), "t": 20.5})
        client.publish("p2", text, qos=1).wait_for_publish(5)
        push(store, config, "annex", 1, text.encode())
        expected = {"P1.temperature", "P1.relative_humidity", "P2.temperature", "P3.temperature"}
        assert until(lambda: expected <= set(store.readings.newest(ok=True)))
        assert sources.alive
        assert sources.stuck() == {}
        assert sources.status()["clock"] == "believed"
        # Lines that do not fit together are refused, and everything goes on as it was.
        clash = replace(polled, probe="P4", baudrate=300)
        with pytest.raises(Refused, match="P4: url: expected one protocol and one speed"):
            sources.change(replace(config, lines=(polled, clash)))
        assert sources.alive
        assert sources.stuck() == {}
        sources.change(replace(config, lines=(topic,)))
        assert sources.status()["buses"] == {}
        assert sources.alive
        client.disconnect()
        client.loop_stop()
        assert sources.stop(30.0)  # a bound for a busy machine, not a wait
        assert writer.stop()
        assert store.verify().intact
    modbus.close()
