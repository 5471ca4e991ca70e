"""Lines of text over TCP for drivers of plug-ins: one question, one answer, one deadline."""

from __future__ import annotations

import socket
import time
from contextlib import suppress

from ..errors import ProbeError

LONGEST = 512  # characters of a line


class LineSocket:
    """A connection to HOST:PORT. `openings` counts: who answers must be asked anew after each.

    After anything but a whole line in time it is closed, so that a late answer comes to a connection that is
    no more.
    """

    def __init__(self, address: str, timeout_s: float) -> None:
        self.address, self.timeout_s, self.openings = address, timeout_s, 0
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Connects within the time-out; no effect when it is open. ProbeError where nobody answers."""
        if self._socket is not None:
            return
        host, _, port = self.address.rpartition(":")
        try:
            self._socket = socket.create_connection((host, int(port)), self.timeout_s)
        except (OSError, ValueError, OverflowError) as lost:
            raise ProbeError(f"{self.address}: expected a connection, found {lost}") from lost
        self.openings += 1

    def close(self) -> None:
        """Lets go of it; never raises."""
        if self._socket is not None:
            with suppress(OSError):
                self._socket.close()
        self._socket = None

    def ask(self, question: str) -> str:
        """The line that answers, without its end.

        TimeoutError where it is late, ValueError where it is no line of ASCII, ProbeError where the
        connection is lost.
        """
        try:
            return self._answer(question)
        except BaseException as error:
            self.close()
            if isinstance(error, OSError) and not isinstance(error, TimeoutError):
                raise ProbeError(f"{self.address}: the connection is lost: {error}") from error
            raise

    def _answer(self, question: str) -> str:
        if self._socket is None:
            raise ProbeError(f"{self.address}: the connection is not open")
        until_s, text = time.monotonic() + self.timeout_s, b""
        self._socket.sendall(f"{question}\n".encode("ascii"))
        while not text.endswith(b"\n"):
            if len(text) > LONGEST:
                raise ValueError(f"a line of more than {LONGEST} characters")
            left_s = until_s - time.monotonic()
            if left_s <= 0:
                raise TimeoutError(f"no whole line within {self.timeout_s:g} s")
            self._socket.settimeout(left_s)
            more = self._socket.recv(LONGEST)
            if not more:
                raise ConnectionResetError("closed by the other side")
            text += more
        return text.decode("ascii").strip("\r\n ")
