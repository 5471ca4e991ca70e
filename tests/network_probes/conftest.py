"""A rig for each kind: the driver, the peer of another make, and a wire between that spoils."""

from __future__ import annotations

import socket
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from logger.model import PluginLine
from logger.probes import ProbeDriver, drivers
from logger.probes.conformance import ShiftedClock
from logger.probes.plug_in import LineFacts
from logger.probes.registry import kind_named
from tests.peers import NodePeer, free_port
from tests.peers.proxy import Proxy
from tests.peers.snmp_agent import BASE, COMMUNITY, SnmpAgent
from tests.programs import library

SERIAL, OTHER = "AG-0411", "AG-0499"
URI = "urn:example:device"
CHANNELS = {"temperature": "degC", "relative_humidity": "%RH"}


def line_of(kind: str, interval_s: float = 60.0, serial: str = SERIAL, **table: Any) -> PluginLine:
    """The line of probe P1 with such a table, checked as one of probes.toml is."""
    probe_kind = kind_named(kind)
    checked = probe_kind.table.model_validate({"kind": kind, **table})
    assert list(probe_kind.faults(checked)) == []
    channels = {name: f"P1.{channel}" for name, channel in probe_kind.values(checked).items()}
    units = {channel: CHANNELS.get(channel[3:], "degC") for channel in channels.values()}
    facts = LineFacts("P1", kind, probe_kind.bus(checked), channels, interval_s, serial, units)
    line = probe_kind.line(checked, facts)
    assert isinstance(line, PluginLine)
    return line


def installed(module: str) -> None:
    """Skips where the library of a kind is not installed."""
    library(module)


class NetworkRig:
    """What is common to the three; see `logger.probes.conformance.Rig`."""

    values: Sequence[Sequence[float]] = ((20.03, 47.8), (21.47, 50.5), (-1.5, 0.25))
    other_values: Sequence[float] = ()
    other: ProbeDriver | None = None
    timeout_s = 1.0
    kind = ""
    udp = True

    def __init__(self, peer_at: tuple[str, int]) -> None:
        self.clock = ShiftedClock()
        self.proxy = Proxy(peer_at, udp=self.udp, late_s=1.5 * self.timeout_s)
        self.driver = self.driver_of(self.table())

    def driver_of(self, table: Mapping[str, Any], serial: str = SERIAL) -> ProbeDriver:
        """Another driver at the same wire."""
        return drivers([line_of(self.kind, serial=serial, **table)], self.clock)[0]

    def table(self) -> dict[str, Any]:
        """The table [probes.P1.connection]."""
        raise NotImplementedError

    def answers(self, values: Sequence[float]) -> None:
        self.proxy.mode = ""
        self.show(values)

    def show(self, values: Sequence[float]) -> None:
        """Sets the peer to sound values."""
        raise NotImplementedError

    def silent(self) -> None:
        self.proxy.mode = "silent"

    def late(self) -> None:
        self.proxy.mode = "late"

    def garbage(self) -> None:
        self.proxy.mode = "garbage"

    def gone(self) -> None:
        self.proxy.cut()

    def back(self) -> None:
        self.proxy.connect()

    def close(self) -> None:
        self.driver.close()
        self.proxy.cut()


class OpcUaRig(NetworkRig):
    kind, udp, timeout_s = "opc-ua", False, 2.0

    def __init__(self, peer: NodePeer, port: int) -> None:
        self.peer = peer
        super().__init__(("127.0.0.1", port))

    def table(self) -> dict[str, Any]:
        return {
            "url": f"opc.tcp://127.0.0.1:{self.proxy.port}/room",
            "nodes": {
                "temperature": f"nsu={URI};s=Probe1.Temperature",
                "relative_humidity": f"nsu={URI};s=Probe1.Humidity",
            },
            "identity": f"nsu={URI};s=Probe1.SerialNumber",
            "security": "none",
            "timeout_s": self.timeout_s,
        }

    def show(self, values: Sequence[float]) -> None:
        sound = {"status": "Good", "age_s": 0, "late_ms": 0, "serial": SERIAL, "taken_ms": 0}
        self.peer.order(temperature=values[0], humidity=values[1], unit="degree_celsius", **sound)

    def faulty(self) -> None:
        self.peer.order(status="BadSensorFailure")

    def swapped(self) -> None:
        self.peer.order(serial=OTHER)


class SnmpRig(NetworkRig):
    kind = "snmp"

    def __init__(self, peer: SnmpAgent) -> None:
        self.peer = peer
        super().__init__(("127.0.0.1", peer.port))

    def table(self) -> dict[str, Any]:
        return {
            "url": f"snmp://127.0.0.1:{self.proxy.port}",
            "oids": {
                "temperature": {"oid": f"{BASE}.1.0", "scale": 0.01, "none": [-9999]},
                "relative_humidity": {"oid": f"{BASE}.2.0", "scale": 0.1},
            },
            "identity_oid": f"{BASE}.3.0",
            "version": "2c",
            "community_env": "ROOM_SNMP_C",
            "timeout_s": self.timeout_s,
        }

    values: Sequence[Sequence[float]] = ((20.03, 47.8), (21.47, 50.5), (-1.5, 0.2))

    def show(self, values: Sequence[float]) -> None:
        self.peer.show(f"integer|{round(100 * values[0])}", f"gauge|{round(10 * values[1])}")

    def faulty(self) -> None:
        self.peer.show("integer|-9999")

    def swapped(self) -> None:
        self.peer.show(serial=OTHER)


class BacnetRig(NetworkRig):
    kind = "bacnet"

    def __init__(self, peer: NodePeer, peer_at: tuple[str, int]) -> None:
        self.peer = peer
        self.local = f"127.0.0.3:{free_port(socket.SOCK_DGRAM, '127.0.0.3')}"
        super().__init__(peer_at)

    def table(self) -> dict[str, Any]:
        return {
            "address": f"127.0.0.1:{self.proxy.port}",
            "device": 4194,
            "objects": {"temperature": "analog-input,1", "relative_humidity": "analog-input,2"},
            "local": self.local,
            "identity": "serial-number",
            "timeout_s": self.timeout_s,
        }

    def show(self, values: Sequence[float]) -> None:
        sound = {
            "flags": [0, 0],
            "reliability": [0, 0],
            "multiple": True,
            "most": 1000,
            "strict": False,
            "any": True,
            "units": [62, 29],
        }
        self.peer.order(values=list(values), serial=SERIAL, device=4194, **sound)

    def faulty(self) -> None:
        self.peer.order(flags=[2], reliability=[2])  # fault (bit 1); over-range

    def swapped(self) -> None:
        self.peer.order(serial=OTHER)


@pytest.fixture(autouse=True)
def _secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROOM_SNMP_C", COMMUNITY)


@pytest.fixture(scope="session")
def opc_ua_peer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[NodePeer, int, Path]]:
    installed("asyncua")
    port, folder = free_port(), tmp_path_factory.mktemp("opc-ua")
    peer = NodePeer("opc_ua_server.js", [str(port), str(folder / "pki")])
    yield peer, port, folder
    peer.kill()


@pytest.fixture
def opc_ua(opc_ua_peer: tuple[NodePeer, int, Path]) -> Iterator[OpcUaRig]:
    rig = OpcUaRig(*opc_ua_peer[:2])
    rig.answers(rig.values[0])
    yield rig
    rig.close()


@pytest.fixture(scope="session")
def snmp_peer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SnmpAgent]:
    installed("pysnmp")
    agent = SnmpAgent(tmp_path_factory.mktemp("snmp"))
    yield agent
    agent.kill()


@pytest.fixture
def snmp(snmp_peer: SnmpAgent) -> Iterator[SnmpRig]:
    rig = SnmpRig(snmp_peer)
    rig.answers(rig.values[0])
    yield rig
    rig.close()


@pytest.fixture(scope="session")
def bacnet_peer() -> Iterator[tuple[NodePeer, tuple[str, int]]]:
    installed("bacpypes3")
    at = "127.0.0.2", free_port(socket.SOCK_DGRAM, "127.0.0.2")
    peer = NodePeer("bacnet_device.js", [at[0], str(at[1])])
    yield peer, at
    peer.kill()


@pytest.fixture
def bacnet(bacnet_peer: tuple[NodePeer, tuple[str, int]]) -> Iterator[BacnetRig]:
    rig = BacnetRig(*bacnet_peer)
    rig.answers(rig.values[0])
    yield rig
    rig.close()
