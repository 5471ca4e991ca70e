"""From configured connections to buses: which driver each needs, and what may share a wire."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from ..errors import Refused
from ..model import AsciiLine, Asked, CommandLine, Line, ModbusLine, MqttTopic, OneWire, PushedLine, Sdi12Line
from .ascii_line import AsciiLineDriver
from .bus import Bus, Emit, Event
from .clock import Clock
from .command import CommandDriver
from .grid import divides_a_day
from .modbus import ModbusDriver
from .one_wire import OneWireDriver
from .polled import Polled
from .port import Port
from .sdi12 import Sdi12Driver
from .serial_line import SerialLine

_WIRE = ("baudrate", "parity", "bytesize", "stopbits")


def buses(lines: Sequence[Line], emit: Emit, event: Event, clock: Clock | None = None) -> list[Bus]:
    """One bus for each wire, in the order of the lines. Refused when what shares one does not fit together.

    Probes that send by themselves to a broker or over HTTP are on no bus.
    """
    by_bus: dict[str, list[Asked]] = defaultdict(list)
    for line in lines:
        if isinstance(line, MqttTopic | PushedLine):
            continue
        _check(line, by_bus[line.bus])
        by_bus[line.bus].append(line)
    return [Bus(url, drivers(group, clock), emit, event, clock) for url, group in by_bus.items()]


def drivers(group: Sequence[Asked], clock: Clock | None = None) -> list[Polled]:
    """The drivers of one wire, all on the same port."""
    first = group[0]
    if isinstance(first, ModbusLine):
        wire = SerialLine(first)
        return [ModbusDriver(line, wire, clock) for line in group if isinstance(line, ModbusLine)]
    if isinstance(first, OneWire):
        return [OneWireDriver(line, clock) for line in group if isinstance(line, OneWire)]
    if isinstance(first, CommandLine):
        return [CommandDriver(line, clock) for line in group if isinstance(line, CommandLine)]
    port = Port(first, speaks=isinstance(first, AsciiLine) and first.mode == "stream")
    return [_on_text(line, port, clock) for line in group]


def _on_text(line: Asked, port: Port, clock: Clock | None) -> Polled:
    if isinstance(line, Sdi12Line):
        return Sdi12Driver(line, port, clock)
    assert isinstance(line, AsciiLine)  # noqa: S101 (`_check` lets nothing else through)
    return AsciiLineDriver(line, port, clock)


def _check(line: Asked, others: Sequence[Asked]) -> None:
    if not divides_a_day(line.interval_s):
        raise Refused(
            f"Probe {line.probe}: wanted a sampling interval that divides a day, found {line.interval_s} s; "
            "mend it in config/probes.toml."
        )
    if not others:
        return
    together = f"Probes {others[0].probe} and {line.probe} share {line.bus}: "
    if "stream" in (getattr(line, "mode", ""), getattr(others[0], "mode", "")):
        raise Refused(
            f"{together}a line on which a probe speaks by itself can serve only one; "
            "mend `url` or `mode` in config/probes.toml."
        )
    if type(line) is not type(others[0]) or _settings(line) != _settings(others[0]):
        raise Refused(
            f"{together}on one line all speak one protocol at one speed; mend `kind`, `baudrate`, `parity`, "
            "`bytesize` or `stopbits` in config/probes.toml."
        )


def _settings(line: Asked) -> tuple[object, ...]:
    return tuple(getattr(line, name, None) for name in _WIRE)
