"""Thirty simulated days: random faults on every line, steps of the clock, everything started anew.

Lines, drivers, writer and store are the real ones; only time passes by itself. Figures are printed (-s).
"""

from __future__ import annotations

import json
import resource
import threading
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from random import Random
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from logger.model import Config, Row
from logger.probes import Bus
from logger.probes.mqtt import subscribers
from logger.service.incoming import store_messages
from logger.service.writer import Writer
from logger.simulation.devices import FAULTS
from logger.store import Store

from ..incoming.conftest import config as config  # noqa: PLC0414
from ..probes.conftest import TurnedClock
from ..probes.rigs import Rig, rig
from .conftest import Broker
from .test_mqtt import topic, until

pytestmark = pytest.mark.long
KINDS = ("text", "text socket", "scpi socket", "sdi-12 socket", "modbus rtu", "modbus tcp")
DAYS, RUNS, INTERVAL_S = 30, 5, 300.0
STEPS_S = (
    3600.0,
    -3600.0,
    0.4,
    -7.0,
)  # what summer time does to machines that are set wrongly, and time servers
WALL_S = 1_792_360_000.0


class Weather(TurnedClock):
    """Time that passes by waiting, and brings a fault now and then and another value each time."""

    def __init__(self, run_s: float, rig_: Rig, seed: int, begin_s: float) -> None:
        random = Random(seed)
        steps = {random.uniform(0.1, 0.9) * run_s: random.choice(STEPS_S)}
        super().__init__(WALL_S + begin_s, run_s, steps)
        self.rig, self.random, self.turn, self.faults = rig_, random, 0, Counter[str]()
        self.right: set[float] = set()

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        time.sleep(_owed_s(self.rig))  # late answers come in real time, which polls do not wait for here
        self.turn += 1
        visible = round(15 + self.turn % 1000 / 100, 2)
        # A bit that flips is found by the protocols that check, and by nobody in plain text.
        kinds = [f for f in FAULTS if self.rig.checked or f != "flipped bit"] + ["unplug"]
        fault = self.random.choice(kinds) if self.random.random() < 0.01 else ""
        self.faults[fault] += 1
        device = self.rig.device
        assert device is not None
        with device.turn:  # not while it answers
            if fault == "unplug":
                device.wire.unplug()
            else:
                with suppress(OSError):  # its port may be another's for a moment
                    device.wire.plug()
                device.fault = fault
        self.rig.show(visible, 45.0)
        self.right = {visible, 45.0}
        return super().wait(stop, seconds)


def _owed_s(rig_: Rig) -> float:
    """How long an answer may still come on this line, in seconds."""
    driver: Any = rig_.driver
    debts = (driver._wire if hasattr(driver, "_wire") else driver._port).debts
    return max(0.0, float(debts.left_s(tuple(debts._until_s))))


def test_thirty_days_of_faults_leave_a_row_for_every_due_poll(tmp_path: Path) -> None:
    begun_s, threads = time.monotonic(), threading.active_count()
    wrong: list[Row] = []
    faults, statuses, events = Counter[str](), Counter[str](), Counter[str]()
    peak_mb: list[float] = []
    with Store.open(tmp_path / "data", create=True) as store:
        for run in range(RUNS):
            writer = Writer(store)
            writer.start()
            rigs = {kind: rig(kind, tmp_path / f"{run}-{n}") for n, kind in enumerate(KINDS)}
            clocks, buses = {}, []
            run_s = DAYS / RUNS * 86400
            for n, (kind, built) in enumerate(rigs.items()):
                clock = clocks[kind] = Weather(run_s, built, 100 * run + n, run * run_s)
                built.driver._clock = clock  # type: ignore[attr-defined]
                built.driver.interval_s = INTERVAL_S

                def take(
                    rows: Sequence[Row], kind: str = kind, clock: Weather = clock, writer: Writer = writer
                ) -> None:
                    wrong.extend(r for r in rows if r.status == "ok" and r.value not in clock.right)
                    statuses.update(row.status for row in rows)
                    writer.rows([Row(**{**vars(r), "channel": f"{kind}/{r.channel}"}) for r in rows])

                def tell(event: str, what: object) -> None:
                    events[event] += 1

                buses.append(Bus(kind, [built.driver], take, tell, clock))
            [bus.start() for bus in buses]
            [bus._thread.join(600) for bus in buses]  # type: ignore[union-attr]
            assert not any(bus.alive for bus in buses)
            assert writer.stop()
            assert writer.lost == 0
            for kind, built in rigs.items():
                faults += clocks[kind].faults
                built.close()
            peak_mb.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        for channel in store.readings.channels():
            columns = store.readings.columns(channel, 0, 2**62)
            expected = DAYS * 86400 / INTERVAL_S
            assert len(columns) == pytest.approx(expected, abs=2 * RUNS + 3600 / INTERVAL_S), channel
        assert store.verify().intact
        polls = sum(statuses.values())
    took_s = time.monotonic() - begun_s
    print(f"\n{DAYS} days on {len(KINDS)} lines: {polls} rows in {took_s:.0f} s, {dict(statuses)}")
    print(f"faults {dict(faults)}, events {dict(events)}, peak MB by run {[round(mb) for mb in peak_mb]}")
    assert wrong == []
    assert statuses["ok"] > 0.97 * polls  # a hundredth of the polls met a fault, some of them for two turns
    assert events["overrun"] == 0
    assert events["clock-step"] == RUNS * len(KINDS)
    assert peak_mb[-1] - peak_mb[0] < 30
    assert threading.active_count() == threads


def test_a_broker_that_is_restarted_again_and_again_loses_nothing(
    tmp_path: Path,
    broker: Broker,
    config: Config,
) -> None:
    """What the broker took is stored once, whoever was away or restarted meanwhile."""
    with Store.open(tmp_path / "data", create=True) as store:
        output = topic(broker)

        def take(messages: object) -> None:
            store_messages(store, Config(config.setup, (output,)), messages, lambda *_: None)  # type: ignore[arg-type]

        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.reconnect_delay_set(1, 1)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        begin = time.time() - 5000
        for part in range(8):
            (item,) = subscribers([output], store.key, take, lambda *_: None)
            if part % 3 != 2:  # else it is away meanwhile
                item.start()
                assert until(lambda item=item: item.connected, 60)
                time.sleep(0.2)  # what is published before the very first subscription is nobody's
            assert until(client.is_connected, 60)
            for n in range(25):
                number = 25 * part + n
                body = {"time": begin + number, "t": 10 + number / 100, "rh": 45.0}
                client.publish("room/p1", json.dumps(body), qos=1).wait_for_publish(10)
            broker.stop()
            time.sleep(0.1)
            broker.start()
            if item._threads[0].ident is not None:
                time.sleep(1.5)
                assert item.stop()
        (last,) = subscribers([output], store.key, take, lambda *_: None)
        last.start()
        assert until(lambda: len(store.readings.read("P1.temperature", 0, 2**62)) == 200, 60)
        result = store.readings.read("P1.temperature", 0, 2**62)
        assert result.value.tolist() == [10 + n / 100 for n in range(200)]
        assert last.stop()
        client.disconnect()
        client.loop_stop()
        assert store.verify().intact
