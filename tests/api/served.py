"""The interface behind its real server, on a free port of this machine."""

from __future__ import annotations

import http.client
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dashboard.server import ServingPlace, TlsFiles, bind


@contextmanager
def served(folder: Path, tls: TlsFiles | None = None) -> Iterator[ServingPlace]:
    """Pages and interface of a record; ended at the end."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    place = ServingPlace(port=port, tls=tls)
    server = bind(folder, place)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield place
    finally:
        server.close()
        thread.join(60)
        assert not thread.is_alive()


class Stream:
    """A client of the event stream that reads line by line, as WHATWG HTML (9.2.6) says; none of our code."""

    def __init__(self, place: ServingPlace, token: str) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", place.port, timeout=60)
        self._connection.request("GET", "/api/v1/events", headers={"Authorization": f"Bearer {token}"})
        self.answer = self._connection.getresponse()

    def event(self) -> tuple[str, str]:
        """Name and data of the next event; ("", …) is a comment."""
        name, data = "", ""
        while True:
            raw = self.answer.readline()
            assert raw, "the stream ended"
            line = raw.decode("utf-8").rstrip("\n")
            if line.startswith(":"):
                return "", line
            if not line and data:
                return name, data
            field, _, value = line.partition(": ")
            name, data = (value, data) if field == "event" else (name, value if field == "data" else data)

    def close(self) -> None:
        """Leave without a word."""
        self.answer.close()
        self._connection.close()
