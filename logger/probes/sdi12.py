"""Driver for SDI-12 sensors behind a transparent adapter, which makes break and timing itself.

Source: SDI-12 specification 1.4: 4.4 (commands), 4.4.12 (CRC). From user space the timing of the wire
itself (break of 12 ms, answer within 15 ms) cannot be kept for sure; hence the adapter.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence

from ..errors import ProbeError
from ..model import Sdi12Line
from .ascii_line import RAW_SHOWN, printable, value_of
from .clock import Clock, SystemClock
from .debts import NOT_ASKED
from .driver import OPENING_S, Raw, Status
from .identity import Identity, wrong_probe_values
from .port import Port

_VALUE = re.compile(r"[+-](?:\d+\.?\d*|\.\d+)")


class _NoAnswer(Exception):
    """Why there is no value, as a status and a text."""

    def __init__(self, status: Status, why: str) -> None:
        super().__init__(why)
        self.status: Status = status


class Sdi12Driver:
    """One SDI-12 sensor; see `logger.model.Sdi12Line`. A `ProbeDriver`; shares its line's `Port`."""

    def __init__(self, line: Sdi12Line, port: Port | None = None, clock: Clock | None = None) -> None:
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self.deadline_s = OPENING_S + 3 * line.timeout_s
        self._port = port or Port(line)
        self.wire: object = self._port
        self._clock = clock or SystemClock()
        self._identity = Identity(line.serial if line.asks_identity else "")

    def open(self) -> None:
        """See `ProbeDriver`."""
        self._port.open()

    def close(self) -> None:
        """See `ProbeDriver`."""
        self._port.close()

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (an SDI-12 sensor speaks only when asked)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """One measurement: started, waited for, and its values fetched; all within the time-out."""
        if not self._port.is_open:
            raise ProbeError(f"{self.line.url}: the line is not open")
        if self._port.debts.owing(self.line.address):
            return self._all("timeout", NOT_ASKED)
        self._port.settle()
        until_s = time.monotonic() + self.line.timeout_s
        try:
            if self._identity.missing(self._port.openings):
                identity_text = self._request("I", until_s)[20:]
                if why := self._identity.fault(identity_text, self._port.openings):
                    return wrong_probe_values(self.channels, why, self._clock.wall_ns)
            values = self._values(self._measure(until_s))
            self._port.debts.settle(self.line.address)
            return values
        except _NoAnswer as no:
            self._identity.forget()
            if no.status != "device-error":
                self._port.missed(self.line.timeout_s, self.line.address)
            return self._all(no.status, str(no))

    def _all(self, status: Status, why: str) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, status, at_ns, why[:RAW_SHOWN]) for channel in self.channels]

    def _measure(self, until_s: float) -> list[str]:
        answer = self._request(self.line.command, until_s)
        match = re.fullmatch(r".(\d{3})(\d{1,3})", answer)
        if match is None:
            raise _NoAnswer("garbage", answer)
        wait_s, count = int(match.group(1)), int(match.group(2))
        if wait_s:
            self._wait(wait_s, until_s)
        values: list[str] = []
        for block in range(10):
            if len(values) >= count:
                break
            values += self._data(block, until_s)
        return values

    def _wait(self, wait_s: int, until_s: float) -> None:
        """Until the values are there: a service request says so earlier; C commands make none."""
        ready_s = time.monotonic() + wait_s
        if ready_s >= until_s:
            reason = f"it asks for {wait_s} s; timeout_s must be longer"
            raise _NoAnswer("device-error", reason)
        concurrent = self.line.command.startswith("C")
        while not concurrent and (line := self._port.line(ready_s)) is not None:
            if line == self.line.address.encode():
                return
        if (left_s := ready_s - time.monotonic()) > 0:
            time.sleep(left_s)

    def _data(self, block: int, until_s: float) -> list[str]:
        answer = self._request(f"D{block}", until_s)
        if self.line.command[1:2] == "C":
            if len(answer) < 4 or crc(answer[:-3]) != answer[-3:]:
                raise _NoAnswer("garbage", f"CRC: {answer}")
            answer = answer[:-3]
        values = _VALUE.findall(answer[1:])
        if "".join(values) != answer[1:]:
            raise _NoAnswer("garbage", answer)
        if not values:
            raise _NoAnswer("device-error", "the sensor has no values")
        return values

    def _request(self, command: str, until_s: float) -> str:
        """The answer to a command, which begins with the sensor's own address."""
        address = self.line.address
        self._port.send(f"{address}{command}!", end="")
        line = self._port.line(until_s)
        while line is not None and self._port.debts.owing(line[:1].decode("ascii", "replace")):
            line = self._port.line(until_s)  # a late answer of another sensor, which names it
        if line is None:
            raise _NoAnswer("timeout", printable(self._port.rest()))
        text = line.decode("ascii", "replace")
        text = text.removeprefix(f"{address}{command}!")  # some adapters hear what they send
        if not text.startswith(address) or "\ufffd" in text:
            raise _NoAnswer("garbage", printable(line))
        return text

    def _values(self, values: Sequence[str]) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        places = {str(n): value for n, value in enumerate(values, 1)}
        return [value_of(channel, places.get(name), at_ns) for name, channel in self.line.channels.items()]


def crc(text: str) -> str:
    """The three characters that follow an answer with CRC (specification 1.4, 4.4.12.2 and its example).

    >>> crc("0+3.14")
    'OqZ'
    """
    value = 0
    for byte in text.encode("ascii", "replace"):
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return "".join(chr(0x40 | value >> shift & 0x3F) for shift in (12, 6, 0))
