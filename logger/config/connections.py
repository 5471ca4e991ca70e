"""Checked connection tables to the model, and what no single key of them can tell."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from ..errors import Fault
from ..formats.toml import Entry
from ..model import (
    AsciiLine,
    CommandLine,
    Line,
    Message,
    ModbusLine,
    MqttTopic,
    OneWire,
    PushedLine,
    Register,
    Sdi12Line,
)
from ..probes.wiring import clashes
from . import connection_tables as kinds
from .tables import Tables, unknown

MOST_REGISTERS = 125  # a single request reads no more
_SERIAL = ("url", "timeout_s", "baudrate", "parity", "bytesize", "stopbits")
# SCPI numbers in a list; the fourth field but one of *IDN? is the serial number (IEEE 488.2, 10.14).
_NUMBER = r"\s*(?P<v{n}>[^,]*?)\s*"
_IDN = r"[^,]*,[^,]*,\s*(?P<serial>[^,]*?)\s*,.*"


def lines_of(tables: Tables) -> tuple[Line, ...]:
    """How each connected probe is reached, in the order of the files."""
    return tuple(_line(key, tables) for key in tables.connections if key in tables.probes)


def _line(key: str, tables: Tables) -> Line:
    entry = tables.connections[key]
    common = {
        "probe": key,
        "interval_s": tables.intervals_s[key],
        "channels": {name: f"{key}.{channel}" for name, channel in _values(entry.value).items()},
    }
    return _MAKERS[type(entry.value)](entry.value, tables.probes[key].value.serial, common)


def _values(table: Any) -> Mapping[str, str]:
    """What the probe calls a value -> the name of the channel."""
    if isinstance(table, kinds.ModbusTable):
        return {name: name for name in table.registers}
    if isinstance(table, kinds.OneWireTable):
        return {table.value: table.value}
    if isinstance(table, kinds.ScpiTable):
        return {f"v{n}": name for n, name in enumerate(table.values)}
    if isinstance(table, kinds.Sdi12Table):
        return {str(n): name for n, name in enumerate(table.values, 1)}
    values: Mapping[str, str] = table.values
    return values


def _fields(table: Any, *names: str) -> dict[str, Any]:
    return {name: getattr(table, name) for name in names}


def _text(table: kinds.TextLineTable, serial: str, common: Mapping[str, Any]) -> Line:
    own = _fields(table, *_SERIAL, "mode", "query", "pattern", "identity", "identity_pattern")
    return AsciiLine(**common, **own, serial=serial)


def _scpi(table: kinds.ScpiTable, serial: str, common: Mapping[str, Any]) -> Line:
    pattern = ",".join(_NUMBER.format(n=n) for n in range(len(table.values)))
    return AsciiLine(
        **common,
        **_fields(table, *_SERIAL, "query"),
        mode="query",
        pattern=pattern,
        serial=serial,
        identity="*IDN?" if table.asks_identity else "",
        identity_pattern=_IDN,
        after_silence="SYST:ERR?",
    )


def _sdi12(table: kinds.Sdi12Table, serial: str, common: Mapping[str, Any]) -> Line:
    return Sdi12Line(
        **common, **_fields(table, *_SERIAL, "address", "command", "asks_identity"), serial=serial
    )


def _modbus(table: kinds.ModbusTable, serial: str, common: Mapping[str, Any]) -> Line:
    registers = {name: _register(text) for name, text in table.registers.items()}
    own = _fields(table, *_SERIAL, "device", "function", "echoes")
    identity = _register(table.identity) if table.identity else None
    return ModbusLine(**common, **own, registers=registers, serial=serial, identity=identity)


def _register(table: kinds.RegisterTable) -> Register:
    return Register(**{**table.model_dump(), "none": tuple(table.none)})


def _one_wire(table: kinds.OneWireTable, _serial: str, common: Mapping[str, Any]) -> Line:
    return OneWire(**common, **_fields(table, "folder", "timeout_s"))


def _command(table: kinds.CommandTable, _serial: str, common: Mapping[str, Any]) -> Line:
    return CommandLine(**common, **_fields(table, "pattern", "timeout_s"), arguments=tuple(table.arguments))


def _mqtt(table: kinds.MqttTable, _serial: str, common: Mapping[str, Any]) -> Line:
    own = _fields(table, "url", "topic", "user", "password_env", "ca_file")
    return MqttTopic(**common, **own, message=_message(table))


def _push(table: kinds.PushTable, _serial: str, common: Mapping[str, Any]) -> Line:
    return PushedLine(**common, node=table.node, message=_message(table))


def _message(table: kinds.MessageTable) -> Message:
    return Message(table.format, table.time, table.clock)


_MAKERS: Mapping[type, Callable[[Any, str, Mapping[str, Any]], Line]] = {
    kinds.TextLineTable: _text,
    kinds.ScpiTable: _scpi,
    kinds.Sdi12Table: _sdi12,
    kinds.ModbusTable: _modbus,
    kinds.OneWireTable: _one_wire,
    kinds.CommandTable: _command,
    kinds.MqttTable: _mqtt,
    kinds.PushTable: _push,
}


_PLACES: Mapping[type, str] = {kinds.ModbusTable: "registers", kinds.OneWireTable: "value"}


def connection_faults(tables: Tables) -> Iterator[Fault]:
    """Names that are no channels, patterns that are none, blocks that no request can read."""
    for key, entry in tables.connections.items():
        yield from _names(tables, key, entry)
        if isinstance(entry.value, kinds.TextLineTable):
            if entry.value.mode == "query" and not entry.value.query:
                yield entry.fault("query", "the text that asks for a reading", "nothing")
            if entry.value.mode == "stream" and entry.value.identity:
                yield entry.fault("identity", 'a probe that is asked, mode = "query"', 'mode = "stream"')
            yield from _pattern(entry, "identity_pattern", {"serial"})
        if isinstance(entry.value, kinds.TextLineTable | kinds.CommandTable):
            yield from _pattern(entry, "pattern", set(entry.value.values))
        if isinstance(entry.value, kinds.ModbusTable):
            yield from _block(entry, entry.value)
    if not tables.faults:
        yield from _shared(tables)


def _shared(tables: Tables) -> Iterator[Fault]:
    """Lines that several probes share, and names that probes of one node share."""
    lines = lines_of(tables)
    for probe, key, expected, clash in clashes(lines):
        entry: Entry[Any] = (
            tables.probes[probe] if key == "sampling_interval_s" else tables.connections[probe]
        )
        yield entry.fault(key, expected, clash)
    first_of: dict[tuple[str, str], str] = {}
    for line in (line for line in lines if isinstance(line, PushedLine | MqttTopic)):
        place = line.node if isinstance(line, PushedLine) else f"{line.url}/{line.topic}"
        for name in line.channels:
            if (other := first_of.setdefault((place, name), line.probe)) != line.probe:
                expected = f"names of its own in what {place} sends"
                yield tables.connections[line.probe].fault(
                    "values", expected, f"{name!r}, which is {other}'s too"
                )


def _names(tables: Tables, key: str, entry: Entry[Any]) -> Iterator[Fault]:
    channels = [c.rsplit(".", 1)[1] for c in tables.names_of("channel") if c.startswith(f"{key}.")]
    for raw_name, name in _values(entry.value).items():
        if name not in channels:
            place = _PLACES.get(type(entry.value), f"values.{raw_name}")
            yield unknown(entry, place, name, channels, "channel")


def _pattern(entry: Entry[Any], key: str, expected: set[str]) -> Iterator[Fault]:
    try:
        groups = set(re.compile(getattr(entry.value, key)).groupindex)
    except re.error as error:
        yield entry.fault(key, "a regular expression", f"{error}")
        return
    if groups != expected:
        problem = f"{', '.join(sorted(groups)) or 'none'} and {', '.join(sorted(expected)) or 'none'}"
        reference = "as in `values`" if key == "pattern" else "as here: serial"
        yield entry.fault(key, f"the same names in (?P<name>...) {reference}", problem)


def _block(entry: Entry[Any], table: kinds.ModbusTable) -> Iterator[Fault]:
    registers = {name: _register(text) for name, text in table.registers.items()}
    for name, register in registers.items():
        if register.type == "text" or register.scale == 0:
            yield entry.fault(f"registers.{name}", "a number with a scale other than 0", "none")
    first = min(r.address for r in registers.values())
    last = max(r.address + r.count for r in registers.values())
    if last - first > MOST_REGISTERS or last > 65536:
        expected = f"all registers within {MOST_REGISTERS} of each other: one request reads them together"
        yield entry.fault("registers", expected, f"{first} to {last - 1}")
