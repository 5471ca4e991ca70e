"""Scripted devices behind real pseudo-terminals and real sockets, and a clock that tests can turn."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from logger.instants import NS
from logger.model import AsciiLine
from logger.probes import ProbeDriver, Raw
from logger.probes.debts import NOT_ASKED
from logger.simulation.wires import PtyWire, SocketWire, Wire

PATTERN = r"T=(?P<t>-?\d+\.\d+) RH=(?P<rh>\d+\.\d+)"
Step = bytes | float  # what to send, or how many seconds to pause
Script = Callable[[bytes], Sequence[Step]]


class Device:
    """A probe that does to each query what its script says, in a thread of its own."""

    def __init__(self, wire: Wire) -> None:
        self.wire = wire
        self.script: Script = lambda query: [b"T=20.03 RH=47.8\r\n"]
        self._received = b""
        self._wake_read, self._wake_write = os.pipe()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def say(self, *steps: Step) -> None:
        """Sends without being asked."""
        for step in steps:
            if isinstance(step, bytes):
                self.wire.send(step)
            elif self._ending.wait(step):
                return

    def close(self) -> None:
        self._ending.set()
        os.write(self._wake_write, b"x")
        self._thread.join(60)
        self.wire.unplug()
        os.close(self._wake_read)
        os.close(self._wake_write)

    def _serve(self) -> None:
        while not self._ending.is_set():
            with contextlib.suppress(OSError, ValueError):
                select.select([self._wake_read, *self.wire.files()], [], [], 0.05)
                self._take()

    def _take(self) -> None:
        if not self.wire.files():
            return
        self._received += self.wire.receive()
        while b"\n" in self._received:
            query, _, self._received = self._received.partition(b"\n")
            self.say(*self.script(query.strip()))


@pytest.fixture(params=["pty", "socket"])
def device(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Device]:
    """The same scripted device over each transport."""
    item = Device(PtyWire("probe", tmp_path) if request.param == "pty" else SocketWire())
    yield item
    item.close()


def line_to(url: str, **changes: object) -> AsciiLine:
    """A probe P1 that is asked READ? at `url`."""
    fields: dict[str, object] = {
        "probe": "P1",
        "url": url,
        "mode": "query",
        "pattern": PATTERN,
        "channels": {"t": "P1.temperature", "rh": "P1.relative_humidity"},
        "query": "READ?",
        "interval_s": 0.2,
        "timeout_s": 0.2,
    }
    return AsciiLine(**{**fields, **changes})  # type: ignore[arg-type]


def asked_again(driver: ProbeDriver) -> Sequence[Raw]:
    """The next answers of a probe that is really asked: not before a late answer can have come."""
    until_s = time.monotonic() + 60
    while (answers := driver.read())[0].raw == NOT_ASKED and time.monotonic() < until_s:
        time.sleep(0.01)
    return answers


class TurnedClock:
    """Time passes only by waiting, at once. `steps`: at such a monotonic second the wall clock jumps."""

    def __init__(self, wall_s: float, run_s: float, steps: dict[float, float] | None = None) -> None:
        self.now_s = 1000.0
        self._end_s = self.now_s + run_s
        self._wall_s = wall_s - self.now_s
        self._steps = dict(steps or {})

    def wall_ns(self) -> int:
        return round((self.now_s + self._wall_s) * NS)

    def monotonic_ns(self) -> int:
        return round(self.now_s * NS)

    def pass_s(self, seconds: float) -> None:
        self.now_s += seconds
        for at_s in [a for a in self._steps if self.now_s >= 1000.0 + a]:
            self._wall_s += self._steps.pop(at_s)

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        self.pass_s(max(seconds, 1e-6))
        if self.now_s > self._end_s:
            stop.set()
        return stop.is_set()
