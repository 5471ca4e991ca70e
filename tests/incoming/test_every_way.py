"""The same hundred values by every way in: the stored series are equal.

The ways share nothing but the room's setup: other drivers, other peers, other writers.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from logger.imports import import_file
from logger.imports.profile_file import profile_of
from logger.instants import NS, rfc3339
from logger.model import Config, Message, MqttTopic, PushedLine, Row
from logger.probes import Bus
from logger.service.forwarder import fields
from logger.service.incoming import push, take_rows
from logger.store import Store

from ..probes.rigs import KINDS, rig
from .conftest import NAMES, Broker, with_lines
from .test_mqtt import Taker, until

START_NS = 1_793_000_000 * NS
# Steps of 1/16 K, which the coarsest of the probes (1-Wire) resolves, with two decimals.
VALUES = [15.0 + n * 0.25 for n in range(100)]
WANTED = [(START_NS + n * 60 * NS, value) for n, value in enumerate(VALUES)]
PROFILE = """name = "all ways"
files = ["*.csv"]
[time]
headings = ["time"]
[[columns]]
heading = "t"
channel = "P1.temperature"
unit = "degC"
"""


def stored(store: Store) -> list[tuple[int, float]]:
    result = store.readings.read("P1.temperature", 0, 2**62)
    assert not result.status.any()
    return list(zip(result.taken_ns.tolist(), result.value.tolist(), strict=True))


class Minutes:
    """A clock that a test sets to each minute."""

    now_ns = START_NS

    def wall_ns(self) -> int:
        return self.now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns - START_NS

    def wait(self, stop: object, seconds: float) -> bool:
        return False


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
@pytest.mark.parametrize("kind", KINDS)
def test_by_every_polled_transport(kind: str, store: Store, tmp_path: Path) -> None:
    clock = Minutes()
    built = rig(kind, tmp_path / "rig", clock=clock, patience_s=10.0)
    built.driver.open()
    rows: list[Row] = []
    bus = Bus("x", [built.driver], rows.extend, lambda *_: None, clock)
    for at_ns, value in WANTED:
        clock.now_ns = at_ns
        built.show(value, 45.0)
        bus._poll(built.driver)
    store.append("poll", rows)
    assert stored(store) == WANTED
    built.close()


def message(at_ns: int, value: float) -> bytes:
    return json.dumps({"time": rfc3339(at_ns), "t": value, "rh": 45.0}).encode()


def as_json(store: Store, config: Config) -> None:
    for n, (at_ns, value) in enumerate(WANTED):
        push(store, config, "annex", n, message(at_ns, value), at_ns + NS)


def as_senml(store: Store, config: Config) -> None:
    config = with_lines(config, PushedLine("P1", "annex", NAMES, Message("senml")))
    pack = [{"n": "t", "u": "Cel", "t": at_ns / NS, "v": value} for at_ns, value in WANTED]
    push(store, config, "annex", 1, json.dumps(pack).encode(), WANTED[-1][0])


def as_rows(store: Store, config: Config) -> None:
    rows = [fields(Row("P1.temperature", at_ns, at_ns, value)) for at_ns, value in WANTED]
    take_rows(store, config, "annex", "a" * 32, 1, rows)


def as_file(store: Store, config: Config) -> None:
    path = store.folder / "readings.csv"
    path.write_text("time,t\n" + "".join(f"{rfc3339(at_ns)},{value:.2f}\n" for at_ns, value in WANTED))
    import_file(path, profile_of("profiles/all.toml", PROFILE), store, config.setup, "test", WANTED[-1][0])


WAYS: Mapping[str, Callable[[Store, Config], None]] = {
    "JSON": as_json, "SenML": as_senml, "rows of a node": as_rows, "a file": as_file,
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
def test_by_every_way_that_comes_by_itself(way: str, store: Store, config: Config) -> None:
    WAYS[way](store, config)
    assert stored(store) == WANTED


def test_by_a_broker(store: Store, config: Config, broker: Broker) -> None:
    import paho.mqtt.client as mqtt

    taker = Taker(store, config, MqttTopic("P1", broker.url, "room/p1", NAMES, Message("json", "time")))
    running = taker.running()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    back_ns = (time.time_ns() - WANTED[-1][0]) // NS * NS  # by the broker's way the present is the present
    sent = [client.publish("room/p1", message(at_ns + back_ns, value), qos=1) for at_ns, value in WANTED]
    [item.wait_for_publish(5) for item in sent]
    assert until(lambda: len(store.readings.read("P1.temperature", 0, 2**62)) == 100)
    assert stored(store) == [(at_ns + back_ns, value) for at_ns, value in WANTED]
    client.disconnect()
    client.loop_stop()
    assert running.stop()
