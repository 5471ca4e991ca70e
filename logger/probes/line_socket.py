"""Lines of text over TCP for drivers of plug-ins: one question, one answer, one deadline."""

from __future__ import annotations

import socket
import time
from contextlib import suppress

from ..errors import ProbeError

LONGEST = 512  # characters of a line


class LineSocket:
    """A connection to HOST:PORT. `openings` counts: who answers must be asked anew after each.

    After anything but one whole line in time it is closed, so that a late answer comes to a connection that
    is no more. What has come before a question is the answer to none, and closes it, too.
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

        TimeoutError where it is late, ValueError where it is not one line of ASCII or something came that
        nobody asked for, ProbeError where the connection is lost.
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
        if unasked := self._unasked():
            raise ValueError(f"came before the question: {unasked.decode('latin-1').strip()!a}")
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
        line = text.decode("ascii").strip("\r\n ")
        if "\n" in line:
            raise ValueError(f"more than one line: {line!a}")
        return line

    def _unasked(self) -> bytes:
        """What lies in the connection although nothing was asked; none there is b""."""
        assert self._socket is not None  # noqa: S101 (looked at before)
        self._socket.settimeout(0)
        try:
            unasked = self._socket.recv(LONGEST)
        except BlockingIOError:
            return b""
        finally:
            self._socket.settimeout(self.timeout_s)
        if not unasked:
            raise ConnectionResetError("closed by the other side")
        return unasked
