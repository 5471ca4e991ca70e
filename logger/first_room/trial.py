"""A live try of the probe: what it answers now, and what the numbers in it probably are."""

from __future__ import annotations

import re
from dataclasses import dataclass

from ..errors import ProbeError, Refused
from ..model import AsciiLine
from ..probes.ascii_line import line_text, printable
from ..probes.trial import GROUP, exchange, pattern_of
from .draft import LIVE, NO_READING, Draft, needed, number

ASKED_S = 3.0
PORT = "the name of the port, its rights, and that no other program has it"
NETWORK = "host and port, the cable, and that no other program holds the connection"
LISTENED_S = 20.0  # a probe that sends by itself may do so each ten seconds
_AFTER = {
    "degC": r"\s*(?:°|deg\s?)?C\b",
    "degF": r"\s*(?:°|deg\s?)?F\b",
    "%RH": r"\s*%",
    "hPa": r"\s*(?:hPa|mbar)\b",
    "ppm": r"\s*ppm\b",
}
_BEFORE = {
    "%RH": r"\b(?:RH|H|HUM\w*)\s*[=:,]?\s*$",
    "hPa": r"\b(?:P|PRESS\w*|BARO\w*)\s*[=:,]?\s*$",
    "ppm": r"\bCO2\s*[=:,]?\s*$",
    "degC": r"\b(?:T|TEMP\w*)\s*[=:,]?\s*$",
}


@dataclass(frozen=True)
class Answered:
    """What came: the last whole line as text, all lines printable, the numbers by name."""

    line: str
    shown: tuple[str, ...]
    numbers: dict[str, str]


def is_serial(address: str) -> bool:
    """Whether an address leads to a serial line, here or at a server of ports (RFC 2217).

    >>> [is_serial(where) for where in ("/dev/ttyUSB0", "rfc2217://10.0.0.7:2217", "socket://10.0.0.7:23")]
    [True, True, False]
    """
    return "://" not in address or address.startswith("rfc2217://")


def line_of(draft: Draft) -> AsciiLine:
    """How the probe is reached, from the answers; Refused where one cannot be used."""
    baud = (
        round(number(draft, "baud", "Bits per second", "9600")) if is_serial(draft.text("address")) else 9600
    )
    if not 50 <= baud <= 4_000_000:
        raise Refused(f"Bits per second: enter a number from 50 to 4000000. You entered “{baud}”.")
    address = needed(draft, "address", "Address", "a serial port or socket://HOST:PORT")
    if "://" in address and not address.startswith(("socket://", "rfc2217://", "tcp://")):
        raise Refused(
            f"Address: enter a serial port, socket://HOST:PORT or rfc2217://HOST:PORT. You entered "
            f"“{address}”."
        )
    ask = draft.text("ask")
    if not ask.isascii():
        raise Refused(f"What is sent: enter plain letters (ASCII). You entered “{ask}”.")
    wait_s = ASKED_S if ask else LISTENED_S
    mode = "query" if ask else "stream"
    return AsciiLine(LIVE, address, mode, "", {}, query=ask, timeout_s=wait_s, baudrate=baud)  # type: ignore[arg-type]


def try_probe(draft: Draft) -> Answered:
    """Open the address, ask or listen; Refused says what to look at when nothing whole comes."""
    line = line_of(draft)
    try:
        received, rest = exchange(line, 2 if line.query else 1)
    except ProbeError as lost:
        raise Refused(f"{lost} Check {PORT if is_serial(line.url) else NETWORK}.") from lost
    if not received:
        part = f" What came without a line end: {printable(rest)}." if rest else ""
        ask = "what is sent" if line.query else "whether the probe sends by itself"
        rate = ", the bits per second" if is_serial(line.url) else ""
        raise Refused(
            f"No whole line from {line.url} within {line.timeout_s:g} s.{part} "
            f"Check {ask}{rate} and the wiring."
        )
    text = line_text(received[-1])
    if re.search(r"\d,\d", text) and "." not in text:
        raise Refused(
            f"The answer {printable(received[-1])} may have decimal commas, or whole numbers with commas "
            "between. Set the probe to send decimal points."
        )
    names = pattern_of(text)[1]
    if not names:
        raise Refused(f"The answer {printable(received[-1])} holds no number. Check what is sent.")
    return Answered(text, tuple(printable(item) for item in received), names)


def pattern_for(draft: Draft) -> str:
    """The pattern of the probe's answers: a group for each number that is a reading."""
    pattern, names = pattern_of(draft.text("line"))
    readings = {channel.value for channel in draft.channels}
    for name in names:
        if name not in readings:
            pattern = pattern.replace(f"(?P<{name}>{GROUP})", GROUP)
    return pattern


def unit_proposed(line: str, name: str) -> str:
    """The unit that a number of an answer probably has, by what stands beside it; "none": no reading.

    >>> [unit_proposed("T=20.03 RH=47.8 N=17", name) for name in ("v1", "v2", "v3")]
    ['degC', '%RH', 'none']
    >>> unit_proposed("20.03", "v1"), unit_proposed("TEMP 20.09 C; HUM 47.0 %", "v2")
    ('degC', '%RH')
    """
    names = pattern_of(line)[1]
    at = 0
    for place, text in names.items():
        start = line.index(text, at)
        at = start + len(text)
        if place != name:
            continue
        for unit, after in _AFTER.items():
            if re.match(after, line[at:]):
                return unit
        for unit, before in _BEFORE.items():
            if re.search(before, line[:start], re.IGNORECASE):
                return unit
    return "degC" if len(names) == 1 else NO_READING
