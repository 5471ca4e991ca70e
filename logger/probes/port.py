"""A line of text over a serial port or a socket, with its own buffer and deadline.

pyserial's own `readline` counts its time-out anew for each byte and hands out halves of lines; a half
of "21.5" is "2". Here only text that ended in a line end is ever handed out.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import serial

from ..errors import ProbeError
from ..model import AsciiLine

try:
    import fcntl
    import termios
except ImportError:  # Windows has neither; that branch is untried
    _LOST: tuple[type[Exception], ...] = (serial.SerialException, OSError, TypeError)

    def _shut_out_others(port: Any) -> None:
        """Nothing to do: on Windows a serial port is exclusive by itself."""
else:
    # What pyserial lets through when a device goes away: besides its own exception a plain OSError,
    # termios.error (which is no OSError), and TypeError when the port was closed during a read.
    _LOST = (serial.SerialException, OSError, termios.error, TypeError)

    def _shut_out_others(port: Any) -> None:
        """Refuses further opens of a local port, also by programs that do not ask for a lock.

        The administrator still gets in.
        """
        descriptor = getattr(port, "fd", None)
        if isinstance(descriptor, int):
            fcntl.ioctl(descriptor, termios.TIOCEXCL)


LONGEST_LINE = 512
_SLICE_S = 0.1
_WRITE_S = 1.0


class Port:
    """One line. Shared by the drivers of one bus, used only from the bus's thread."""

    def __init__(self, line: AsciiLine) -> None:
        self._line = line
        self._serial: Any = None
        self._buffer = bytearray()
        self._synced = True
        self._quiet_until_s = 0.0

    @property
    def is_open(self) -> bool:
        """Whether the line is reached, as far as is known."""
        return self._serial is not None

    def open(self) -> None:
        """Opens by name, which is looked up anew each time; ProbeError when it cannot be opened."""
        if self._serial is not None:
            return
        line = self._line
        with self._wire():
            self._serial = serial.serial_for_url(
                line.url,
                timeout=_SLICE_S,
                write_timeout=_WRITE_S,
                baudrate=line.baudrate,
                bytesize=line.bytesize,
                parity=line.parity,
                stopbits=line.stopbits,
                **({} if "://" in line.url else {"exclusive": True}),
            )
            _shut_out_others(self._serial)
            self._serial.reset_input_buffer()
        self._buffer.clear()
        self._synced = line.mode == "query"

    def close(self) -> None:
        """Lets go of the line; never raises."""
        port, self._serial = self._serial, None
        if port is None:
            return
        # pyserial forgets to close a socket whose other end has gone, because shutting it down fails first.
        socket = getattr(port, "_socket", None)
        with suppress(*_LOST):
            port.close()
        if socket is not None:
            socket.close()

    def send(self, text: str) -> None:
        """Sends a query after throwing away what came unasked.

        After a time-out the answer may still be on its way and would be taken for the answer to the
        next question; then the line must first have been left alone for one more time-out.
        """
        while (left_s := self._quiet_until_s - time.monotonic()) > 0:
            with self._wire():
                self._serial.timeout = min(_SLICE_S, left_s)
                self._serial.read(LONGEST_LINE)
                self._serial.timeout = _SLICE_S
        ended = text if text.endswith(("\r", "\n")) else text + "\r\n"
        with self._wire():
            self._serial.reset_input_buffer()
            self._serial.write(ended.encode("ascii"))
        self._buffer.clear()

    def line(self, until_s: float) -> bytes | None:
        """The next whole line without its end, or None when `time.monotonic` reaches `until_s`."""
        while True:
            end = self._buffer.find(b"\n")
            if end >= 0:
                text = bytes(self._buffer[:end]).strip(b"\r\0 ")
                del self._buffer[: end + 1]
                if self._synced:
                    return text
                self._synced = True  # the first line after opening may have begun before
                continue
            if time.monotonic() >= until_s:
                return None
            self._fill()

    def missed(self, timeout_s: float) -> None:
        """Notes that an answer did not come in time; what has come of it is worth nothing."""
        self._quiet_until_s = time.monotonic() + timeout_s
        if self._line.mode == "query":
            self._buffer.clear()

    def rest(self) -> bytes:
        """What has come of an unfinished line."""
        return bytes(self._buffer)

    def _fill(self) -> None:
        if len(self._buffer) > LONGEST_LINE:
            self._buffer.clear()
            self._synced = False
        with self._wire():
            self._buffer += self._serial.read(max(1, self._serial.in_waiting))

    @contextmanager
    def _wire(self) -> Iterator[None]:
        try:
            yield
        except _LOST as lost:
            self.close()
            raise ProbeError(f"{self._line.url}: the line cannot be used: {lost}") from lost
