"""A way to a database server that breaks at the worst moment: before a commit, or before its answer.

PostgreSQL's manual, "Frontend/Backend Protocol": a simple query is 'Q', its length, its text and a zero.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

COMMIT = b"Q\x00\x00\x00\x0bCOMMIT\x00"


class CuttingProxy:
    """Forwards connections to a port; `cut` says where the next commit breaks off: "", "before" or "
    ""after"."""

    def __init__(self, port: int) -> None:
        self._server = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.cut = ""
        self.away = False  # nobody answers any more, until it is False again
        self.flows = threading.Event()  # cleared: connections are taken and stay, and nothing comes through
        self.flows.set()
        self.stops_at_commit = False  # after the next commit has got through, nothing comes through
        self.cuts = 0
        self.answers_with: tuple[bytes, bytes] = (b"", b"")  # what the server says, and what is heard instead
        self.questions = 0  # data of a client after data of the server: ways there and back
        self._answered = True
        self._open: list[socket.socket] = []
        self._silent: socket.socket | None = None  # whose answer nobody hears
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        """Take no more connections and end those there are."""
        self._listener.close()
        self.flows.set()
        self.end_all()

    def end_all(self) -> None:
        """Break every connection off."""
        for end in self._open:
            _end(end)
        self._open.clear()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                server = None if self.away else self._reach()
                if server is None:
                    client.close()
                    continue
                self._open += [client, server]
                for ends, way in (((client, server), self._forward), ((server, client), self._answer)):
                    threading.Thread(target=way, args=ends, daemon=True).start()

    def _reach(self) -> socket.socket | None:
        try:
            return socket.create_connection(("127.0.0.1", self._server))
        except OSError:
            return None

    def _forward(self, client: socket.socket, server: socket.socket) -> None:
        with suppress(OSError):
            while data := client.recv(65536):
                self.flows.wait()
                self.questions += self._answered
                self._answered = False
                if self.cut and data == COMMIT:
                    where, self.cut = self.cut, ""
                    if where == "after":
                        self._silent = server
                        server.sendall(data)
                        continue
                    self.cuts += 1
                    break
                if self.stops_at_commit and data == COMMIT:
                    self.stops_at_commit = False
                    self.flows.clear()
                server.sendall(data)
        self._break(client, server)

    def _answer(self, server: socket.socket, client: socket.socket) -> None:
        with suppress(OSError):
            while data := server.recv(65536):
                self.flows.wait()
                self._answered = True
                if self._silent is server:  # it was committed
                    self._silent = None
                    self.cuts += 1
                    break
                client.sendall(data.replace(*self.answers_with) if all(self.answers_with) else data)
        self._break(client, server)

    def _break(self, *ends: socket.socket) -> None:
        for end in ends:
            _end(end)


def _end(end: socket.socket) -> None:
    with suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)
    end.close()


@contextmanager
def cutting_proxy(port: int) -> Iterator[CuttingProxy]:
    """A proxy to a port of this machine, closed afterwards."""
    proxy = CuttingProxy(port)
    try:
        yield proxy
    finally:
        proxy.close()
