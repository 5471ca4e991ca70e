"""A new probe in ten minutes: opens what a person names, shows what arrives, and how to write it.

Nothing is stored, and a device is only read.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import get_args

from ..model import AsciiLine, ModbusLine, OneWire, Register, Sdi12Line
from ..model.lines import WordOrder
from .ascii_line import shown
from .ascii_line import written as as_text
from .modbus import ModbusDriver
from .modbus_frames import BadFrame, Exceptional, number
from .one_wire import FILE, temperature
from .port import Port
from .sdi12 import Sdi12Driver

NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
LIKELY = (-60.0, 2000.0)  # what a probe of a room may show: degC, %RH, hPa, ppm


@dataclass(frozen=True)
class Tried:
    """What came: lines to show, and the lines of the table [probes.<name>.connection]; none: nothing came."""

    shown: tuple[str, ...]
    table: tuple[str, ...]


def text(line: AsciiLine, kind: str = "text", lines: int = 3) -> Tried:
    """Asks `line.query`, or listens where it is empty, and finds the numbers in what comes."""
    port = Port(line, speaks=not line.query)
    port.open()
    try:
        came = list(_lines(port, line, lines))
        rest = port.rest()
    finally:
        port.close()
    told = [f"received: {shown(one)}" for one in came]
    if rest:
        told.append(f"without a line end: {shown(rest)}")
    if not came:
        return Tried((*told, f"no whole line within {line.timeout_s:g} s"), ())
    pattern, found = _pattern(as_text(came[-1]))
    told += [f"  {name} = {value}" for name, value in found.items()]
    mode = "query" if line.query else "stream"
    values = ", ".join(f'{name} = "..."' for name in found)
    query = [f"query = {json.dumps(line.query)}"] if line.query else []
    if kind == "scpi":
        places = ", ".join('"..."' for _ in found)
        return Tried(tuple(told), ('kind = "scpi"', *_wire(line), *query, f"values = [{places}]"))
    told.append("  a number that is no reading: write \\d+ for its (?P<v...>...), leave it out of values")
    table = [*_wire(line), f'mode = "{mode}"', *query, f"pattern = '{pattern}'", f"values = {{ {values} }}"]
    return Tried(tuple(told), tuple(table))


def _lines(port: Port, line: AsciiLine, count: int) -> Iterator[bytes]:
    for _ in range(count):
        if line.query:
            port.send(line.query)
        one = port.line(time.monotonic() + line.timeout_s)
        if one is None:
            return
        yield one


def _pattern(written: str) -> tuple[str, dict[str, str]]:
    """A pattern that matches lines like this one, and the numbers in it by their names.

    >>> _pattern("T=20.03 RH=47.8")
    ('T=(?P<v1>[+-]?[\\\\d.eE+-]+) RH=(?P<v2>[+-]?[\\\\d.eE+-]+)', {'v1': '20.03', 'v2': '47.8'})
    """
    pattern, end, found = "", 0, {}
    for place, match in enumerate(NUMBER.finditer(written), 1):
        pattern += re.escape(written[end : match.start()]).replace(r"\ ", " ").replace("'", ".")
        pattern += rf"(?P<v{place}>[+-]?[\d.eE+-]+)"
        found[f"v{place}"] = match.group()
        end = match.end()
    return pattern.replace(r"\=", "=") + re.escape(written[end:]).replace("'", "."), found


def modbus(line: ModbusLine, address: int, count: int) -> Tried:
    """Reads a block of registers and decodes it in every way; what is likely for a room is marked with *."""
    driver = ModbusDriver(line)
    driver.open()
    try:
        words = driver.block(line.function, address, count)
    except Exceptional as refusal:
        return Tried((f"the device refuses: {refusal}",), ())
    except BadFrame as bad:
        return Tried((f"what came is no answer: {bad}", *_doubts(line)), ())
    except TimeoutError:
        return Tried((f"no answer within {line.timeout_s:g} s", *_doubts(line)), ())
    finally:
        driver.close()
    found = [decoded for at in range(count) for decoded in _decoded(words, address, at)]
    likely = [(register, value) for register, value in found if _likely(register, value)]
    told = [f"registers from {address}: {' '.join(f'{word:04x}' for word in words)}"]
    told += [_said(register, value) for register, value in found]
    chosen = next(
        (r for r, _ in likely if r.type == "float32"), likely[0][0] if likely else Register(address)
    )
    more = [f"device = {line.device}", f'function = "{line.function}"']
    place = f'{{ address = {chosen.address}, type = "{chosen.type}", order = "{chosen.order}", scale = 1.0 }}'
    kind = ['kind = "modbus"', *_wire(line), *more]
    return Tried(tuple(told), (*kind, f"registers = {{ temperature = {place} }}"))


def _decoded(words: Sequence[int], first: int, at: int) -> Iterator[tuple[Register, float | None]]:
    one = Register(first + at, "int16")
    yield one, number(one, words[at : at + 1])
    if at + 2 <= len(words):
        for order in get_args(WordOrder):
            for kind in ("float32", "int32"):
                pair = replace(one, type=kind, order=order)
                yield pair, number(pair, words[at : at + 2])


def _likely(register: Register, value: float | None) -> bool:
    """Whether it may be a reading of a room; a scaled whole number is up to a hundred times as large."""
    if value is None or value == 0:
        return False
    factor = 1 if register.type == "float32" else 100
    small = register.type == "float32" and abs(value) < 0.1
    return LIKELY[0] * factor <= value <= LIKELY[1] * factor and not small and register.type != "int32"


def _said(register: Register, value: float | None) -> str:
    mark = "*" if _likely(register, value) else " "
    order = f" {register.order}" if register.count > 1 else ""
    written = "no number" if value is None else f"{value:.7g}"
    return f"{mark} {register.address:5d} {register.type + order:<13} {written}"


def _doubts(line: ModbusLine) -> Iterator[str]:
    yield f"look at device = {line.device}"
    if not line.url.startswith("tcp://"):
        yield f"at {line.baudrate} baud and parity {line.parity}, and at the two wires: they may be swapped"


def sdi12(line: Sdi12Line) -> Tried:
    """Starts one measurement and shows its values in their order."""
    values = {str(n): str(n) for n in range(1, 21)}
    driver = Sdi12Driver(replace(line, channels=values))
    driver.open()
    try:
        came = driver.read()
    finally:
        driver.close()
    found = [raw for raw in came if raw.value is not None]
    if not found:
        return Tried((f"{came[0].status}: {came[0].raw}",), ())
    told = [f"  value {raw.channel} = {raw.value:g}" for raw in found]
    places = ", ".join('"..."' for _ in found)
    own = [f'address = "{line.address}"', f'command = "{line.command}"', f"values = [{places}]"]
    return Tried(tuple(told), ('kind = "sdi-12"', *_wire(line), *own))


def one_wire(folder: Path) -> Tried:
    """One sensor's folder, or the folder that holds the devices of all masters: what each shows."""
    files = [folder / FILE] if (folder / FILE).exists() else sorted(folder.glob(f"*/{FILE}"))
    told: list[str] = []
    table: list[str] = []
    for file in files:
        status, value = temperature(file.read_text(encoding="ascii", errors="replace"))
        told.append(f"{file.parent.name}: {status if value is None else f'{value:g} degC'}")
        line = OneWire("", str(file.parent), {})
        table = table or ['kind = "one-wire"', f'folder = "{line.folder}"', 'value = "temperature"']
    return Tried(tuple(told or [f"no sensor in {folder}"]), tuple(table))


def _wire(line: AsciiLine | ModbusLine | Sdi12Line) -> list[str]:
    """All that it was reached by, so that what worked here works where it is pasted."""
    told = [f"url = {json.dumps(line.url)}", f"timeout_s = {line.timeout_s!r}", f"baudrate = {line.baudrate}"]
    frame = [f"bytesize = {line.bytesize}", f'parity = "{line.parity}"', f"stopbits = {line.stopbits}"]
    return [*told, *frame]
