"""Clients that are slow, silent, broken or greedy, and the visitor beside them.

A visitor's time is printed (`pytest -s`) and not asserted: a busy machine is no fault. What is asserted is
that the visitor is served while all those hang.
"""

from __future__ import annotations

import http.client
import os
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import pytest

from dashboard import connections
from dashboard.connections import LASTS, ClientLimits
from dashboard.server import ServingPlace, TlsFiles, bind
from dashboard.turns import Turns
from tests.dashboard.synthetic import Synthetic
from tests.dashboard.test_serving import files, free_port

__all__ = ["files"]
HOST = "127.0.0.1"
PATIENT_S = 120.0  # far more than a served visitor takes on any machine


@pytest.fixture(params=["plain", "tls"])
def place(request: pytest.FixtureRequest, files: TlsFiles) -> Iterator[ServingPlace]:
    """The pages of an invented record behind the real server, with short limits."""
    yield from _served(files if request.param == "tls" else None)


def _served(tls: TlsFiles | None, **limits: Any) -> Iterator[ServingPlace]:
    record, place = Synthetic(), ServingPlace(HOST, free_port(), tls=tls)
    server = bind(record.store.folder, place, source=record, limits=ClientLimits(**limits))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield place
    server.close()
    thread.join(60)


def _visit(place: ServingPlace, source: str = HOST) -> int:
    """The status that an honest visitor gets."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    more: dict[str, Any] = {"timeout": PATIENT_S, "source_address": (source, 0)}
    words = (
        http.client.HTTPSConnection(HOST, place.port, context=context, **more)
        if place.tls
        else http.client.HTTPConnection(HOST, place.port, **more)
    )
    try:
        words.request("GET", "/sign-in")
        answer = words.getresponse()
        answer.read()
        return answer.status
    finally:
        words.close()


def _silent(stack: ExitStack, place: ServingPlace, count: int) -> list[socket.socket]:
    return [stack.enter_context(socket.create_connection((HOST, place.port), 30)) for _ in range(count)]


def _closed(connection: socket.socket, within_s: float) -> bool:
    """Whether the other side closes it."""
    connection.settimeout(within_s)
    with suppress(ConnectionError):
        while connection.recv(65536):
            pass
    return True


@pytest.mark.slow
def test_silent_connections_lock_nobody_out(place: ServingPlace) -> None:
    """98 connections that say nothing, over TLS not even a greeting: the next visitors are served."""
    with ExitStack() as stack:
        _silent(stack, place, 98)
        assert [_visit(place) for _ in range(3)] == [200] * 3


@pytest.mark.slow
def test_there_is_room_for_300_quiet_viewers(place: ServingPlace) -> None:
    """300 pages that stay open on one connection each: every one is answered again later, and a new one."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    with ExitStack() as stack:
        viewers = _silent(stack, place, 300)
        if place.tls:
            viewers = [stack.enter_context(context.wrap_socket(client)) for client in viewers]
        for _ in range(2):
            for client in viewers:
                client.sendall(b"HEAD /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            for client in viewers:
                client.settimeout(PATIENT_S)
                assert client.recv(65536).startswith(b"HTTP/1.1 200")
        assert _visit(place) == 200


@pytest.mark.slow
@pytest.mark.parametrize(
    "expected",
    [
        b"",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: y",
        b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100000\r\n\r\nx",
        b"HEAD /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    ],
    ids=["silent", "in the headers", "in the body", "after an answer"],
)
@pytest.mark.parametrize("over", ["plain", "tls"])
def test_what_does_not_go_on_is_closed(files: TlsFiles, over: str, expected: bytes) -> None:
    """A connection that stays silent, stops in the headers or the body, or after its answer, is ended."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    short = {"head_s": 0.5, "idle_s": 0.5, "grace_s": 0.5}
    for place in _served(files if over == "tls" else None, **short):
        with socket.create_connection((HOST, place.port), 30) as plain, ExitStack() as stack:
            spoken = stack.enter_context(context.wrap_socket(plain)) if over == "tls" and expected else plain
            spoken.sendall(expected)
            assert _closed(spoken, PATIENT_S)
        assert _visit(place) == 200


@pytest.mark.slow
def test_an_answer_that_nobody_fetches_is_given_up(files: TlsFiles) -> None:
    """The client asks for more than fits on the way and reads nothing: its connection ends."""
    for place in _served(None, grace_s=0.5):
        with socket.socket() as deaf:
            deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            deaf.settimeout(30)
            deaf.connect((HOST, place.port))
            deaf.sendall(b"GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 2000)
            until = time.monotonic() + PATIENT_S
            closed = False
            while not closed and time.monotonic() < until:
                try:
                    deaf.send(b"\r\n")
                    time.sleep(0.05)
                except OSError:
                    closed = True
            assert closed
        assert _visit(place) == 200


@pytest.mark.slow
def test_the_idle_of_the_greediest_make_room(files: TlsFiles) -> None:
    """At the bound a new visitor is let in; the connection of a viewer elsewhere stays, a silent one goes."""
    for place in _served(None, connections=10):
        with ExitStack() as stack:
            viewer = stack.enter_context(socket.create_connection((HOST, place.port), 30, ("127.0.0.3", 0)))
            viewer.settimeout(PATIENT_S)
            viewer.sendall(b"HEAD /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert viewer.recv(65536)
            greedy = _silent(stack, place, 30)
            assert [_visit(place, "127.0.0.2") for _ in range(12)] == [200] * 12
            viewer.sendall(b"HEAD /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert viewer.recv(65536).startswith(b"HTTP/1.1 200")
            assert _closed(greedy[0], PATIENT_S)


def test_addresses_take_turns() -> None:
    """One request of another address comes after one of the greedy address, not after all of them."""

    class Request:
        def __init__(self, address: str) -> None:
            self.addr = (address, 1)

    turns = Turns(8)
    for address in ["greedy"] * 4 + ["other"] * 2:
        turns.append(Request(address))
    served = [turns.popleft().addr[0] for _ in range(6)]
    assert served == ["greedy", "other", "greedy", "other", "greedy", "greedy"]
    assert not turns


def test_an_address_has_so_many_workers_at_a_time() -> None:
    """What it asks for beyond waits, though workers are idle, until one of its requests is answered."""

    class Request:
        def __init__(self, address: str) -> None:
            self.addr = (address, 1)

    turns = Turns(2)
    for address in ["greedy"] * 4 + ["other"]:
        turns.append(Request(address))
    taken = [turns.popleft() for _ in range(len(turns))]
    assert [request.addr[0] for request in taken] == ["greedy", "other", "greedy"]
    assert len(turns) == 0
    turns.release(taken[0])
    assert len(turns) == 1
    assert turns.popleft().addr[0] == "greedy"
    assert len(turns) == 0


def test_answers_that_last_leave_the_pages_of_their_address() -> None:
    """Seven streams of events and one page of the same machine; a page that computes counts as ever."""
    ended = threading.Event()

    def app(environ: dict[str, Any], start: Any) -> list[bytes]:
        if environ["PATH_INFO"] == "/stream":
            environ[LASTS]()
            ended.wait(PATIENT_S)
        start("200 OK", [("Content-Length", "0")])
        return []

    place = ServingPlace(HOST, free_port())
    server = connections.server(app, HOST, place.port)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    with ExitStack() as stack:
        for client in _silent(stack, place, 7):
            client.sendall(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert [_visit(place) for _ in range(3)] == [200] * 3
        ended.set()
    server.close()
    thread.join(60)


def _attacked(place: ServingPlace, seconds: float, gap_s: float) -> list[float]:
    """How long each visit took while all hostile clients were at it; every one of them is served."""
    command = [sys.executable, "-m", "tests.dashboard.hostile_clients", str(place.port), str(seconds + 60)]
    took = []
    with subprocess.Popen(
        [*command, *(["tls"] if place.tls else [])], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as attack:
        assert attack.stdout is not None
        assert attack.stdout.readline() == b"attacking\n"
        time.sleep(min(2.0, seconds / 4))
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            began = time.monotonic()
            assert _visit(place, "127.0.0.2") == 200
            took.append(time.monotonic() - began)
            time.sleep(gap_s)
        assert attack.poll() is None
        attack.kill()
    return took


def _times_text(took: list[float]) -> str:
    ordered = sorted(took)
    return f"{len(took)} visits: median {ordered[len(took) // 2]:.3f} s, longest {ordered[-1]:.3f} s"


@pytest.mark.slow
def test_a_visitor_is_served_beside_hostile_clients(place: ServingPlace) -> None:
    """Slow, silent, broken and greedy clients, some 600 of them, for some seconds."""
    print(_times_text(_attacked(place, 4.0, 0.1)))


@pytest.mark.long
@pytest.mark.parametrize("over", ["plain", "tls"])
def test_campaign_of_hostile_clients(demo_copy: Path, files: TlsFiles, over: str) -> None:
    """The same against the program as it is started, for $STILLROOM_CAMPAIGN_S (default 1800 s).

    The aim is a longest visit under 1 s on a quiet machine; it is printed.
    """
    port, seconds = free_port(), float(os.environ.get("STILLROOM_CAMPAIGN_S", "1800"))
    tls = files if over == "tls" else None
    more = ["--certificate", str(files.certificate), "--key", str(files.key)] if tls else []
    command = [sys.executable, "-m", "logger.cli", "serve", "--with-parent", "--data", str(demo_copy)]
    with subprocess.Popen([*command, "--port", str(port), *more], stdin=subprocess.PIPE) as pages:
        place, until = ServingPlace(HOST, port, tls=tls), time.monotonic() + PATIENT_S
        while True:
            try:
                assert _visit(place) == 200
                break
            except OSError:
                assert time.monotonic() < until
                time.sleep(0.2)
        print(_times_text(_attacked(place, seconds, 0.5)))
        assert pages.poll() is None
        pages.kill()
