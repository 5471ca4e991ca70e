"""Driver for whatever can be read by a program: one line on its standard output is one reading."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Sequence
from contextlib import suppress

from ..errors import ProbeError
from ..model import CommandLine
from .ascii_line import shown, value_of
from .clock import Clock, SystemClock
from .polled import Raw, Status

MOST = 4096  # bytes of output that are looked at


class CommandDriver:
    """One program; see `logger.model.CommandLine`. Conforms to `Polled`. Nothing is given to a shell."""

    def __init__(self, line: CommandLine, clock: Clock | None = None) -> None:
        self.line = line
        self._clock = clock or SystemClock()
        self._pattern = re.compile(line.pattern)

    @property
    def probe(self) -> str:
        """Key of the probe."""
        return self.line.probe

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels in the order of the named groups."""
        return tuple(self.line.channels.values())

    @property
    def interval_s(self) -> float:
        """Seconds from poll to poll."""
        return self.line.interval_s

    def open(self) -> None:
        """Nothing is held."""

    def close(self) -> None:
        """Nothing is held."""

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (a program speaks only when it is run)
        """See `Polled`."""
        return False

    def read(self) -> Sequence[Raw]:
        """Runs the program once; one that does not end in time is killed, with all that it started."""
        try:
            with _started(self.line.arguments) as process:
                try:
                    out, err = process.communicate(timeout=self.line.timeout_s)
                except subprocess.TimeoutExpired:
                    _kill(process)
                    process.communicate()
                    return self._all("timeout", f"did not end within {self.line.timeout_s:g} s")
        except OSError as lost:
            raise ProbeError(f"{self.line.arguments[0]}: cannot be run: {lost}") from lost
        if process.returncode:
            return self._all("device-error", f"exit {process.returncode}: {shown(err.strip()[-48:])}")
        return self._parsed(out)

    def _parsed(self, out: bytes) -> list[Raw]:
        at_ns, text = self._clock.wall_ns(), out[:MOST].decode("utf-8", "replace").strip()
        match = self._pattern.fullmatch(text)
        if match is None:
            return self._all("garbage" if text else "timeout", shown(out))
        return [value_of(c, match.group(name), at_ns) for name, c in self.line.channels.items()]

    def _all(self, status: Status, why: str) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, status, at_ns, why[:64]) for channel in self.channels]


def _started(arguments: Sequence[str]) -> subprocess.Popen[bytes]:
    """In a session of its own, so that it can be ended with its children; systemd's socket is not its own."""
    own = {name: text for name, text in os.environ.items() if name != "NOTIFY_SOCKET"}
    pipe = subprocess.PIPE
    return subprocess.Popen(
        list(arguments), stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe, env=own, start_new_session=True
    )


def _kill(process: subprocess.Popen[bytes]) -> None:
    with suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, 9)
    process.kill()
