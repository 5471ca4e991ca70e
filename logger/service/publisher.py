"""Verdicts published to an MQTT broker, for lamps, screens and machine controls. Nothing is taken from it.

    PREFIX/zones/ZONE/verdict   JSON as the HTTP interface has it, and until when it may be believed
    PREFIX/state                running, stopped or gone

MQTT 5 alone: with message expiry a verdict that nobody renews vanishes at the broker, so that no retained
"stable" outlives this program. Whoever listens already sees no expiry, hence `valid_until` in each message. A
broker that is away delays nothing: it gets the newest state once it is back.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import ssl
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ..instants import NS
from ..model import PublishPlan, Setup
from ..store import Store
from ..verdicts.zone_state import ZoneState, zone_states

log = logging.getLogger(__name__)
KEEPALIVE_S = 15
ANSWERS_IN_S = 10.0
LONGEST_WAIT_S = 30.0
RENEWED_S = (
    30  # so often a verdict is published again though no minute was judged, so that it does not vanish
)
ENDS_IN_S = 1.0
NO_EXPIRY = "without message expiry a verdict would outlive us"
SILENT = (
    "it accepts the connection and does not answer, as brokers do that speak only MQTT 3.1.1: MQTT 5 is "
    f"needed, {NO_EXPIRY}. If it speaks MQTT 5, see its log."
)
RUNNING, STOPPED, GONE = "running", "stopped", "gone"
Event = Callable[[str, Mapping[str, object]], None]


class Publisher:
    """One broker, with a thread of its own. `publish` never waits for it."""

    def __init__(self, plan: PublishPlan, name: str, event: Event) -> None:
        """name: of the record, so that a second program with the same record is not taken for another."""
        self.plan = plan
        self.connected = False
        self.why = ""  # the broker's last refusal, in words
        self._event = event
        self._ending = threading.Event()
        self._turn = threading.Lock()
        self._newest: dict[str, tuple[ZoneState, int]] = {}  # and when it was published
        self._name = name
        self._greeted = False  # whether the broker let this connection in
        self._answered = False  # whether it said anything, a refusal included
        self._client: mqtt.Client | None = None  # of the connection that there is, or was last
        self._thread = threading.Thread(target=self._run, name=f"publish {plan.url}", daemon=True)

    def start(self) -> None:
        """Begins; a broker that is not there is tried again until it is."""
        self._thread.start()

    def stop(self, timeout_s: float = ENDS_IN_S) -> None:
        """Says that the service was stopped, and ends; a broker that does not answer is not waited for."""
        self._ending.set()
        client = self._client
        if client is not None and self.connected:
            with self._turn:
                states, self._newest = self._newest, {}
            for zone in states:  # an empty retained message takes the one before away
                client.publish(self._topic(zone), b"", qos=1, retain=True)
            with contextlib.suppress(ValueError, RuntimeError):
                last = client.publish(self._state_topic, STOPPED, qos=1, retain=True)
                last.wait_for_publish(timeout_s)
        if client is not None:
            client.disconnect()
        self._thread.join(timeout_s)

    def publish(self, states: Sequence[ZoneState], now_ns: int) -> None:
        """Publish what changed, and what would vanish soon; remembered for a broker that is away."""
        for state in states:
            with self._turn:
                before = self._newest.get(state.zone)
                due = before is None or before[0] != state or now_ns - before[1] >= RENEWED_S * NS
                if due:
                    self._newest[state.zone] = state, now_ns
            client = self._client
            if due and client is not None and self.connected:
                self._send(client, state)

    def message(self, state: ZoneState) -> dict[str, Any]:
        """What is published of a zone: its state, and until when it may be believed."""
        return state.to_dict() | {"valid_until": state.valid_until(self.plan.keeps_s)}

    def _send(self, client: mqtt.Client, state: ZoneState) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = self.plan.keeps_s
        properties.ContentType = "application/json"
        text = json.dumps(self.message(state), ensure_ascii=False)
        client.publish(self._topic(state.zone), text, qos=1, retain=True, properties=properties)

    def _topic(self, zone: str) -> str:
        return f"{self.plan.prefix}/zones/{zone}/verdict"

    @property
    def _state_topic(self) -> str:
        return f"{self.plan.prefix}/state"

    def _create_client(self) -> mqtt.Client:
        """A client for one connection: one for several would send again what is old, after newer verdicts."""
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._name,
            protocol=mqtt.MQTTv5,
            reconnect_on_failure=False,
        )
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.max_queued_messages_set(100)
        if self.plan.user:
            password = os.environ.get(self.plan.password_env) if self.plan.password_env else None
            client.username_pw_set(self.plan.user, password)
        if self.plan.url.startswith("mqtts:"):
            client.tls_set(self.plan.ca_file or None, tls_version=ssl.PROTOCOL_TLS_CLIENT)
        client.will_set(self._state_topic, GONE, qos=1, retain=True)
        return client

    def _run(self) -> None:
        where = urlsplit(self.plan.url)
        address = where.hostname or "", where.port or (8883 if where.scheme == "mqtts" else 1883)
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        pause_s = 1.0
        while not self._ending.is_set():
            self._greeted = self._answered = False
            try:
                self._client = client = self._create_client()
                client.connect(*address, KEEPALIVE_S, clean_start=True, properties=properties)
                self._attend(client)
                if not self._answered and not self._ending.is_set():
                    self._refused(SILENT)
            except (OSError, ValueError) as error:  # away, no such certificate, none that we trust
                if not self._greeted:
                    self._refused(str(error))
            self.connected = False
            pause_s = 1.0 if self._greeted else min(2 * pause_s, LONGEST_WAIT_S)
            self._ending.wait(pause_s)

    def _attend(self, client: mqtt.Client) -> None:
        """Until the connection ends; one that is not answered is ended."""
        until_s = time.monotonic() + ANSWERS_IN_S
        while client.loop(timeout=0.5) == mqtt.MQTT_ERR_SUCCESS:
            if not self._answered and time.monotonic() > until_s:
                client.disconnect()  # and goes on until that is said

    def _on_connect(self, client: Any, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        self._answered = True
        if reason.is_failure:
            self._refused(str(reason))
            return
        self.connected, self.why, self._greeted = True, "", True
        client.publish(self._state_topic, RUNNING, qos=1, retain=True)
        with self._turn:
            states = [state for state, _ in self._newest.values()]
        for state in states:
            self._send(client, state)

    def _refused(self, why: str) -> None:
        if "protocol version" in why.lower():
            why = f"{why}: it does not speak MQTT 5, and {NO_EXPIRY}"
        if why != self.why:
            self.why = why
            self._event("broker-refuses", {"url": self.plan.url, "reason": why})

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        lost, self.connected = self.connected, False
        if lost and not self._ending.is_set():
            self._event("broker-lost", {"url": self.plan.url, "reason": str(reason)})


class Publications:
    """The publisher of the setup in force, if it has one."""

    def __init__(self, record: str, event: Event) -> None:
        self._name, self._event = f"stillroom-{record[:12]}-verdicts", event
        self._publisher: Publisher | None = None

    def use(self, plan: PublishPlan | None) -> None:
        """Go over to the plan of another setup."""
        if self._publisher is not None and self._publisher.plan == plan:
            return
        self.stop()
        if plan is not None:
            self._publisher = Publisher(plan, self._name, self._event)
            self._publisher.start()

    def publish(self, store: Store, setup: Setup, now_ns: int) -> None:
        """Publish the state of every zone, where the setup asks for it."""
        if self._publisher is not None:
            self._publisher.publish(zone_states(store, setup, now_ns), now_ns)

    def status(self) -> dict[str, bool]:
        """Whether the broker is connected, by its address."""
        return (
            {}
            if self._publisher is None
            else {f"{self._publisher.plan.url} (verdicts)": self._publisher.connected}
        )

    def stop(self) -> None:
        """End it, where there is one."""
        publisher, self._publisher = self._publisher, None
        if publisher is not None:
            publisher.stop()
