"""A real RFC 2217 server around a pseudo-terminal, with pyserial's own protocol engine."""

from __future__ import annotations

import contextlib
import socket
from pathlib import Path

import serial
from serial import rfc2217

from logger.simulation.wires import SocketWire


class _Port(serial.Serial):
    """A serial port whose modem lines do what is wanted: nothing, as a pseudo-terminal has none."""

    rts = cts = dtr = dsr = ri = cd = True  # type: ignore[assignment]

    def _update_rts_state(self) -> None: ...

    def _update_dtr_state(self) -> None: ...


class Rfc2217Wire(SocketWire):
    """A `SocketWire` that speaks RFC 2217: settings are taken, data are unescaped and escaped."""

    def __init__(self, folder: Path) -> None:
        import os

        super().__init__()
        self.url = self.url.replace("socket://", "rfc2217://") + "?timeout=1"
        self._ends = os.openpty()
        self._serial = _Port(os.ttyname(self._ends[1]))
        self._manager: rfc2217.PortManager | None = None
        self._of: socket.socket | None = None

    def receive(self) -> bytes:
        """What came, without what the protocol said."""
        data = super().receive()
        if self._client is not self._of:
            self._of = self._client
            self._manager = rfc2217.PortManager(self._serial, _Sender(self))
        if self._manager is None or not data:
            return b""
        return b"".join(self._manager.filter(data))

    def send(self, data: bytes) -> None:
        """Escaped, as the protocol wants it."""
        if self._manager is not None:
            super().send(b"".join(self._manager.escape(data)))

    def raw(self, data: bytes) -> None:
        super().send(data)

    def unplug(self) -> None:
        super().unplug()

    def close(self) -> None:
        import os

        self._serial.close()
        for end in self._ends:
            with contextlib.suppress(OSError):
                os.close(end)


class _Sender:
    """What the protocol engine writes its own answers to."""

    def __init__(self, wire: Rfc2217Wire) -> None:
        self._wire = wire

    def write(self, data: bytes) -> None:
        self._wire.raw(bytes(data))
