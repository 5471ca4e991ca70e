"""Bytes over a serial port or a socket, opened by name and shared by the probes of one bus."""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Protocol

import serial

from ..errors import ProbeError
from .debts import Debts

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


MOST = 512  # bytes taken at once while nothing is waited for
LARGEST = 1 << 16
QUIET_AT_MOST_S = 0.5  # so long is waited for quiet
_SLICE_S = 0.1
_WRITE_S = 1.0


class SerialSettings(Protocol):
    """What a line must be told; the records of `logger.model` are such."""

    @property
    def url(self) -> str:
        """A device's name, or socket:// or rfc2217:// with host and port."""

    @property
    def baudrate(self) -> int:
        """Bits per second."""

    @property
    def parity(self) -> str:
        """N, E or O."""

    @property
    def bytesize(self) -> int:
        """Data bits."""

    @property
    def stopbits(self) -> int:
        """1 or 2."""


def _further(url: str) -> dict[str, Any]:
    """What only some kinds of port can be told: a client of RFC 2217 knows no time-out of writing."""
    if url.startswith("rfc2217://"):
        return {}
    return {"write_timeout": _WRITE_S, **({} if "://" in url else {"exclusive": True})}


class SerialLine:
    """One line. Shared by the drivers of one bus, used only from the bus's thread."""

    def __init__(self, settings: SerialSettings) -> None:
        self.url = settings.url
        self.openings = 0  # so often was it opened: who answers must be asked anew each time
        self._settings = settings
        self._serial: Any = None
        self._quiet_until_s = 0.0
        self.debts = Debts()
        self._transaction = secrets.randbelow(65536)  # not where an earlier program began

    @property
    def is_open(self) -> bool:
        """Whether the line is reached, as far as is known."""
        return self._serial is not None

    def open(self) -> None:
        """Opens by name, which is looked up anew each time; ProbeError when it cannot be opened."""
        if self._serial is not None:
            return
        settings, url = self._settings, self.url.replace("tcp://", "socket://", 1)
        with self._wire():
            self._serial = serial.serial_for_url(
                url,
                timeout=_SLICE_S,
                baudrate=settings.baudrate,
                bytesize=settings.bytesize,
                parity=settings.parity,
                stopbits=settings.stopbits,
                **_further(url),
            )
            _shut_out_others(self._serial)
            self._serial.reset_input_buffer()
        self.openings += 1

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

    def send(self, data: bytes, *, quiet_s: float = 0.0) -> None:
        """Sends after throwing away what came unasked, and not before it was quiet for so long."""
        self.settle()
        self._wait_for_quiet(quiet_s)
        with self._wire():
            self._serial.reset_input_buffer()
            self._serial.write(data)

    def next_transaction(self) -> int:
        """A number that no request on this line had for the last 65,535, whoever of its drivers asked."""
        self._transaction = (self._transaction + 1) % 65536
        return self._transaction

    def settle(self, beyond_s: float = 0.0) -> None:
        """After a time-out leaves the line alone for one more, at least for `beyond_s`; what comes is lost.

        The answer may still be on its way and would be taken for the answer to the next question.
        """
        until_s = max(self._quiet_until_s, time.monotonic() + beyond_s)
        while (left_s := until_s - time.monotonic()) > 0:
            with self._wire():
                self._serial.timeout = min(_SLICE_S, left_s)
                self._serial.read(MOST)
                self._serial.timeout = _SLICE_S

    def _wait_for_quiet(self, quiet_s: float) -> None:
        """What still comes is not the answer to the next question; who never stops is asked all the same."""
        until_s = time.monotonic() + QUIET_AT_MOST_S
        while quiet_s and time.monotonic() < until_s:
            with self._wire():
                self._serial.timeout = quiet_s
                received = self._serial.read(MOST)
                self._serial.timeout = _SLICE_S
            if not received:
                return

    def read(self, until_s: float) -> bytes:
        """What has come, or b"" after a tenth of a second or at that instant of `time.monotonic`."""
        return self._read_some(LARGEST, until_s)

    def exactly(self, count: int, until_s: float, begun: bytes = b"") -> bytes:
        """So many bytes with those that `begun`, or what there is of them when the instant is reached."""
        received = bytearray(begun)
        while len(received) < count and time.monotonic() < until_s:
            received += self._read_some(count - len(received), until_s)
        return bytes(received)

    def _read_some(self, at_most: int, until_s: float) -> bytes:
        with self._wire():
            left_s = until_s - time.monotonic()
            # A client of RFC 2217 would negotiate anew for each change of its time-out.
            shorter = left_s < _SLICE_S and not self.url.startswith("rfc2217://")
            if shorter:
                self._serial.timeout = max(0.0, left_s)
            received: bytes = self._serial.read(min(at_most, max(1, self._serial.in_waiting)))
            if shorter:
                self._serial.timeout = _SLICE_S
        return received

    def missed(self, timeout_s: float, who: str, shape: int = 0) -> None:
        """Notes that an answer did not come in time: the line is left alone for so long, `who` for longer."""
        self._quiet_until_s = time.monotonic() + timeout_s
        self.debts.note(who, timeout_s, shape)

    @contextmanager
    def _wire(self) -> Iterator[None]:
        try:
            yield
        except _LOST as lost:
            self.close()
            raise ProbeError(f"{self.url}: the line cannot be used: {lost}") from lost
