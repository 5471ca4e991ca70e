"""Probes that publish to an MQTT broker: one thread for each broker, readings acknowledged once stored.

MQTT 5, QoS 1. For probes that send their own time the broker keeps what comes while we are away (a session
that lasts a month, under a fixed name); for the others nothing is kept, because a message that was kept would
be dated by its arrival. Retained messages are old by definition and are never stored.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ..model import MqttTopic

log = logging.getLogger(__name__)

KEPT_S = 30 * 86400
IN_FLIGHT = 200  # messages that the broker sends before it waits for us
LARGEST = 1 << 18  # bytes of a message; a broker discards larger ones for us (MQTT 5, 3.1.2.11.4)
MOST_WAITING = 10_000  # messages without a receipt (QoS 0) beyond this are dropped, counted and told
KEEPALIVE_S = 30
LONGEST_WAIT_S = 30.0
Event = Callable[[str, Mapping[str, object]], None]


@dataclass(frozen=True)
class BrokerMessage:
    """One message of a topic that is ours."""

    topics: Sequence[MqttTopic]
    payload: bytes
    at_ns: int
    mid: int
    qos: int = 1  # 0: it has no number, and there is no receipt for it (MQTT 5, 2.2.1)


# Stores messages durably; when it returns they are on the disk.
Take = Callable[[Sequence[BrokerMessage]], None]


class Subscriber:
    """The topics on one broker. `take` raises what the store raises; then nothing is acknowledged."""

    def __init__(self, topics: Sequence[MqttTopic], name: str, take: Take, event: Event) -> None:
        self.url = topics[0].bus
        self.passed_s = 0.0  # monotonic instant at which all that had come was last stored
        self.tried_s = 0.0  # the same, or at which it was last tried
        self.connected = False
        self._lost_s = 0.0  # since when there is no connection, monotonic
        self._topics = tuple(topics)
        self._take = take
        self._event = event
        self._waiting: queue.SimpleQueue[BrokerMessage | None] = queue.SimpleQueue()
        self._ending = threading.Event()
        self._client = self._create_client(name)
        self._threads = [
            threading.Thread(target=run, name=f"mqtt {self.url}", daemon=True)
            for run in (self._listen, self._store)
        ]

    @property
    def broker(self) -> str:
        """The address of the broker, as in the setup."""
        return self.url.partition("#")[0]

    @property
    def away_s(self) -> float:
        """For how many seconds there has been no connection; 0 while there is one, or before it began."""
        return 0.0 if self.connected or not self._lost_s else time.monotonic() - self._lost_s

    @property
    def alive(self) -> bool:
        """Whether its threads run."""
        return all(thread.is_alive() for thread in self._threads)

    def start(self) -> None:
        """Begins; a broker that is not there is tried again until it is."""
        self.passed_s = self.tried_s = self._lost_s = time.monotonic()
        for thread in self._threads:
            thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Stores what has come, and ends; what is not acknowledged the broker sends again."""
        until_s = time.monotonic() + timeout_s
        self._ending.set()
        self._waiting.put(None)
        self._threads[1].join(timeout_s)
        while True:  # asked in the middle of connecting, the library forgets it and connects
            self._client.disconnect()
            self._threads[0].join(0.2)
            if not self._threads[0].is_alive() or time.monotonic() >= until_s:
                break
        return not any(thread.is_alive() for thread in self._threads)

    def _create_client(self, name: str) -> mqtt.Client:
        topic = self._topics[0]
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5, manual_ack=True
        )
        client.on_connect, client.on_message = self._on_connect, self._on_message
        client.on_disconnect = self._on_disconnect
        client.reconnect_delay_set(1, int(LONGEST_WAIT_S))
        if topic.user:
            client.username_pw_set(
                topic.user, os.environ.get(topic.password_env) if topic.password_env else None
            )
        where = urlsplit(topic.url)
        if where.scheme == "mqtts":
            client.tls_set(topic.ca_file or None)
        self._where = (where.hostname or "", where.port or (8883 if where.scheme == "mqtts" else 1883))
        return client

    def _listen(self) -> None:
        keeps = self._topics[0].message.time != "arrival"
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = KEPT_S if keeps else 0
        properties.ReceiveMaximum = IN_FLIGHT
        properties.MaximumPacketSize = LARGEST
        self._client.connect_async(*self._where, KEEPALIVE_S, clean_start=not keeps, properties=properties)
        # The library's own thread ends for ever when the very first connection fails.
        while not self._ending.is_set():
            with contextlib.suppress(OSError):
                self._client.loop_forever(retry_first_connection=True)
            self._ending.wait(1.0)

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        if reason.is_failure:
            self._event("broker-refuses", {"url": self.url, "reason": str(reason)})
            return
        self.connected = True
        options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
        client.subscribe([(topic, options) for topic in sorted({t.topic for t in self._topics})])

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        lost, self.connected = self.connected, False
        self._lost_s = time.monotonic() if lost else self._lost_s
        if lost and not self._ending.is_set():
            self._event("broker-lost", {"url": self.url, "reason": str(reason)})

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        mine = [t for t in self._topics if t.topic == message.topic]
        if message.retain or not mine:
            client.ack(message.mid, message.qos)
            return
        if message.qos == 0 and self._waiting.qsize() >= MOST_WAITING:
            self._event("messages-dropped", {"url": self.url, "messages": 1})
            return
        self._waiting.put(
            BrokerMessage(mine, bytes(message.payload), time.time_ns(), message.mid, message.qos)
        )

    def _store(self) -> None:
        pause_s, refused = 0.2, ""
        batch: list[BrokerMessage] = []
        while True:
            batch += self._gather(wait=not batch)
            self.tried_s = time.monotonic()
            if not batch:
                if self._ending.is_set():
                    return
                self.passed_s = time.monotonic()
                continue
            try:
                self._take(batch)
            except Exception as error:  # noqa: BLE001 (nothing is acknowledged: the broker keeps it)
                if self._ending.is_set():
                    return
                if refused != (refused := str(error)):
                    log.error(
                        "broker %s: its messages cannot be stored and stay there: %s", self.broker, error
                    )
                self._ending.wait(pause_s)
                pause_s = min(2 * pause_s, LONGEST_WAIT_S)
                continue
            if refused:
                log.warning("broker %s: its messages are stored again", self.broker)
            pause_s, refused = 0.2, ""
            for message in batch:
                self._client.ack(message.mid, message.qos)
            batch = []

    def _gather(self, wait: bool) -> list[BrokerMessage]:
        """What waits, after at most a second; a gathering of 0.2 s makes one entry of a burst."""
        messages: list[BrokerMessage | None] = []
        with contextlib.suppress(queue.Empty):
            if wait:
                messages.append(self._waiting.get(timeout=1.0))
                if messages[0] is not None:
                    self._ending.wait(0.2)
            while True:
                messages.append(self._waiting.get_nowait())
        return [message for message in messages if message is not None]


def subscribers(topics: Sequence[MqttTopic], name: str, take: Take, event: Event) -> list[Subscriber]:
    """One for each broker and way of keeping; `name` is the record's own: sessions are found again by it."""
    by_bus: dict[str, list[MqttTopic]] = {}
    for topic in topics:
        by_bus.setdefault(topic.bus, []).append(topic)
    return [
        Subscriber(group, f"stillroom-{name[:12]}-{bus.rpartition('#')[2]}", take, event)
        for bus, group in by_bus.items()
    ]
