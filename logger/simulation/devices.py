"""Simulated probes of every protocol: what comes in, what goes out, no wire and no clock.

Each holds `values` by name and a `serial`, and answers whole requests as real ones do: what it does not
know it leaves unanswered. `spoil` does to an answer what wires do.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Protocol

from ..model import Register
from ..probes.modbus_frames import HEADER, crc16
from ..probes.one_wire import FILE, crc8
from ..probes.sdi12 import crc

Step = bytes | float  # what to send, or how many seconds to wait before
FAULTS = ("silence", "late", "garbage", "flipped bit", "half", "noise before", "twice", "drip")


class Speaker(Protocol):
    """One simulated probe at the end of a wire."""

    values: dict[str, float]
    serial: str

    def take(self, data: bytes) -> list[bytes]:
        """Answers to the requests that are whole with these bytes."""


class TextSpeaker:
    """Answers READ? with T=… RH=…, or P=… where it has a pressure, and ID? with its serial number."""

    def __init__(self, values: Mapping[str, float], serial: str = "AG-0411") -> None:
        self.values = dict(values)
        self.serial = serial
        self._received = b""

    def take(self, data: bytes) -> list[bytes]:
        """See `Speaker`."""
        *lines, self._received = (self._received + data).split(b"\n")
        answers = [self._answer(line.strip()) for line in lines]
        return [f"{a}\r\n".encode() for a in answers if a is not None]

    def _answer(self, query: bytes) -> str | None:
        if query == b"ID?":
            return self.serial
        names = {"temperature": "T", "relative_humidity": "RH", "pressure": "P"}
        read = " ".join(f"{names[name]}={value!r}" for name, value in self.values.items())
        return read if query == b"READ?" else None


class ScpiSpeaker(TextSpeaker):
    """Speaks SCPI: *IDN?, MEAS:TEMP?, and SYST:ERR? with what it did not understand."""

    def __init__(self, values: Mapping[str, float], serial: str = "AG-0411") -> None:
        super().__init__(values, serial)
        self._errors: list[str] = []

    def _answer(self, query: bytes) -> str | None:
        if query == b"*IDN?":
            return f"STILLROOM,SIMULATED,{self.serial},1.0"
        if query == b"SYST:ERR?":
            return self._errors.pop(0) if self._errors else '0,"No error"'
        if query == b"MEAS:TEMP?":
            return ",".join(f"{value:+.6E}" for value in self.values.values())
        self._errors.append('-113,"Undefined header"')
        return None


class Sdi12Speaker:
    """An SDI-12 sensor behind its adapter: I, M, MC, C, CC, D0; with `wait_s` it makes a service request."""

    def __init__(self, values: Mapping[str, float], serial: str = "AG-0411", wait_s: int = 0) -> None:
        self.values = dict(values)
        self.serial = serial
        self.wait_s = wait_s
        self.address = "0"
        self._with_crc = False
        self._received = b""

    def take(self, data: bytes) -> list[bytes]:
        """See `Speaker`."""
        *commands, self._received = (self._received + data).split(b"!")
        mine = [c.decode("ascii", "replace").lstrip() for c in commands]
        return [a.encode() for c in mine if c[:1] == self.address and (a := self._answer(c[1:]))]

    def _answer(self, command: str) -> str:
        if command == "I":
            return f"{self.address}14STILLROMSIMUL1100{self.serial}\r\n"
        if command in ("M", "MC", "C", "CC"):
            self._with_crc = command.endswith("C") and command != "C"
            ready = f"{self.address}\r\n" if self.wait_s and command.startswith("M") else ""
            count = f"{len(self.values):0{2 if command.startswith('C') else 1}d}"
            return f"{self.address}{self.wait_s:03d}{count}\r\n{ready}"
        if command == "D0":
            body = self.address + "".join(f"{value:+}" for value in self.values.values())
            return body + (crc(body) if self._with_crc else "") + "\r\n"
        return ""


class ModbusSpeaker:
    """A Modbus device with its values in registers; RTU, or Modbus TCP."""

    def __init__(
        self, values: Mapping[str, float], registers: Mapping[str, Register], serial: str = "AG-0411",
        *, identity: Register | None = None, device: int = 1, tcp: bool = False,
    ) -> None:  # fmt: skip
        self.values = dict(values)
        self.serial = serial
        self.device = device
        self._registers = registers
        self._identity = identity
        self._tcp = tcp
        self._received = b""

    def take(self, data: bytes) -> list[bytes]:
        """See `Speaker`. An RTU device knows a request by its length and CRC; others' it ignores."""
        self._received += data
        length = HEADER + 6 if self._tcp else 8
        answers = []
        while len(self._received) >= length:
            frame, self._received = self._received[:length], self._received[length:]
            answers += self._answer(frame)
        return answers

    def _answer(self, frame: bytes) -> list[bytes]:
        body = frame[HEADER:] if self._tcp else frame[:-2]
        if not self._tcp and crc16(body) != frame[-2:]:
            return []
        device, function, address, count = struct.unpack(">BBHH", body)
        if device != self.device:
            return []
        words = self._words()
        addresses = range(address, address + count)
        if all(at in words for at in addresses):
            reply = struct.pack(
                f">BBB{count}H", device, function, 2 * count, *(words[at] for at in addresses)
            )
        else:
            reply = bytes([device, function | 0x80, 2])
        return [frame[:4] + struct.pack(">H", len(reply)) + reply if self._tcp else reply + crc16(reply)]

    def _words(self) -> dict[int, int]:
        first = min(register.address for register in self._registers.values())
        last = max(register.address + register.count for register in self._registers.values())
        words = dict.fromkeys(range(first, last), 0)
        for name, register in self._registers.items():
            words |= registers_of(register, self.values[name])
        if self._identity:
            size = 2 * self._identity.count
            data = self.serial.encode().ljust(size, b"\0")[:size]
            words |= dict(enumerate(struct.unpack(f">{size // 2}H", data), self._identity.address))
        return words


def registers_of(register: Register, value: float) -> dict[int, int]:
    """Registers that hold a value, by address."""
    kind = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d"}
    number = (value - register.offset) / register.scale
    data = struct.pack(kind[register.type], number if "float" in register.type else round(number))
    words = [data[at : at + 2] for at in range(0, len(data), 2)]
    if register.order in ("BADC", "DCBA"):
        words = [word[::-1] for word in words]
    if register.order in ("CDAB", "DCBA"):
        words.reverse()
    return {register.address + n: int.from_bytes(word, "big") for n, word in enumerate(words)}


def show_one_wire(folder: Path, value: float | None) -> None:
    """The file that the kernel shows for a sensor at `value` degC; None: the bus is held low."""
    folder.mkdir(parents=True, exist_ok=True)
    count = round((value or 0.0) * 16)
    data = struct.pack("<h", count) + bytes([0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
    data = bytes(9) if value is None else data + bytes([crc8(data)])
    line = data.hex(" ")
    new = folder / f"{FILE}.new"
    new.write_text(f"{line} : crc={data[8]:02x} YES\n{line} t={count * 1000 // 16}\n", "ascii")
    new.replace(folder / FILE)


def spoil(answer: bytes, fault: str, random: Random, late_s: float = 0.3) -> Sequence[Step]:
    """What arrives of an answer on a wire with one of `FAULTS`; any other word: all of it."""
    if fault == "silence" or not answer:
        return []
    if fault == "flipped bit":
        at = random.randrange(len(answer))
        return [answer[:at] + bytes([answer[at] ^ 1 << random.randrange(8)]) + answer[at + 1 :]]
    if fault == "drip":
        return [step for byte in answer for step in (bytes([byte]), 0.001)]
    steps: dict[str, Sequence[Step]] = {
        "late": [late_s, answer],
        "garbage": [bytes(random.randrange(256) for _ in answer)],
        "half": [answer[: len(answer) // 2]],
        "noise before": [b"\xff\x00", answer],
        "twice": [answer + answer],
    }
    return steps.get(fault, [answer])
