"""The connections of the pages: waitress, with TLS, deadlines and fairness that it does not bring.

waitress reads and writes all sockets in one thread and hands whole requests to its workers, so a client
that is slow, silent or broken holds no worker. What is added here:

- TLS on sockets that never wait: a silent handshake delays nobody.
- Deadlines for handshake and headers, for a body, for an answer that nobody fetches, for an idle connection.
- A bound on connections. When it is reached, the longest idle connection of the address that holds most of
  them makes room, so that whoever opens many takes them from themselves first.
- Turns: addresses are served one after the other, however many requests one of them sends, and none has
  more than three workers at a time. An answer that lasts, such as a stream of events, does not count.
- Large bodies are taken only where they are expected: announced by somebody who may, and of that size.
"""

from __future__ import annotations

import select
import ssl
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from copy import copy
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.receiver import FixedStreamReceiver
from waitress.server import TcpWSGIServer
from waitress.task import WSGITask

from logger.api.stream import LASTS

from .turns import THREADS_OF_ADDRESS, Workers

THREADS = 8
LARGEST_BODY, LARGEST_HEAD = 2 << 20, 64 << 10  # bytes; a larger body must be expected
POLLS = hasattr(select, "poll")  # Windows has select() alone, which takes 512 sockets
AT_ONCE = 64  # connections taken before those that are there are looked at again
TLS_RECORD = 1 << 14  # bytes: a whole record is read at once, so none waits unseen inside the TLS library


@dataclass(frozen=True)
class ClientLimits:
    """What one client may take. Times in seconds, rates in bytes per second.

    300 quiet viewers hold a connection each; the rest is for pages that are just being opened.
    """

    connections: int = 600 if POLLS else 400
    head_s: float = 15.0  # from connecting, or from the first byte of a request, to the end of its headers
    idle_s: float = 75.0  # between requests
    grace_s: float = 30.0  # before the rate of a body or of an answer counts
    least_rate: float = 4000.0


class ExpectedBodies(Protocol):
    """Who knows which large bodies are expected."""

    def claim(self, ticket: str, size: int) -> Any:
        """The buffer that an expected body goes into; None: it is not expected."""


class Request(HTTPRequestParser):  # type: ignore[misc]  # without type information
    """A request; when its headers are there it is decided where its body goes, and whether it may come."""

    adj: Adjustments

    def __init__(self, adj: Adjustments, bodies: ExpectedBodies | None) -> None:
        super().__init__(adj)
        self._bodies = bodies

    def parse_header(self, header_plus: bytes) -> None:
        """Read the headers. The last part of the path of an expected body is its ticket."""
        super().parse_header(header_plus)
        if self._bodies is None or self.command != "POST" or self.chunked or not self.content_length:
            return
        buffer = self._bodies.claim(self.path.rpartition("/")[2], self.content_length)
        if buffer is not None:
            self.adj = copy(self.adj)
            self.adj.max_request_body_size = self.content_length + 1
            self.body_rcv = FixedStreamReceiver(self.content_length, buffer)


class Answer(WSGITask):  # type: ignore[misc]  # without type information
    """What answers one request; the application is told how to say that an answer lasts."""

    def get_environment(self) -> dict[str, Any]:
        """The request for the application, as WSGI has it (PEP 3333)."""
        environ: dict[str, Any] = super().get_environment()
        environ[LASTS] = self.channel.leave_turns
        return environ


class DeadlineChannel(HTTPChannel):  # type: ignore[misc]  # without type information
    """One connection with its deadlines; over TLS where the server has a certificate."""

    request: Any
    task_class = Answer

    def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:
        # Workers send while the main thread reads, and OpenSSL takes one at a time.
        self._turn = threading.RLock()
        self._opened = self._begun = self._free = time.monotonic()
        self._received = self._sent = 0
        self._requested = self._counts = False
        self._sending: float | None = None
        if server.tls is not None:
            sock.setblocking(False)
            sock = server.tls.wrap_socket(sock, server_side=True, do_handshake_on_connect=False)
        self.parser_class = partial(Request, bodies=server.bodies)
        super().__init__(server, sock, addr, adj, map=map)

    @property
    def idle(self) -> bool:
        """Whether nothing is being answered on it."""
        return not self.requests and not self.total_outbufs_len

    def recv(self, size: int) -> bytes:
        """What has come; SSLWantReadError where a record is not whole yet."""
        with self._turn:
            data: bytes = super().recv(size)
            return data

    def handle_read(self) -> None:
        """Read what there is; an unfinished handshake or record is not a fault."""
        try:
            data = self.recv(self.adj.recv_bytes)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return
        except OSError:
            self.handle_close()
            return
        if data:
            self.last_activity = time.time()
            self.received(data)

    def send(self, data: bytes, do_close: bool = True) -> int:
        """How many bytes were taken; 0: none can be just now."""
        with self._turn:
            try:
                count = int(super().send(data, do_close=do_close))
            except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return 0
        self._sent += count
        return count

    def received(self, data: bytes) -> bool:
        """Take bytes of a request, and note when it began."""
        if self.request is None:
            self._begun, self._received = time.monotonic(), 0
        self._received += len(data)
        accepted = bool(super().received(data))
        self._requested = self._requested or bool(self.requests)
        return accepted

    def service(self) -> None:
        """Answer one request, in a worker, which is then free for all addresses."""
        self._counts = True
        try:
            super().service()
        finally:
            self._free = time.monotonic()
            self.leave_turns()

    def leave_turns(self) -> None:
        """Count no more among the workers of its address: it is answered, or it lasts and mostly waits."""
        counted, self._counts = self._counts, False
        if counted:
            self.server.task_dispatcher.release(self)

    def readable(self) -> bool:
        return self._fileno is not None and bool(super().readable())

    def writable(self) -> bool:
        return self._fileno is not None and bool(super().writable())

    def handle_close(self) -> None:
        """Close, and over TLS say so; whether the other side hears it does not matter."""
        with self._turn:
            if self._fileno is not None and isinstance(self.socket, ssl.SSLSocket):
                with suppress(OSError, ValueError):
                    self.socket.unwrap()
        # Not within the turn: a worker that sends has the lock of the buffers first, and the turn then.
        super().handle_close()
        if self.requests_lock.acquire(blocking=False):  # else somebody is just reading it
            try:
                self._forget_request()
            finally:
                self.requests_lock.release()

    def _forget_request(self) -> None:
        if self.request is not None:
            self.request.close()  # its body may have gone into a file
            self.request = None

    def overdue(self, now: float, limits: ClientLimits) -> bool:
        """Whether the client has used up its time for what it is doing."""
        if self._unfetched(now, limits):
            return True
        if self.requests:
            return False
        if self.request is not None:
            return self._late(now, limits)
        if not self._requested:
            return now - self._opened > limits.head_s
        return self.idle and now - self._free > limits.idle_s

    def _late(self, now: float, limits: ClientLimits) -> bool:
        """A request that does not become whole."""
        taken_s = now - self._begun
        if not self.request.headers_finished:
            return taken_s > limits.head_s
        return taken_s > limits.grace_s and self._received / taken_s < limits.least_rate

    def _unfetched(self, now: float, limits: ClientLimits) -> bool:
        """An answer that the client does not fetch."""
        if not self.total_outbufs_len:
            self._sending = None
            return False
        if self._sending is None:
            self._sending, self._sent = now, 0
        taken_s = now - self._sending
        return taken_s > limits.grace_s and self._sent / taken_s < limits.least_rate


class Listener(TcpWSGIServer):  # type: ignore[misc]  # without type information
    """The socket that takes connections."""

    channel_class = DeadlineChannel

    def __init__(
        self,
        app: Any,
        adj: Adjustments,
        tls: ssl.SSLContext | None,
        limits: ClientLimits,
        bodies: ExpectedBodies | None,
    ) -> None:
        self.tls, self.limits, self.bodies = tls, limits, bodies
        # Behind a proxy all visitors have one address here.
        most = adj.threads if adj.trusted_proxy else THREADS_OF_ADDRESS
        super().__init__(app, adj=adj, dispatcher=Workers(adj.threads, most))

    def handle_accept(self) -> None:
        """Take the connections that wait; one that fails at that moment closes itself and nothing else.

        Several at a time: a flood of them would else be let in one by one, and a visitor after all of them.
        """
        for _ in range(AT_ONCE):
            try:
                sock, address = self.socket.accept()
            except OSError:
                return
            self._make_room()
            try:
                self.set_socket_options(sock)
                self.channel_class(self, sock, address, self.adj, map=self._map)
            except OSError:
                sock.close()

    def maintenance(self, now: float) -> None:  # noqa: ARG002 (waitress gives the wall clock, which may step)
        """Close what is overdue: at once, because a client that fetches nothing would never hear of it."""
        at = time.monotonic()
        for channel in list(self.active_channels.values()):
            if channel.overdue(at, self.limits):
                channel.handle_close()

    def _make_room(self) -> None:
        """One idle connection less where there are as many as may be."""
        channels = list(self.active_channels.values())
        if len(channels) < self.limits.connections:
            return
        by_address = Counter(channel.addr[0] for channel in channels)
        idle = [channel for channel in channels if channel.idle]
        if idle:
            max(
                idle, key=lambda c: (by_address[c.addr[0]], not c._requested, -c.last_activity)
            ).handle_close()


class WebServer:
    """A bound server: `run` blocks until `close`, which may come from another thread."""

    def __init__(self, listener: Listener, at_end: Callable[[], None]) -> None:
        self._listener, self._at_end = listener, at_end
        self._running, self._ended = threading.Event(), threading.Event()

    @property
    def port(self) -> int:
        """The port that it holds, also where any free one was wanted (0)."""
        return int(self._listener.effective_port)

    def run(self) -> None:
        """Serve until closed or interrupted."""
        self._running.set()
        adj, sockets = self._listener.adj, self._listener._map
        try:
            while not self._ended.is_set():
                wasyncore.loop(1.0, adj.asyncore_use_poll, sockets, count=1)
        finally:
            self._end()

    def close(self) -> None:
        """End it. Sockets are closed by the thread that waits for them."""
        self._ended.set()
        if self._running.is_set():
            with suppress(OSError):  # it has ended meanwhile
                self._listener.pull_trigger()
        else:
            self._end()

    def _end(self) -> None:
        self._at_end()  # an answer that goes on for ever would hold its worker
        self._listener.task_dispatcher.shutdown()
        for channel in list(self._listener.active_channels.values()):
            channel.handle_close()
        wasyncore.close_all(self._listener._map, ignore_all=True)


def server(
    app: Any,
    host: str,
    port: int,
    *,
    tls: ssl.SSLContext | None = None,
    proxy: str = "",
    limits: ClientLimits | None = None,
    bodies: ExpectedBodies | None = None,
    at_end: Callable[[], None] = lambda: None,
) -> WebServer:
    """A server that holds its port but does not run yet; OSError when the port is taken.

    `proxy` is the address of the one proxy whose X-Forwarded-For is believed. `at_end` is called before the
    workers are waited for.
    """
    limits = limits or ClientLimits()
    trusted = {"trusted_proxy": proxy, "trusted_proxy_count": 1, "trusted_proxy_headers": {"x-forwarded-for"}}
    adj = Adjustments(
        host=host,
        port=port,
        threads=THREADS,
        ident=None,
        clear_untrusted_proxy_headers=False,  # their presence is what tells a proxy
        max_request_body_size=LARGEST_BODY,
        max_request_header_size=LARGEST_HEAD,
        recv_bytes=TLS_RECORD,
        # Where every connection is busy, further ones wait in the system's own queue.
        connection_limit=limits.connections + 16,
        cleanup_interval=1,
        asyncore_use_poll=POLLS,
        log_socket_errors=False,
        url_scheme="https" if tls else "http",
        server_name="stillroom",
        **(trusted if proxy else {}),
    )
    return WebServer(Listener(app, adj, tls, limits, bodies), at_end)
