"""One deadline for the whole of an act outside this process: opening, talking and closing together.

A time-out of a socket counts anew for each piece that comes: a peer that drips holds whoever waits for it for
ever. Here the act runs in a thread of its own, which is left to itself when its deadline has passed; sockets
that it opened are shut, so that the thread ends, too.
"""

from __future__ import annotations

import socket
import ssl
import threading
import time
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from http.client import HTTPConnection, HTTPResponse, HTTPSConnection
from typing import Any, Generic, TypeVar

T = TypeVar("T")
GRACE_S = 0.5  # for an act whose sockets were shut to say how far it came


class DeadlineExceeded(TimeoutError):
    """An act outside did not end by its deadline; the text names it."""


class Attempt(Generic[T]):
    """One act in a thread of its own, waited for as long as one likes."""

    def __init__(self, name: str, work: Callable[[], T]) -> None:
        self._work = work
        self._value: T | None = None
        self._error: BaseException | None = None
        self._ended = threading.Event()
        self.begun_s = time.monotonic()
        threading.Thread(target=self._run, name=name, daemon=True).start()

    @property
    def ended(self) -> bool:
        """Whether it has ended, well or not."""
        return self._ended.is_set()

    def wait(self, seconds: float) -> bool:
        """Whether it has ended within that time."""
        return self._ended.wait(max(0.0, seconds))

    def result(self) -> T:
        """What it gave, or raises what it raised; only for one that has ended."""
        if self._error is not None:
            raise self._error
        return self._value  # type: ignore[return-value]

    def _run(self) -> None:
        try:
            self._value = self._work()
        except BaseException as error:  # noqa: BLE001 (it is raised where the result is asked for)
            self._error = error
        self._ended.set()


class Lines:
    """The sockets of one act, and how much of its time is left, in seconds."""

    def __init__(self, seconds: float) -> None:
        self.until_s = time.monotonic() + seconds
        self._held: list[socket.socket] = []
        self._lock = threading.Lock()
        self._shut = False
        self.concluded = False  # its result is there; only closing remains

    @property
    def left_s(self) -> float:
        """Seconds until the deadline, never 0: that would mean another kind of socket."""
        return max(0.01, self.until_s - time.monotonic())

    def connect(self, host: str, port: int) -> socket.socket:
        """A connection that is shut at the deadline, whatever has been wrapped around it meanwhile."""
        peer = socket.create_connection((host, port), self.left_s)
        peer.settimeout(self.left_s + GRACE_S)  # it is shut before
        with self._lock:
            self._held.append(peer.dup())
        if self._shut:
            self.shut()
        return peer

    def shut(self) -> None:
        """Ends whatever waits on them."""
        with self._lock:
            self._shut = True
            for connection in self._held:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def release(self) -> None:
        """The act is over."""
        with self._lock:
            for connection in self._held:
                connection.close()
            self._held.clear()


class BoundedCall:
    """A call outside that has so many seconds; while an earlier one hangs no other is begun."""

    def __init__(self, name: str, seconds: float) -> None:
        self.name, self.seconds = name, seconds
        self._hangs: Attempt[object] | None = None

    def run(self, work: Callable[[Lines], T]) -> T:
        """What `work` gives; raises what it raises, and DeadlineExceeded where it has not ended in time."""
        if self._hangs is not None and not self._hangs.ended:
            age_s = time.monotonic() - self._hangs.begun_s
            raise DeadlineExceeded(f"{self.name} has not ended for {age_s:.0f} s")
        lines = Lines(self.seconds)

        def released() -> T:
            try:
                return work(lines)
            finally:
                lines.release()

        attempt = Attempt(self.name, released)
        late = DeadlineExceeded(f"{self.name} did not end within {self.seconds:g} s")
        if attempt.wait(self.seconds):
            return _in_time(attempt, late)
        lines.shut()
        if not attempt.wait(GRACE_S):
            self._hangs = attempt  # type: ignore[assignment]
        elif lines.concluded:
            return _in_time(attempt, late)
        raise late


def _in_time(attempt: Attempt[T], late: DeadlineExceeded) -> T:
    try:
        return attempt.result()
    except DeadlineExceeded:
        raise
    except TimeoutError as error:
        raise late from error


def within(seconds: float, name: str, work: Callable[[Lines], T]) -> T:
    """What `work` gives, called once; DeadlineExceeded where it has not ended in time."""
    return BoundedCall(name, seconds).run(work)


class PlainConnection(HTTPConnection):
    """HTTP over a socket of `lines`."""

    def __init__(self, host: str, port: int | None = None, *, lines: Lines, **_: Any) -> None:
        super().__init__(host, port)
        self._lines = lines

    def connect(self) -> None:
        """See `http.client`."""
        self.sock = self._lines.connect(self.host, self.port)


class TlsConnection(HTTPSConnection):
    """HTTP over a TLS socket of `lines`."""

    def __init__(
        self, host: str, port: int | None = None, *, lines: Lines, context: ssl.SSLContext, **_: Any
    ) -> None:
        super().__init__(host, port, context=context)
        self._lines, self._tls = lines, context

    def connect(self) -> None:
        """See `http.client`."""
        self.sock = self._tls.wrap_socket(
            self._lines.connect(self.host, self.port), server_hostname=self.host
        )


def opener(lines: Lines, context: ssl.SSLContext | None = None) -> urllib.request.OpenerDirector:
    """For URLs, through `lines` and past every proxy: one that answers for the dead would hide them."""

    class Plain(urllib.request.HTTPHandler):
        def http_open(self, request: urllib.request.Request) -> HTTPResponse:
            return self.do_open(PlainConnection, request, lines=lines)  # type: ignore[arg-type]

    class Tls(urllib.request.HTTPSHandler):
        def https_open(self, request: urllib.request.Request) -> HTTPResponse:
            tls = context or ssl.create_default_context()
            return self.do_open(TlsConnection, request, lines=lines, context=tls)  # type: ignore[arg-type]

    return urllib.request.build_opener(urllib.request.ProxyHandler({}), Plain, Tls)
