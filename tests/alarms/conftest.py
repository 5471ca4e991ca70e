"""A small invented room and a real mail server on loopback that answers as it is told."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage, Message
from email.parser import BytesParser
from email.policy import default
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from logger.model import Channel, MailRoute, Placement, Position, Probe, Room, Rule, Setup, Zone
from tests.tls import self_signed


def channel(key: str) -> Channel:
    """An air temperature channel, polled each minute."""
    probe = key.split(".", maxsplit=1)[0]
    return Channel(key, probe, "temperature", "degC", 60.0, 180.0, 0.01, 0.01, (-40.0, 125.0))


@pytest.fixture
def setup() -> Setup:
    """One zone with two probes and a limit that disturbs bodies."""
    probes = {key: Probe(key, f"AG-{key}", "air", (f"{key}.temperature",)) for key in ("P1", "P2")}
    positions = {
        "bridge": Position("bridge", "bridge table", "bay", "air", (2.0, 2.0, 0.9)),
        "column": Position("column", "column top", "bay", "air", (3.6, 3.8, 2.3)),
    }
    rule = Rule("bay.temperature", "bay", "limit", "temperature", "temperature", "degC", 19.5, 20.5,
                "maker's manual", 0, disturbs=True)  # fmt: skip
    return Setup(
        1, "0" * 64, Room("east", "Measuring room East", "Almtal Gearworks", "Europe/Vienna",
                          (9.0, 6.0, 3.0), "Greta Holm", simulated=True),
        {"bay": Zone("bay", "Machine bay", (0.8, 0.8, 5.2, 5.2))}, positions, probes,
        {f"{key}.temperature": channel(f"{key}.temperature") for key in probes},
        (Placement("P1", "bridge", 0), Placement("P2", "column", 0)), (), (rule,), (),
    )  # fmt: skip


@dataclass
class Peer:
    """A mail server: `answers` by recipient ("451 ..." comes in DATA, "550 ..." at RCPT), or silence."""

    answers: dict[str, str] = field(default_factory=dict)
    silent_s: float = 0.0
    accepted: list[Message] = field(default_factory=list)
    attempts: list[str] = field(default_factory=list)

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        self.attempts.append(address)
        answer = self.answers.get(address, "")
        if answer.startswith("5"):
            return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.silent_s:
            await asyncio.sleep(self.silent_s)
        answer = self.answers.get(envelope.rcpt_tos[0], "")
        if answer:
            return answer
        self.accepted.append(BytesParser(EmailMessage, policy=default).parsebytes(envelope.content))
        return "250 Message accepted"


@pytest.fixture
def serve() -> Iterator[Callable[..., tuple[Peer, MailRoute]]]:
    """Starts mail servers on loopback; gives the peer and a route to it."""
    started: list[Controller] = []

    def start(tls: str = "none", **options: Any) -> tuple[Peer, MailRoute]:
        peer = Peer()
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        controller = Controller(peer, hostname="127.0.0.1", port=port, ready_timeout=60, **options)
        controller.start()
        started.append(controller)
        route = MailRoute("duty", "127.0.0.1", port, "room@almtal.example", ("greta@almtal.example",), tls)  # type: ignore[arg-type]  # literal by parameter
        return peer, route

    yield start
    for controller in started:
        controller.stop()


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """A server's context with a certificate of its own, and a client's that trusts it."""
    cert, key = self_signed(tmp_path_factory.mktemp("tls"))
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(cert, key)
    return server, ssl.create_default_context(cafile=str(cert))
