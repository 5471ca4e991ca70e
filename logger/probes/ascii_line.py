"""Driver for probes that speak lines of ASCII text, when asked or by themselves."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence

from ..errors import ProbeError
from ..model import AsciiLine
from .clock import Clock, SystemClock
from .debts import LATEST, NOT_ASKED
from .driver import OPENING_S, Raw, Status
from .identity import Identity, wrong_probe_values
from .lookalikes import are_distinguishable
from .port import Port

RAW_SHOWN = 64
_ESCAPE = re.compile(r"\\[xuN]")  # of a sign beyond ASCII in a pattern
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?([eE][+-]?[0-9]+)?")
# SCPI-99 writes "not a number" and overload as numbers that no probe of a room can show.
_FAULT_NUMBERS = frozenset({9.91e37, 9.9e37, -9.9e37})


class AsciiLineDriver:
    """One probe behind a line of text; see `logger.model.AsciiLine` for what it is told.

    Conforms to `ProbeDriver`. Several drivers of one bus share a `Port`. The time-out of a probe that
    speaks by itself must be longer than the pause between its lines, else polls find nothing.
    """

    def __init__(
        self,
        line: AsciiLine,
        port: Port | None = None,
        clock: Clock | None = None,
        beside: Sequence[AsciiLine] = (),
    ) -> None:
        """`beside`: the other probes on its line."""
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self.deadline_s = OPENING_S + (LATEST + 5) * line.timeout_s
        self._port = port or Port(line, speaks=line.mode == "stream")
        self.wire: object = self._port
        self._clock = clock or SystemClock()
        self._pattern = re.compile(line.pattern, re.ASCII)  # \d means the digits that a number is made of
        # A byte beyond ASCII is noise unless the pattern names such a sign.
        self._ascii = line.pattern.isascii() and not _ESCAPE.search(line.pattern)
        self._identity = Identity(line.serial if line.identity else "")
        self._heard: tuple[bytes, int] | None = None
        # Answers of these cannot be told from its own; those of others are passed over.
        self._alike = tuple(
            other.probe for other in beside if not are_distinguishable(line.pattern, other.pattern)
        )
        self._others = [re.compile(o.pattern, re.ASCII) for o in beside if o.probe not in self._alike]

    def open(self) -> None:
        """See `ProbeDriver`."""
        self._port.open()

    def close(self) -> None:
        """See `ProbeDriver`."""
        self._heard = None
        self._port.close()

    def listen(self, until_s: float) -> bool:
        """Keeps the newest line that a streaming probe sent, with the instant at which it ended."""
        if self.line.mode != "stream" or not self._port.is_open:
            return False
        try:
            while (text := self._port.line(until_s)) is not None:
                self._heard = (text, self._clock.wall_ns())
        except ProbeError:
            return False  # the next read finds the line closed and says so in its rows
        return True

    def read(self) -> Sequence[Raw]:
        """One value for each channel: from the answer to the query, or from the newest line heard."""
        if not self._port.is_open:
            raise ProbeError(f"{self.line.url}: the line is not open")
        if self._port.debts.owing(self.probe):
            return self._all("timeout", self._clock.wall_ns(), NOT_ASKED)
        self._port.settle(self._port.debts.left_s(self._alike))
        if self._identity.missing(self._port.openings) and (stop := self._unlike()) is not None:
            return stop
        asks = self.line.mode == "query"
        text, at_ns = self._query(self.line.query, self._others) if asks else self._newest()
        return self._silence() if text is None else self._parse(text, at_ns)

    def _unlike(self) -> list[Raw] | None:
        """Rows that say why the probe at the line is not the one that is meant; None when it is."""
        text, at_ns = self._query(self.line.identity, self._others)
        if text is None:
            return self._silence()
        match = re.fullmatch(self.line.identity_pattern, line_text(text))
        if match is None:
            return self._garbage(at_ns, text)
        why = self._identity.fault(match.group("serial"), self._port.openings)
        return wrong_probe_values(self.channels, why, self._clock.wall_ns) if why else None

    def _silence(self) -> list[Raw]:
        rest = printable(self._port.rest())
        self._identity.forget()
        self._port.missed(self.line.timeout_s, self.probe)
        if self.line.after_silence and not rest:
            answer, _ = self._query(self.line.after_silence, self._others)
            self._port.missed(self.line.timeout_s, self.probe)  # what came may be the late answer itself
            if answer is not None and not re.match(rb"[+]?0\b", answer):  # 0: no error is queued
                return self._all("device-error", self._clock.wall_ns(), printable(answer))
        return self._all("timeout", self._clock.wall_ns(), rest)

    def _query(self, query: str, others: Sequence[re.Pattern[str]]) -> tuple[bytes | None, int]:
        """The answer; late ones of other probes, known by their form, are passed over."""
        self._port.send(query)
        until_s = time.monotonic() + self.line.timeout_s
        text = self._port.line(until_s)
        while text is not None and any(other.fullmatch(line_text(text)) for other in others):
            text = self._port.line(until_s)
        return text, self._clock.wall_ns()

    def _newest(self) -> tuple[bytes | None, int]:
        newest, self._heard = self._heard, None
        if newest is not None:
            return newest
        text = self._port.line(time.monotonic() + self.line.timeout_s)
        return text, self._clock.wall_ns()

    def _parse(self, text: bytes, at_ns: int) -> list[Raw]:
        match = None if self._ascii and not text.isascii() else self._pattern.fullmatch(line_text(text))
        if match is None:
            return self._garbage(at_ns, text)
        self._port.debts.settle(self.probe)
        return [value_of(channel, match.group(name), at_ns) for name, channel in self.line.channels.items()]

    def _garbage(self, at_ns: int, text: bytes) -> list[Raw]:
        """Whatever it was: where it was asked, its own answer may still come."""
        if self.line.mode == "query":
            self._port.missed(self.line.timeout_s, self.probe)
        return self._all("garbage", at_ns, printable(text))

    def _all(self, status: Status, at_ns: int, raw: str) -> list[Raw]:
        return [Raw(channel, None, status, at_ns, raw) for channel in self.channels]


def value_of(channel: str, text: str | None, at_ns: int) -> Raw:
    """A number, or a sensor fault where the probe answered properly without giving one."""
    if text is None or not _NUMBER.fullmatch(text) or float(text) in _FAULT_NUMBERS:
        return Raw(channel, None, "sensor-fault", at_ns, (text or "")[:RAW_SHOWN])
    return Raw(channel, float(text), "ok", at_ns, text[:RAW_SHOWN])


def line_text(received: bytes) -> str:
    """A line as text. Beside ASCII a probe may write a degree sign, in UTF-8 or in one byte.

    >>> line_text(b"20.03 \\xc2\\xb0C"), line_text(b"20.03 \\xb0C")
    ('20.03 °C', '20.03 °C')
    """
    try:
        return received.decode("utf-8")
    except UnicodeDecodeError:
        return received.decode("latin-1")


def printable(received: bytes) -> str:
    """Received bytes as text that can be stored and read, at most 64 characters.

    >>> printable(b"T=2\\xfe\\x00")
    'T=2\\\\xfe\\\\x00'
    """
    characters = (chr(b) if 32 <= b < 127 else f"\\x{b:02x}" for b in received[:RAW_SHOWN])
    return "".join(characters)[:RAW_SHOWN]
