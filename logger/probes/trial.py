"""A new probe in ten minutes: opens what a person names, shows what arrives, and how to write it.

Nothing is stored, and a device is only read.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_args

from ..model import AsciiLine, ModbusLine, OneWire, Register, Sdi12Line
from ..model.lines import WordOrder
from .ascii_line import line_text as as_text
from .ascii_line import printable
from .modbus import ModbusDriver
from .modbus_frames import BadFrame, ExceptionResponse, number
from .one_wire import FILE, temperature
from .plug_in import TrialReport
from .port import Port
from .sdi12 import Sdi12Driver

NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
GROUP = r"[+-]?[\d.eE+-]+"  # a number in a pattern
LIKELY = (-60.0, 2000.0)  # what a probe of a room may show: degC, %RH, hPa, ppm


def exchange(line: AsciiLine, lines: int = 3) -> tuple[list[bytes], bytes]:
    """Asks `line.query`, or listens where it is empty: whole lines, and what came without a line end."""
    port = Port(line, speaks=not line.query)
    port.open()
    try:
        return list(_lines(port, line, lines)), port.rest()
    finally:
        port.close()


def text(line: AsciiLine, kind: str = "text", lines: int = 3) -> TrialReport:
    """Asks or listens, and finds the numbers in what comes."""
    received, rest = exchange(line, lines)
    lines_shown = [f"received: {printable(line_bytes)}" for line_bytes in received]
    if rest:
        lines_shown.append(f"without a line end: {printable(rest)}")
    if not received:
        return TrialReport((*lines_shown, f"no whole line within {line.timeout_s:g} s"), ())
    pattern, numbers = pattern_of(as_text(received[-1]))
    lines_shown += [f"  {name} = {value}" for name, value in numbers.items()]
    mode = "query" if line.query else "stream"
    values = ", ".join(f'{name} = "..."' for name in numbers)
    query = [f"query = {json.dumps(line.query)}"] if line.query else []
    if kind == "scpi":
        places = ", ".join('"..."' for _ in numbers)
        return TrialReport(
            tuple(lines_shown), ('kind = "scpi"', *_wire(line), *query, f"values = [{places}]")
        )
    lines_shown.append(
        "  a number that is no reading: write \\d+ for its (?P<v...>...), leave it out of values"
    )
    table = [*_wire(line), f'mode = "{mode}"', *query, f"pattern = '{pattern}'", f"values = {{ {values} }}"]
    return TrialReport(tuple(lines_shown), tuple(table))


def _lines(port: Port, line: AsciiLine, count: int) -> Iterator[bytes]:
    for _ in range(count):
        if line.query:
            port.send(line.query)
        line_bytes = port.line(time.monotonic() + line.timeout_s)
        if line_bytes is None:
            return
        yield line_bytes


def pattern_of(line_text_: str) -> tuple[str, dict[str, str]]:
    """A pattern that matches lines like this one, and the numbers in it by their names.

    >>> pattern_of("T=20.03 RH=47.8")
    ('T=(?P<v1>[+-]?[\\\\d.eE+-]+) RH=(?P<v2>[+-]?[\\\\d.eE+-]+)', {'v1': '20.03', 'v2': '47.8'})
    """
    pattern, end, numbers = "", 0, {}
    for place, match in enumerate(NUMBER.finditer(line_text_), 1):
        pattern += re.escape(line_text_[end : match.start()]).replace(r"\ ", " ").replace("'", ".")
        pattern += f"(?P<v{place}>{GROUP})"
        numbers[f"v{place}"] = match.group()
        end = match.end()
    return pattern.replace(r"\=", "=") + re.escape(line_text_[end:]).replace("'", "."), numbers


def modbus(line: ModbusLine, address: int, count: int) -> TrialReport:
    """Reads a block of registers and decodes it in every way; what is likely for a room is marked with *."""
    driver = ModbusDriver(line)
    driver.open()
    try:
        words = driver.block(line.function, address, count)
    except ExceptionResponse as refusal:
        return TrialReport((f"the device refuses: {refusal}",), ())
    except BadFrame as bad:
        return TrialReport((f"what was received is not an answer: {bad}", *_doubts(line)), ())
    except TimeoutError:
        return TrialReport((f"no answer within {line.timeout_s:g} s", *_doubts(line)), ())
    finally:
        driver.close()
    decoded_values = [decoded for at in range(count) for decoded in _decode(words, address, at)]
    likely = [(register, value) for register, value in decoded_values if _likely(register, value)]
    report = [f"registers from {address}: {' '.join(f'{word:04x}' for word in words)}"]
    report += [_format_register(register, value) for register, value in decoded_values]
    proposed = next(
        (r for r, _ in likely if r.type == "float32"), likely[0][0] if likely else Register(address)
    )
    more = [f"device = {line.device}", f'function = "{line.function}"']
    kind_and_order = f'type = "{proposed.type}", order = "{proposed.order}"'
    place = f"{{ address = {proposed.address}, {kind_and_order}, scale = 1.0 }}"
    kind = ['kind = "modbus"', *_wire(line), *more]
    return TrialReport(tuple(report), (*kind, f"registers = {{ temperature = {place} }}"))


def _decode(words: Sequence[int], first: int, at: int) -> Iterator[tuple[Register, float | None]]:
    single = Register(first + at, "int16")
    yield single, number(single, words[at : at + 1])
    if at + 2 <= len(words):
        for order in get_args(WordOrder):
            for kind in ("float32", "int32"):
                pair = replace(single, type=kind, order=order)
                yield pair, number(pair, words[at : at + 2])


def _likely(register: Register, value: float | None) -> bool:
    """Whether it may be a reading of a room; a scaled whole number is up to a hundred times as large."""
    if value is None or value == 0:
        return False
    factor = 1 if register.type == "float32" else 100
    small = register.type == "float32" and abs(value) < 0.1
    return LIKELY[0] * factor <= value <= LIKELY[1] * factor and not small and register.type != "int32"


def _format_register(register: Register, value: float | None) -> str:
    mark = "*" if _likely(register, value) else " "
    order = f" {register.order}" if register.count > 1 else ""
    value_text = "no number" if value is None else f"{value:.7g}"
    return f"{mark} {register.address:5d} {register.type + order:<13} {value_text}"


def _doubts(line: ModbusLine) -> Iterator[str]:
    yield f"look at device = {line.device}"
    if not line.url.startswith("tcp://"):
        yield f"at {line.baudrate} baud and parity {line.parity}, and the two wires: they may be swapped"


def sdi12(line: Sdi12Line) -> TrialReport:
    """Starts one measurement and shows its values in their order."""
    values = {str(n): str(n) for n in range(1, 21)}
    driver = Sdi12Driver(replace(line, channels=values))
    driver.open()
    try:
        received = driver.read()
    finally:
        driver.close()
    valid = [raw for raw in received if raw.value is not None]
    if not valid:
        return TrialReport((f"{received[0].status}: {received[0].raw}",), ())
    report = [f"  value {raw.channel} = {raw.value:g}" for raw in valid]
    places = ", ".join('"..."' for _ in valid)
    keys = [f'address = "{line.address}"', f'command = "{line.command}"', f"values = [{places}]"]
    return TrialReport(tuple(report), ('kind = "sdi-12"', *_wire(line), *keys))


def one_wire(folder: Path) -> TrialReport:
    """One sensor's folder, or the folder that holds the devices of all masters: what each shows."""
    files = [folder / FILE] if (folder / FILE).exists() else sorted(folder.glob(f"*/{FILE}"))
    report: list[str] = []
    table: list[str] = []
    for file in files:
        status, value = temperature(file.read_text(encoding="ascii", errors="replace"))
        report.append(f"{file.parent.name}: {status if value is None else f'{value:g} degC'}")
        line = OneWire("", str(file.parent), {})
        table = table or ['kind = "one-wire"', f'folder = "{line.folder}"', 'value = "temperature"']
    return TrialReport(tuple(report or [f"no sensor in {folder}"]), tuple(table))


def _wire(line: AsciiLine | ModbusLine | Sdi12Line) -> list[str]:
    """All that it was reached by, so that what worked here works where it is pasted."""
    keys = [f"url = {json.dumps(line.url)}", f"timeout_s = {line.timeout_s!r}", f"baudrate = {line.baudrate}"]
    frame = [f"bytesize = {line.bytesize}", f'parity = "{line.parity}"', f"stopbits = {line.stopbits}"]
    return [*keys, *frame]
