"""The far ends of lines: pseudo-terminals, and sockets on this machine where there are none.

A wire can be unplugged and plugged in again; its url stays the same, as that of a device by its name.
A send that nobody takes is lost, as on a real line.
"""

from __future__ import annotations

import contextlib
import os
import socket
from pathlib import Path
from typing import Protocol

LOOPBACK = "127.0.0.1"


class Wire(Protocol):
    """The device's end of one line."""

    url: str

    def files(self) -> list[int]:
        """Descriptors to wait on."""

    def receive(self) -> bytes:
        """What has come; b"" when nothing has."""

    def send(self, data: bytes) -> None:
        """Sends as much as the other end takes at once."""

    def unplug(self) -> None:
        """The device vanishes; no effect when it has."""

    def plug(self) -> None:
        """The device is there again; no effect when it is."""


class PtyWire:
    """A pseudo-terminal behind a link in `folder` that is its stable name. Not on Windows."""

    def __init__(self, name: str, folder: Path) -> None:
        self._link = folder / name
        self.url = str(self._link)
        self._near = self._far = -1
        self.plug()

    def files(self) -> list[int]:
        """See `Wire`."""
        return [self._near] if self._near >= 0 else []

    def receive(self) -> bytes:
        """See `Wire`."""
        with contextlib.suppress(BlockingIOError):
            return os.read(self._near, 4096)
        return b""

    def send(self, data: bytes) -> None:
        """See `Wire`."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._near, data)

    def unplug(self) -> None:
        """See `Wire`."""
        if self._near < 0:
            return
        self._link.unlink(missing_ok=True)
        os.close(self._near)
        os.close(self._far)
        self._near = self._far = -1

    def plug(self) -> None:
        """See `Wire`."""
        if self._near >= 0:
            return
        import tty

        # The far end stays open here too: else reading fails while no program has the line open.
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self._link.symlink_to(os.ttyname(self._far))


class SocketWire:
    """A server on the loopback for one client at a time; a later one takes its place."""

    def __init__(self) -> None:
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._port = 0
        self.plug()
        self.url = f"socket://{LOOPBACK}:{self._port}"

    def files(self) -> list[int]:
        """See `Wire`."""
        return [s.fileno() for s in (self._listener, self._client) if s is not None]

    def receive(self) -> bytes:
        """See `Wire`."""
        self._accept()
        if self._client is None:
            return b""
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop()
        return data

    def send(self, data: bytes) -> None:
        """See `Wire`."""
        if self._client is not None:
            try:
                self._client.send(data)
            except BlockingIOError:
                return
            except OSError:
                self._drop()

    def unplug(self) -> None:
        """See `Wire`."""
        self._drop()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def plug(self) -> None:
        """See `Wire`."""
        if self._listener is None:
            self._listener = socket.create_server((LOOPBACK, self._port))
            self._listener.setblocking(False)
            self._port = self._listener.getsockname()[1]

    def _accept(self) -> None:
        if self._listener is None:
            return
        with contextlib.suppress(BlockingIOError):
            client, _ = self._listener.accept()
            self._drop()
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
