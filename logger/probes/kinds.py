"""The kinds of probes that stillroom brings, each a `ProbeKind` like those of plug-ins."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..model import (
    AsciiLine,
    CommandLine,
    Message,
    ModbusLine,
    MqttTopic,
    OneWire,
    PushedLine,
    Register,
    Sdi12Line,
)
from . import connection_tables as tables
from .ascii_line import AsciiLineDriver
from .bacnet import BACNET
from .clock import Clock
from .command import CommandDriver
from .driver import ProbeDriver
from .modbus import ModbusDriver
from .modbus_frames import MOST_REGISTERS
from .one_wire import OneWireDriver
from .opc_ua import OPC_UA
from .plug_in import KeyFault, LineFacts, ProbeKind
from .port import Port
from .sdi12 import Sdi12Driver
from .serial_line import SerialLine
from .snmp import SNMP

_SERIAL = ("url", "timeout_s", "baudrate", "parity", "bytesize", "stopbits")
_WIRE = ("baudrate", "parity", "bytesize", "stopbits")
# SCPI numbers in a list; the fourth field but one of *IDN? is the serial number (IEEE 488.2, 10.14).
_NUMBER = r"\s*(?P<v{n}>[^,]*?)\s*"
_IDN = r"[^,]*,[^,]*,\s*(?P<serial>[^,]*?)\s*,.*"


def _common(facts: LineFacts) -> dict[str, Any]:
    return {"probe": facts.probe, "interval_s": facts.interval_s, "channels": facts.channels}


def _copied(table: Any, *names: str) -> dict[str, Any]:
    return {name: getattr(table, name) for name in names}


def _url(table: Any) -> str:
    url: str = table.url
    return url


def _named_values(table: Any) -> Mapping[str, str]:
    values: Mapping[str, str] = table.values
    return values


def _settings(line: Any) -> object:
    return tuple(getattr(line, name) for name in _WIRE)


def _text_line(table: tables.TextLineTable, facts: LineFacts) -> AsciiLine:
    own = _copied(table, *_SERIAL, "mode", "query", "pattern", "identity", "identity_pattern")
    return AsciiLine(**_common(facts), **own, serial=facts.serial)


def _text_drivers(group: Sequence[AsciiLine], clock: Clock) -> list[ProbeDriver]:
    port = Port(group[0], speaks=group[0].mode == "stream", shared=len(group) > 1)
    return [
        AsciiLineDriver(line, port, clock, [other for other in group if other is not line]) for line in group
    ]


def _text_faults(table: tables.TextLineTable) -> Iterator[KeyFault]:
    if table.mode == "query" and not table.query:
        yield "query", "the text that asks for a reading", "nothing"
    if table.mode == "stream" and table.identity:
        yield "identity", 'a probe that is asked, mode = "query"', 'mode = "stream"'
    yield from pattern_faults(table, "identity_pattern", {"serial"})
    yield from pattern_faults(table, "pattern", set(table.values))


def pattern_faults(table: Any, key: str, expected: set[str]) -> Iterator[KeyFault]:
    """What is wrong with a regular expression under a key, and with the names of its groups."""
    try:
        groups = set(re.compile(getattr(table, key)).groupindex)
    except re.error as error:
        yield key, "a regular expression", f"{error}"
        return
    if groups != expected:
        names = f"{', '.join(sorted(groups)) or 'none'} and {', '.join(sorted(expected)) or 'none'}"
        place = "as in `values`" if key == "pattern" else "as here: serial"
        yield key, f"the same names in (?P<name>...) {place}", names


TEXT = ProbeKind(
    tables.TextLineTable, _named_values, _url, lambda line, clock: _text_drivers([line], clock)[0],
    drivers=_text_drivers, alike=_settings, faults=_text_faults, line=_text_line,
)  # fmt: skip


def _scpi_line(table: tables.ScpiTable, facts: LineFacts) -> AsciiLine:
    return AsciiLine(
        **_common(facts),
        **_copied(table, *_SERIAL, "query"),
        mode="query",
        pattern=",".join(_NUMBER.format(n=n) for n in range(len(table.values))),
        serial=facts.serial,
        identity="*IDN?" if table.asks_identity else "",
        identity_pattern=_IDN,
        after_silence="SYST:ERR?",
    )


SCPI = ProbeKind(
    tables.ScpiTable, lambda table: {f"v{n}": name for n, name in enumerate(table.values)}, _url, TEXT.driver,
    drivers=_text_drivers, alike=_settings, line=_scpi_line,
)  # fmt: skip


def _sdi12_line(table: tables.Sdi12Table, facts: LineFacts) -> Sdi12Line:
    own = _copied(table, *_SERIAL, "address", "command", "asks_identity")
    return Sdi12Line(**_common(facts), **own, serial=facts.serial)


def _sdi12_drivers(group: Sequence[Sdi12Line], clock: Clock) -> list[ProbeDriver]:
    port = Port(group[0], speaks=False)
    return [Sdi12Driver(line, port, clock) for line in group]


SDI12 = ProbeKind(
    tables.Sdi12Table, lambda table: {str(n): name for n, name in enumerate(table.values, 1)}, _url,
    lambda line, clock: _sdi12_drivers([line], clock)[0],
    drivers=_sdi12_drivers, alike=_settings, line=_sdi12_line,
)  # fmt: skip


def _register(table: tables.RegisterTable) -> Register:
    return Register(**{**table.model_dump(), "none": tuple(table.none)})


def _modbus_line(table: tables.ModbusTable, facts: LineFacts) -> ModbusLine:
    registers = {name: _register(register) for name, register in table.registers.items()}
    own = _copied(table, *_SERIAL, "device", "function", "echoes")
    identity = _register(table.identity) if table.identity else None
    return ModbusLine(**_common(facts), **own, registers=registers, serial=facts.serial, identity=identity)


def _modbus_drivers(group: Sequence[ModbusLine], clock: Clock) -> list[ProbeDriver]:
    wire = SerialLine(group[0])
    return [ModbusDriver(line, wire, clock) for line in group]


def _modbus_faults(table: tables.ModbusTable) -> Iterator[KeyFault]:
    registers = {name: _register(register) for name, register in table.registers.items()}
    for name, register in registers.items():
        if register.type == "text" or register.scale == 0:
            yield f"registers.{name}", "a number with a scale other than 0", "none"
    first = min(r.address for r in registers.values())
    last = max(r.address + r.count for r in registers.values())
    if last - first > MOST_REGISTERS or last > 65536:
        expected = f"all registers within {MOST_REGISTERS} of each other: one request reads them together"
        yield "registers", expected, f"{first} to {last - 1}"


MODBUS = ProbeKind(
    tables.ModbusTable, lambda table: {name: name for name in table.registers}, _url,
    lambda line, clock: ModbusDriver(line, None, clock),
    drivers=_modbus_drivers, alike=_settings, faults=_modbus_faults, line=_modbus_line, names_at="registers",
)  # fmt: skip


def _one_wire_line(table: tables.OneWireTable, facts: LineFacts) -> OneWire:
    return OneWire(**_common(facts), **_copied(table, "folder", "timeout_s"))


ONE_WIRE = ProbeKind(
    tables.OneWireTable, lambda table: {table.value: table.value},
    lambda table: "1-wire:" + table.folder.rsplit("/", 1)[0],
    OneWireDriver, line=_one_wire_line, names_at="value",
)  # fmt: skip


def _command_line(table: tables.CommandTable, facts: LineFacts) -> CommandLine:
    own = _copied(table, "pattern", "timeout_s")
    return CommandLine(**_common(facts), **own, arguments=tuple(table.arguments))


COMMAND = ProbeKind(
    tables.CommandTable, _named_values, lambda table: f"command:{' '.join(table.arguments)}", CommandDriver,
    line=_command_line, faults=lambda table: pattern_faults(table, "pattern", set(table.values)),
)  # fmt: skip


def _message(table: tables.MessageTable) -> Message:
    return Message(table.format, table.time, table.clock)


def _mqtt_line(table: tables.MqttTable, facts: LineFacts) -> MqttTopic:
    own = _copied(table, "url", "topic", "user", "password_env", "ca_file")
    return MqttTopic(**_common(facts), **own, message=_message(table))


MQTT = ProbeKind(tables.MqttTable, _named_values, _url, None, line=_mqtt_line)


def _push_line(table: tables.PushTable, facts: LineFacts) -> PushedLine:
    return PushedLine(**_common(facts), node=table.node, message=_message(table))


PUSH = ProbeKind(tables.PushTable, _named_values, lambda table: f"push:{table.node}", None, line=_push_line)

OWN: Mapping[str, ProbeKind] = {
    "text": TEXT,
    "scpi": SCPI,
    "sdi-12": SDI12,
    "modbus": MODBUS,
    "mqtt": MQTT,
    "push": PUSH,
    "one-wire": ONE_WIRE,
    "command": COMMAND,
    "opc-ua": OPC_UA,
    "snmp": SNMP,
    "bacnet": BACNET,
}
