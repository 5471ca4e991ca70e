"""What polling by OPC UA, SNMP and BACnet/IP costs: a simulated server in another process."""

from __future__ import annotations

import json
import os
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from ..model import PluginLine, Row
from ..probes import buses, stop_all
from ..probes.plug_in import LineFacts
from ..probes.registry import kind_named
from ..processes.children import module
from ..simulation.network_twins import COMMUNITY_ENV

VALUES = 20  # of one probe
INTERVAL_S = 0.1
_WARMING_S = 60.0  # a library may take seconds to be loaded


@dataclass(frozen=True)
class SourceFigures:
    """Of one kind: values that came in `seconds`, those that were due, and our share of one core."""

    kind: str
    seconds: float
    due: int
    good: int
    cpu_share: float

    def lines(self) -> list[str]:
        """What is printed."""
        rate = self.good / self.seconds
        return [
            f"{self.kind}: {self.good} of {self.due} values in {self.seconds:.0f} s, {rate:.0f} a second, "
            f"{100 * self.cpu_share:.1f} % of one core"
        ]


def run(kind: str, seconds: int) -> SourceFigures:
    """Polls one probe of 20 values ten times a second for so long: 200 values a second."""
    with _twin(kind) as table:
        rows: list[Row] = []
        polled = buses([_line(kind, table)], rows.extend, _ignore)
        for bus in polled:
            bus.start()
        try:
            _warm(rows)
            rows.clear()
            cpu_s, begun_s = time.process_time(), time.monotonic()
            time.sleep(seconds)
            took_s = time.monotonic() - begun_s
            share = (time.process_time() - cpu_s) / took_s
            good = sum(row.status == "ok" for row in rows)
        finally:
            stop_all(polled)
    return SourceFigures(kind, took_s, round(took_s / INTERVAL_S) * VALUES, good, share)


def _ignore(_kind: str, _what: Mapping[str, object]) -> None:
    """Events are not what is measured."""


def _warm(rows: list[Row]) -> None:
    until_s = time.monotonic() + _WARMING_S
    while time.monotonic() < until_s and not any(row.status == "ok" for row in rows):
        time.sleep(INTERVAL_S)


def _line(kind: str, table: dict[str, Any]) -> PluginLine:
    os.environ.setdefault(COMMUNITY_ENV, "public")
    probe_kind = kind_named(kind)
    checked = probe_kind.table.model_validate({**table, "timeout_s": 5.0})
    channels = {name: f"S.{name}" for name in probe_kind.values(checked)}
    units = dict.fromkeys(channels.values(), "degC")
    facts = LineFacts("S", kind, probe_kind.bus(checked), channels, INTERVAL_S, "", units)
    line = probe_kind.line(checked, facts)
    assert isinstance(line, PluginLine)  # noqa: S101 (these kinds have no record of their own)
    return line


@contextmanager
def _twin(kind: str) -> Iterator[dict[str, Any]]:
    """The table of a connection to the twin, which runs as long."""
    command = module("logger.simulation.network_twins", "--kind", kind, "--values", str(VALUES))
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None  # noqa: S101 (pipes were asked for)
        assert process.stdout is not None  # noqa: S101
        try:
            yield dict(json.loads(process.stdout.readline()))
        finally:
            process.stdin.close()
            process.wait(10)
