"""From configured connections to buses: which driver each needs, and what may share a wire."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import cast

from ..errors import Refused
from ..model import AsciiLine, Line, ModbusLine, MqttTopic, PluginLine, PolledLine, PushedLine, Sdi12Line
from .bus import Bus, Emit, Event
from .clock import Clock, SystemClock
from .driver import ProbeDriver
from .foreign import SilentDriver, UnavailableTable, supervise
from .grid import divides_a_day
from .plug_in import KindRefused
from .registry import is_foreign, kind_named


def buses(lines: Sequence[Line], emit: Emit, event: Event, clock: Clock | None = None) -> list[Bus]:
    """One bus for each wire, in the order of the lines. Refused when what shares one does not fit together.

    Probes that send by themselves to a broker or over HTTP are on no bus.
    """
    for probe, key, expected, actual in clashes(lines):
        raise Refused(
            f"Probe {probe}: {key}: expected {expected}, found {actual}. Correct it in config/probes.toml."
        )
    by_bus: dict[str, list[PolledLine]] = defaultdict(list)
    for line in lines:
        if not isinstance(line, MqttTopic | PushedLine):
            by_bus[line.bus].append(line)
    return [Bus(url, drivers(group, clock), emit, event, clock) for url, group in by_bus.items()]


def drivers(group: Sequence[PolledLine], clock: Clock | None = None) -> list[ProbeDriver]:
    """The drivers of one wire. A probe whose kind cannot be used gets one that says why in its rows."""
    clock = clock or SystemClock()
    name, table = group[0].kind, getattr(group[0], "table", None)
    if isinstance(table, UnavailableTable):
        return [SilentDriver(line, clock, table.why) for line in group]
    try:
        result = _drivers(group, name, clock)
        foreign = cast(Sequence[PluginLine], group) if is_foreign(name) else ()
        return supervise(result, foreign, clock) if foreign else result
    except KindRefused as refused:
        # What it raised says more in the few signs of a row than which kind of which package it was.
        why = f"no driver: {refused.found}" if refused.__cause__ else str(refused)
        return [SilentDriver(line, clock, why) for line in group]


def _drivers(group: Sequence[PolledLine], name: str, clock: Clock) -> list[ProbeDriver]:
    kind = kind_named(name)
    if kind.drivers is not None:
        return list(kind.drivers(group, clock))
    assert kind.driver is not None  # noqa: S101 (what sends by itself is on no bus)
    return [kind.driver(line, clock) for line in group]


def clashes(lines: Sequence[Line]) -> Iterator[tuple[str, str, str, str]]:
    """(probe, key, wanted, found) of each line that cannot be polled, or not beside others on its wire."""
    first: dict[str, PolledLine] = {}
    for line in lines:
        if isinstance(line, MqttTopic | PushedLine):
            continue
        if not divides_a_day(line.interval_s):
            yield (
                line.probe,
                "sampling_interval_s",
                "an interval that divides a day",
                f"{line.interval_s:g} s",
            )
        other = first.setdefault(line.bus, line)
        if other is line:
            continue
        beside = f"{other.probe} on the same line"
        if "stream" in (getattr(line, "mode", ""), getattr(other, "mode", "")):
            yield line.probe, "mode", "a line of its own where a probe speaks by itself", beside
        elif line.kind != other.kind or _settings(line) != _settings(other):
            yield line.probe, _key(line), _alike(line), f"others than those of {beside}"


def _settings(line: PolledLine) -> object:
    """What probes on one bus must have alike."""
    if isinstance(getattr(line, "table", None), UnavailableTable):
        return None
    try:
        return kind_named(line.kind).alike(line)
    except KindRefused:
        return None


def _key(line: PolledLine) -> str:
    return "url" if isinstance(line, AsciiLine | ModbusLine | Sdi12Line) else "kind"


def _alike(line: PolledLine) -> str:
    if _key(line) == "url":
        return "one protocol and one speed on a line (kind, baudrate, parity, bytesize, stopbits)"
    return "one kind and the same settings of the connection for all probes on one bus"
