"""From configured connections to buses: which driver each needs, and what may share a wire."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from ..errors import Refused
from ..model import (
    AsciiLine,
    CommandLine,
    Line,
    ModbusLine,
    MqttTopic,
    OneWire,
    PolledLine,
    PushedLine,
    Sdi12Line,
)
from .ascii_line import AsciiLineDriver
from .bus import Bus, Emit, Event
from .clock import Clock
from .command import CommandDriver
from .driver import ProbeDriver
from .grid import divides_a_day
from .modbus import ModbusDriver
from .one_wire import OneWireDriver
from .port import Port
from .sdi12 import Sdi12Driver
from .serial_line import SerialLine

_WIRE = ("baudrate", "parity", "bytesize", "stopbits")


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
    """The drivers of one wire, all on the same port."""
    first = group[0]
    if isinstance(first, ModbusLine):
        wire = SerialLine(first)
        return [ModbusDriver(line, wire, clock) for line in group if isinstance(line, ModbusLine)]
    if isinstance(first, OneWire):
        return [OneWireDriver(line, clock) for line in group if isinstance(line, OneWire)]
    if isinstance(first, CommandLine):
        return [CommandDriver(line, clock) for line in group if isinstance(line, CommandLine)]
    speaks = isinstance(first, AsciiLine) and first.mode == "stream"
    port = Port(first, speaks=speaks, shared=isinstance(first, AsciiLine) and len(group) > 1)
    return [_on_text(line, port, clock, group) for line in group]


def _on_text(line: PolledLine, port: Port, clock: Clock | None, group: Sequence[PolledLine]) -> ProbeDriver:
    if isinstance(line, Sdi12Line):
        return Sdi12Driver(line, port, clock)
    assert isinstance(line, AsciiLine)  # noqa: S101 (`_check` lets nothing else through)
    beside = [other for other in group if isinstance(other, AsciiLine) and other is not line]
    return AsciiLineDriver(line, port, clock, beside)


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
        elif type(line) is not type(other) or _settings(line) != _settings(other):
            expected = "one protocol and one speed on a line (kind, baudrate, parity, bytesize, stopbits)"
            yield line.probe, "url", expected, f"others than those of {beside}"


def _settings(line: PolledLine) -> tuple[object, ...]:
    return tuple(getattr(line, name, None) for name in _WIRE)
