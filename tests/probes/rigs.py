"""One rig for each transport: a driver, its simulated twin at the other end, and a wire that can spoil."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from logger.model import AsciiLine, CommandLine, ModbusLine, OneWire, Register, Sdi12Line
from logger.probes import ProbeDriver, drivers
from logger.probes.clock import Clock
from logger.simulation.devices import (
    ModbusSpeaker,
    ScpiSpeaker,
    Sdi12Speaker,
    Speaker,
    TextSpeaker,
    show_one_wire,
    spoil,
)
from logger.simulation.wires import PtyWire, SocketWire, Wire

from .conftest import Device
from .rfc2217 import Rfc2217Wire

SERIAL = "AG-0411"
REGISTERS = {
    "temperature": Register(10, "int16", scale=0.01),
    "relative_humidity": Register(13, "uint16", scale=0.1),
}
FLOATS = {"temperature": Register(10, "float32", order="CDAB"), "relative_humidity": Register(12, "float32")}
IDENTITY = Register(100, "text", length=8)


class Spoken(Device):
    """A device whose answers a `Speaker` makes, spoiled as `fault` says; of bytes, not of lines."""

    def __init__(self, wire: Wire, speaker: Speaker, beside: Speaker | None = None) -> None:
        self.speaker = speaker
        self.beside = beside  # another one on the same wire, whose answers are never spoiled
        self.fault = ""
        self.late_s = 0.3
        self.turn = threading.Lock()  # held while it answers: a wire is changed at no other time
        self._random = Random(7)
        super().__init__(wire)

    def _take(self) -> None:
        with self.turn:
            received = self.wire.receive() if self.wire.files() else b""
            sound = self.beside.take(received) if self.beside else []
            taken = self.speaker.take(received)
            fault = self.fault
        self.say(*sound)
        for answer in taken:
            self.say(*spoil(answer, fault, self._random, self.late_s))


@dataclass
class Rig:
    """`show` sets what the probe measures; `device` is None where there is no wire to spoil."""

    driver: ProbeDriver
    show: Callable[[float, float], None]
    device: Spoken | None
    values: int = 2
    checked: bool = True  # the protocol finds a flipped bit
    asks: bool = True  # it can be asked who it is
    others: list[ProbeDriver] = field(default_factory=list)

    def close(self) -> None:
        self.driver.close()
        if self.device:
            self.device.close()


def channels(*names: str) -> dict[str, str]:
    return {name: f"P1.{name}" for name in names}


BOTH = channels("temperature", "relative_humidity")
START = {"temperature": 20.03, "relative_humidity": 47.8}


def rig(
    kind: str, folder: Path, serial: str = SERIAL, clock: Clock | None = None, patience_s: float = 0.2
) -> Rig:
    """The rig of one transport; the configured serial number may be another than the twin's.

    `patience_s`: how long an answer may take. Tests in which every question must be answered ask for
    more than a busy machine ever needs; those of silence would only wait for it.
    """
    folder.mkdir(exist_ok=True)
    probe_rig = _rig_of(kind, folder, serial, patience_s)
    if probe_rig.device is not None:
        probe_rig.device.late_s = 1.5 * patience_s  # too late, and while the line is still left to rest
    if clock is not None:
        probe_rig.driver._clock = clock  # type: ignore[attr-defined]
    return probe_rig


def _rig_of(kind: str, folder: Path, serial: str, patience_s: float) -> Rig:
    if kind == "1-wire":
        place = folder / "w1" / "28-0000"
        show_one_wire(place, START["temperature"])
        line = OneWire("P1", str(place), channels("temperature"))
        return Rig(drivers([line])[0], lambda t, rh: show_one_wire(place, t), None, 1, asks=False)
    if kind == "command":
        return _command(folder)
    wire = _wire(kind, folder)
    return _spoken(kind, wire, serial, patience_s)


def _wire(kind: str, folder: Path) -> Wire:
    if kind.endswith("rfc2217"):
        return Rfc2217Wire(folder)
    return SocketWire() if kind.endswith(("tcp", "socket")) else PtyWire("probe", folder)


def _spoken(kind: str, wire: Wire, serial: str, patience_s: float) -> Rig:
    protocol = kind.split(maxsplit=1)[0]
    url = wire.url.replace("socket://", "tcp://") if kind == "modbus tcp" else wire.url
    if protocol == "modbus":
        tcp = kind == "modbus tcp"
        speaker: Speaker = ModbusSpeaker(START, REGISTERS, SERIAL, identity=IDENTITY, tcp=tcp)
        line = ModbusLine(
            "P1",
            url,
            REGISTERS,
            BOTH,
            timeout_s=patience_s,
            serial=serial,
            identity=IDENTITY,
            parity="N",
            baudrate=115200,
            interval_s=0.2,
        )
        return _rig(line, wire, speaker, checked=not tcp)  # there TCP itself checks
    if protocol == "sdi-12":
        line = Sdi12Line(
            "P1",
            url,
            {"1": "P1.temperature", "2": "P1.relative_humidity"},
            timeout_s=patience_s,
            serial=serial,
            asks_identity=True,
            interval_s=0.2,
        )
        return _rig(line, wire, Sdi12Speaker(START, SERIAL))
    if protocol == "scpi":
        line = AsciiLine(
            "P1",
            url,
            "query",
            r"(?P<a>[^,]*),(?P<b>[^,]*)",
            {"a": "P1.temperature", "b": "P1.relative_humidity"},
            query="MEAS:TEMP?",
            timeout_s=patience_s,
            serial=serial,
            identity="*IDN?",
            identity_pattern=r"[^,]*,[^,]*,(?P<serial>[^,]*),.*",
            after_silence="SYST:ERR?",
            interval_s=0.2,
        )
        return _rig(line, wire, ScpiSpeaker(START, SERIAL), checked=False)
    line = AsciiLine(
        "P1",
        url,
        "query",
        r"T=(?P<t>-?\d+\.\d+) RH=(?P<rh>\d+\.\d+)",
        {"t": "P1.temperature", "rh": "P1.relative_humidity"},
        query="READ?",
        timeout_s=patience_s,
        serial=serial,
        identity="ID?",
        interval_s=0.2,
    )
    return _rig(line, wire, TextSpeaker(START, SERIAL), checked=False)


def _rig(line: AsciiLine | ModbusLine | Sdi12Line, wire: Wire, speaker: Speaker, checked: bool = True) -> Rig:
    device = Spoken(wire, speaker)

    def show(temperature: float, humidity: float) -> None:
        speaker.values = {"temperature": temperature, "relative_humidity": humidity}

    return Rig(drivers([line])[0], show, device, checked=checked)


def _command(folder: Path) -> Rig:
    """A real program: the interpreter prints what a file says."""
    file = folder / "said"

    def show(temperature: float, humidity: float) -> None:
        file.write_text(f"T={temperature!r} RH={humidity!r}\n")

    show(*START.values())
    code = f"import sys; sys.stdout.write(open({str(file)!r}).read())"
    pattern = r"T=(?P<t>\S+) RH=(?P<rh>\S+)"
    line = CommandLine(
        "P1",
        (sys.executable, "-S", "-c", code),
        pattern,
        {"t": "P1.temperature", "rh": "P1.relative_humidity"},
    )
    return Rig(drivers([line])[0], show, None, asks=False)


KINDS: Sequence[str] = (
    "text", "text socket", "text rfc2217", "scpi", "scpi socket", "sdi-12", "sdi-12 socket",
    "modbus rtu", "modbus rtu over socket", "modbus tcp", "1-wire", "command",
)  # fmt: skip
