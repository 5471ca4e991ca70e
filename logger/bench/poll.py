"""How late polls are and what polling costs: simulated probes on real lines, on this machine.

Every bus is a socket to a device in another process, so that what is measured is our side alone. Lateness is
how long after its due instant on the grid a poll began; it is compared with a bare loop of sleeps in the same
run, because a busy machine makes everything late.
"""

from __future__ import annotations

import json
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from ..model import AsciiLine, Row
from ..probes import buses, stop_all
from ..processes.children import module

PATTERN = r"T=(?P<t>-?[\d.]+)"


@dataclass(frozen=True)
class PollFigures:
    """Of one run. Lateness in ms; `cpu_share` of one core; `bare_p99_ms` of a loop that only sleeps."""

    probes: int
    buses: int
    polls: int
    due: int
    good: int
    p50_ms: float
    p99_ms: float
    worst_ms: float
    bare_p99_ms: float
    cpu_share: float

    def lines(self) -> list[str]:
        """What is printed."""
        return [
            f"{self.probes} probes on {self.buses} lines, once a second: {self.polls} of {self.due} polls "
            f"left a row, {self.good} of them with a value",
            f"late by {self.p50_ms:.1f} ms at the median, {self.p99_ms:.1f} ms at the 99th percentile, "
            f"{self.worst_ms:.1f} ms at worst",
            f"a bare loop of sleeps in the same run: {self.bare_p99_ms:.1f} ms at the 99th percentile",
            f"{100 * self.cpu_share:.2f} % of one core",
        ]


def run(probes: int, lines: int, seconds: int, say: Callable[[str], None]) -> PollFigures:
    """Poll so many probes on so many lines once a second for so long."""
    say(f"polling for {seconds} s")
    with _devices(lines) as urls:
        rows: list[Row] = []
        events: list[str] = []
        config = buses(_lines(probes, urls), rows.extend, lambda kind, _: events.append(kind))
        bare: list[float] = []
        sleeper = threading.Thread(target=_bare, args=(seconds, bare), daemon=True)
        cpu_s, begun_s = time.process_time(), time.monotonic()
        for bus in config:
            bus.start()
        sleeper.start()
        time.sleep(seconds)
        stop_all(config)
        share = (time.process_time() - cpu_s) / (time.monotonic() - begun_s)
        sleeper.join()
    late_ms = 1000 * np.array([late for bus in config for late in bus.lateness_s])
    p50, p99 = np.percentile(late_ms, [50, 99])
    return PollFigures(
        probes, lines, len(rows), probes * seconds, sum(row.status == "ok" for row in rows),
        float(p50), float(p99), float(late_ms.max()), float(1000 * np.percentile(bare, 99)), share,
    )  # fmt: skip


def _lines(probes: int, urls: Sequence[str]) -> list[AsciiLine]:
    return [
        AsciiLine(
            f"P{n}", urls[n % len(urls)], "query", PATTERN, {"t": f"P{n}.t"}, f"READ{n}?", interval_s=1.0
        )
        for n in range(probes)
    ]


def _bare(seconds: int, late: list[float]) -> None:
    """What the same machine makes of plain sleeps to whole tenths of a second, meanwhile."""
    begin = time.monotonic()
    for n in range(1, 10 * seconds):
        due = begin + n / 10
        time.sleep(max(0.0, due - time.monotonic()))
        late.append(time.monotonic() - due)


@contextmanager
def _devices(lines: int) -> Iterator[list[str]]:
    """The other ends, in a process of their own."""
    command = module("logger.simulation.many_probes", "--lines", str(lines))
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None  # noqa: S101 (pipes were asked for)
        assert process.stdout is not None  # noqa: S101
        try:
            yield list(json.loads(process.stdout.readline()))
        finally:
            process.stdin.close()
            process.wait(10)
