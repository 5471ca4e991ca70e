"""Driver for whatever can be read by a program: one line on its standard output is one reading."""

from __future__ import annotations

import re
from collections.abc import Sequence

from ..errors import ProbeError
from ..model import CommandLine
from ..processes.deadline import DeadlineExceeded
from ..processes.programs import KEPT, Program
from .ascii_line import printable, value_of
from .clock import Clock, SystemClock
from .driver import Raw, Status

ENDING_S = 2.0  # to end a program that is late, with what it started


class CommandDriver:
    """One program; see `logger.model.CommandLine`. Conforms to `ProbeDriver`. Nothing is given to a shell."""

    def __init__(self, line: CommandLine, clock: Clock | None = None) -> None:
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self.deadline_s = line.timeout_s + ENDING_S
        self.wire: object = self  # shared with no other probe
        self._clock = clock or SystemClock()
        self._pattern = re.compile(line.pattern)
        self._running: Program | None = None

    def open(self) -> None:
        """Nothing is held."""

    def close(self) -> None:
        """Nothing is held."""

    def interrupt(self) -> None:
        """Ends the program that runs; see `Interruptible`."""
        running = self._running
        if running is not None:
            running.end()

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (a program speaks only when it is run)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """Runs the program once; Overdue where it does not end in time, with all that it started."""
        try:
            self._running = Program(self.line.arguments)
        except OSError as lost:
            raise ProbeError(f"{self.line.arguments[0]}: cannot be run: {lost}") from lost
        try:
            ran = self._running.wait(self.line.timeout_s)
        finally:
            self._running = None
        if ran.ended.startswith("did"):
            raise DeadlineExceeded(ran.ended)
        if ran.ended or len(ran.out) >= KEPT:
            return self._all("garbage", ran.ended or f"more than {KEPT} bytes")
        if ran.code:
            return self._all("device-error", f"exit {ran.code}: {printable(ran.err.strip()[-48:])}")
        return self._parse(ran.out)

    def _parse(self, out: bytes) -> list[Raw]:
        at_ns, text = self._clock.wall_ns(), out.decode("utf-8", "replace").strip()
        match = self._pattern.fullmatch(text)
        if match is None:
            return self._all("garbage" if text else "timeout", printable(out))
        return [value_of(c, match.group(name), at_ns) for name, c in self.line.channels.items()]

    def _all(self, status: Status, why: str) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, status, at_ns, why[:64]) for channel in self.channels]
