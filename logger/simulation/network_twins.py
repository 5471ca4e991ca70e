"""Simulated servers of OPC UA, SNMP and BACnet/IP: `python -m logger.simulation.network_twins --kind snmp`.

Prints the table of a connection to it as a line of JSON, shows temperatures that never rest, and ends when
its standard input does. Each is made of the library of the driver; peers of another make: tests/peers.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import socket
import sys
from collections.abc import Callable, Coroutine
from itertools import count
from typing import Any

HOST = "127.0.0.1"
URI = "urn:stillroom:simulated"
BASE = "1.3.6.1.4.1.99999.1"
DEVICE = 4194
COMMUNITY_ENV = "STILLROOM_TWIN"  # what it holds is the community; the twin takes any
_STEP_S = 0.5  # so often values change


def value_of(place: int, turn: int) -> float:
    """What value number `place` shows in a turn, in degC."""
    return 20.0 + place / 100 + turn % 10 / 1000


def _free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


async def _until_input_ends() -> None:
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)


def _say(table: dict[str, Any]) -> None:
    print(json.dumps(table), flush=True)


async def opc_ua(values: int) -> None:
    """A server with so many variables, Good and stamped."""
    from asyncua import Server, ua

    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://{HOST}:{_free_port(socket.SOCK_STREAM)}/room")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    space = await server.register_namespace(URI)
    device = await server.nodes.objects.add_object(space, "Room")
    nodes = [
        await device.add_variable(ua.NodeId(f"V{n}", space), f"V{n}", value_of(n, 0)) for n in range(values)
    ]
    async with server:
        named = {f"v{n}": f"nsu={URI};s=V{n}" for n in range(values)}
        _say({"kind": "opc-ua", "url": server.endpoint.geturl(), "nodes": named, "security": "none"})
        ending = asyncio.create_task(_until_input_ends())
        for turn in count():
            for n, node in enumerate(nodes):
                await node.write_value(value_of(n, turn))
            if await _ended(ending):
                return


async def snmp(values: int) -> None:
    """An agent of version 2c that answers GET; thousandths as whole numbers."""

    class Agent(asyncio.DatagramProtocol):
        turn = 0

        def connection_made(self, transport: Any) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, sender: Any) -> None:
            self.transport.sendto(_snmp_answer(data, self.turn), sender)

    transport, agent = await asyncio.get_running_loop().create_datagram_endpoint(Agent, (HOST, 0))
    oids = {f"v{n}": {"oid": f"{BASE}.{n}.0", "scale": 0.001} for n in range(values)}
    where = f"snmp://{HOST}:{transport.get_extra_info('sockname')[1]}"
    _say({"kind": "snmp", "url": where, "oids": oids, "version": "2c", "community_env": COMMUNITY_ENV})
    ending = asyncio.create_task(_until_input_ends())
    while not await _ended(ending):
        agent.turn += 1
    transport.close()


def _snmp_answer(data: bytes, turn: int) -> bytes:
    """The response to a GET of BASE.n.0; noSuchInstance for anything else."""
    from pyasn1.codec.ber import decoder, encoder
    from pysnmp.proto import api
    from pysnmp.proto.rfc1905 import noSuchInstance

    protocol: Any = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
    message, _ = decoder.decode(data, asn1Spec=protocol.Message())
    answer = protocol.apiMessage.get_response(message)
    binds = []
    for oid, _ in protocol.apiPDU.get_varbinds(protocol.apiMessage.get_pdu(message)):
        name, _, rest = str(oid).partition(f"{BASE}.")
        number = rest.removesuffix(".0")
        is_ours = not name and number.isdigit()
        value: Any = noSuchInstance
        if is_ours:
            value = protocol.Integer(round(1000 * value_of(int(number), turn)))
        binds.append((oid, value))
    protocol.apiPDU.set_varbinds(protocol.apiMessage.get_pdu(answer), binds)
    encoded: bytes = encoder.encode(answer)
    return encoded


async def bacnet(values: int) -> None:
    """A device with so many analog inputs."""
    from bacpypes3.ipv4.app import NormalApplication
    from bacpypes3.local.analog import AnalogInputObject
    from bacpypes3.local.device import DeviceObject
    from bacpypes3.pdu import IPv4Address

    port, ours = _free_port(socket.SOCK_DGRAM), _free_port(socket.SOCK_DGRAM)
    device = DeviceObject(objectIdentifier=("device", DEVICE), objectName="twin", vendorIdentifier=999)
    app = NormalApplication(device, IPv4Address(f"{HOST}/32:{port}"))
    inputs = [
        AnalogInputObject(
            objectIdentifier=("analog-input", n), objectName=f"v{n}", presentValue=value_of(n, 0),
            statusFlags=[0, 0, 0, 0], eventState="normal", outOfService=False, units="degrees-celsius",
            reliability="no-fault-detected",
        )
        for n in range(values)
    ]  # fmt: skip
    for each in inputs:
        app.add_object(each)
    await asyncio.sleep(_STEP_S)  # until it listens
    objects = {f"v{n}": f"analog-input,{n}" for n in range(values)}
    where = {"address": f"{HOST}:{port}", "local": f"{HOST}:{ours}", "device": DEVICE}
    _say({"kind": "bacnet", "objects": objects, **where})
    ending = asyncio.create_task(_until_input_ends())
    for turn in count():
        for n, each in enumerate(inputs):
            each.presentValue = value_of(n, turn)
        if await _ended(ending):
            app.close()
            return


async def _ended(ending: asyncio.Task[None]) -> bool:
    """Whether standard input has ended; waits for one turn at most."""
    ended, _ = await asyncio.wait([ending], timeout=_STEP_S)
    return bool(ended)


TWINS: dict[str, Callable[[int], Coroutine[Any, Any, None]]] = {
    "opc-ua": opc_ua,
    "snmp": snmp,
    "bacnet": bacnet,
}


def main() -> None:
    """Runs until standard input ends."""
    parser = argparse.ArgumentParser(prog="python -m logger.simulation.network_twins", description=__doc__)
    parser.add_argument("--kind", choices=sorted(TWINS), required=True)
    parser.add_argument("--values", type=int, default=20)
    arguments = parser.parse_args()
    logging.disable(logging.WARNING)
    asyncio.run(TWINS[arguments.kind](arguments.values))


if __name__ == "__main__":
    main()
