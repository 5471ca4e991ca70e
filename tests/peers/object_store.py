"""An object store of another make on loopback: the server of moto, which can be away and come back."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from tests.programs import library

ACCOUNT = {"AWS_ACCESS_KEY_ID": "room", "AWS_SECRET_ACCESS_KEY": "room", "AWS_DEFAULT_REGION": "us-east-1"}


@dataclass
class ObjectStore:
    """A server with one bucket, `measuring`; what it holds outlives its absence."""

    port: int
    _server: Any

    @property
    def endpoint(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def ask(self, method: str, name: str, content: bytes | None = None) -> bytes:
        """Ask it as any client would, without a library of ours: for an object, or the bucket itself ("")."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=60)
        with closing(connection):
            connection.request(method, f"/measuring/{name}", content)
            return connection.getresponse().read()

    @contextmanager
    def away(self) -> Iterator[None]:
        _stop(self._server)
        try:
            yield
        finally:
            self._server = _start(self.port)

    @contextmanager
    def silent(self) -> Iterator[list[socket.socket]]:
        """It takes connections and never answers; gives those that it took."""
        _stop(self._server)
        connections: list[socket.socket] = []
        listener = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=_take_all, args=(listener, connections), daemon=True).start()
        try:
            yield connections
        finally:
            listener.shutdown(socket.SHUT_RDWR)
            for end in (listener, *connections):
                end.close()
            self._server = _start(self.port)

    @contextmanager
    def refusing(self, status: int, code: str) -> Iterator[None]:
        """It answers each request with that refusal, as S3 writes one."""
        content = f"<Error><Code>{code}</Code><Message>a made refusal.</Message></Error>".encode()

        class Refusal(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.rfile.read(int(self.headers.get("Content-Length") or 0))
                self.send_response(status)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                if self.command != "HEAD":
                    self.wfile.write(content)

            do_PUT = do_HEAD = do_GET

            def log_message(self, *_: Any) -> None:
                """Nothing."""

        _stop(self._server)
        with ThreadingHTTPServer(("127.0.0.1", self.port), Refusal) as server:
            threading.Thread(target=server.serve_forever, daemon=True).start()
            try:
                yield
            finally:
                server.shutdown()
        self._server = _start(self.port)


def _take_all(listener: socket.socket, connections: list[socket.socket]) -> None:
    with suppress(OSError):
        while True:
            connections.append(listener.accept()[0])


def _start(port: int) -> Any:
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer("127.0.0.1", port, verbose=False)
    server.start()
    return server


def _stop(server: Any) -> None:
    server.stop()
    server._server.server_close()  # which it leaves to the collector of garbage, with a warning


@contextmanager
def object_store() -> Iterator[ObjectStore]:
    """The server, with an empty bucket; the test is skipped where its library is not installed."""
    for name in ("s3fs", "moto"):
        library(name)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = _start(0)
    store = ObjectStore(server.get_host_and_port()[1], server)
    store.ask("PUT", "")
    try:
        yield store
    finally:
        _stop(store._server)
