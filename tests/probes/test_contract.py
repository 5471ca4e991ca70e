"""Our own drivers under the tests that are shipped for everybody's: one of each protocol."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from logger.model import CommandLine, ModbusLine, OneWire
from logger.probes import ProbeDriver, drivers
from logger.probes.conformance import DriverContract, ShiftedClock
from logger.simulation.devices import ModbusSpeaker, show_one_wire
from logger.simulation.wires import PtyWire

from .rigs import BOTH, IDENTITY, REGISTERS, SERIAL, START, Spoken, rig

PATIENCE_S = 0.15
OTHER = "AG-0499"


class WiredRig:
    """A simulated twin behind a real pseudo-terminal or socket; see `logger.probes.conformance.Rig`."""

    values: Sequence[Sequence[float]] = ((20.03, 47.8), (21.47, 50.5), (-1.5, 0.0))
    other_values: Sequence[float] = (18.25, 33.1)
    timeout_s = PATIENCE_S

    def __init__(self, kind: str, folder: Path) -> None:
        self.clock = ShiftedClock()
        self.other: ProbeDriver | None = None
        if kind == "modbus rtu":
            self._share(PtyWire("probe", folder))
            return
        probe_rig = rig(kind, folder, clock=self.clock, patience_s=PATIENCE_S)
        assert probe_rig.device is not None
        self.driver, self.device = probe_rig.driver, probe_rig.device

    def _share(self, wire: PtyWire) -> None:
        """Two Modbus devices on one line."""
        shown = dict(zip(START, self.other_values, strict=True))
        speaker = ModbusSpeaker(START, REGISTERS, SERIAL, identity=IDENTITY)
        beside = ModbusSpeaker(shown, REGISTERS, SERIAL, identity=IDENTITY, device=2)
        self.device = Spoken(wire, speaker, beside)
        self.device.late_s = 1.5 * PATIENCE_S
        lines = [
            ModbusLine(
                probe, wire.url, REGISTERS, BOTH, device=n, timeout_s=PATIENCE_S, serial=SERIAL,
                identity=IDENTITY, parity="N", baudrate=115200,
            )
            for n, probe in ((1, "P1"), (2, "P2"))
        ]  # fmt: skip
        self.driver, self.other = drivers(lines, self.clock)

    def answers(self, values: Sequence[float]) -> None:
        with self.device.turn:
            self.device.fault, self.device.speaker.serial = "", SERIAL
            self.device.speaker.values = dict(zip(START, values, strict=True))

    def silent(self) -> None:
        self.device.fault = "silence"

    def late(self) -> None:
        self.device.fault = "late"

    def garbage(self) -> None:
        self.device.fault = "garbage"

    def faulty(self) -> None:
        raise AssertionError("no value of these fails alone")

    def gone(self) -> None:
        self.device.wire.unplug()

    def back(self) -> None:
        self.device.wire.plug()

    def swapped(self) -> None:
        self.device.speaker.serial = OTHER

    def close(self) -> None:
        self.driver.close()
        self.device.close()


class TestWiredDrivers(DriverContract):
    """Text, SCPI, SDI-12 and Modbus."""

    one_value_can_fail = False

    @pytest.fixture(params=["text socket", "scpi", "sdi-12", "modbus rtu", "modbus tcp"])
    def rig(self, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[WiredRig]:
        probe_rig = WiredRig(request.param, tmp_path)
        yield probe_rig
        probe_rig.close()


class FileRig:
    """A sensor whose kernel file a test writes."""

    values: Sequence[Sequence[float]] = ((20.0,), (21.5,), (-1.5,))
    other_values: Sequence[float] = ()
    other: ProbeDriver | None = None
    timeout_s = 5.0

    def __init__(self, folder: Path) -> None:
        self.clock = ShiftedClock()
        self._place, self._aside = folder / "28-0000", folder / "aside"
        show_one_wire(self._place, 20.0)
        (self.driver,) = drivers([OneWire("P1", str(self._place), {"t": "P1.temperature"})], self.clock)

    def answers(self, values: Sequence[float]) -> None:
        show_one_wire(self._place, values[0])

    def _write(self, text: str) -> None:
        (self._place / "w1_slave").write_text(text)

    def silent(self) -> None:
        self._write("")

    def late(self) -> None:
        raise AssertionError("a file has no late answers")

    def garbage(self) -> None:
        self._write("zz zz : crc=00 YES\nzz t=maybe\n")

    def faulty(self) -> None:
        """The value that such a sensor shows before its first conversion."""
        show_one_wire(self._place, 85.0)

    def gone(self) -> None:
        shutil.move(self._place, self._aside)

    def back(self) -> None:
        shutil.move(self._aside, self._place)

    def swapped(self) -> None:
        raise AssertionError("its folder is its identity")


class TestOneWire(DriverContract):
    asks_who_it_is = False
    answers_late = False

    @pytest.fixture
    def rig(self, tmp_path: Path) -> FileRig:
        return FileRig(tmp_path)


class ProgramRig:
    """A real program that prints what a file holds."""

    values: Sequence[Sequence[float]] = ((20.03, 47.8), (21.47, 50.5))
    other_values: Sequence[float] = ()
    other: ProbeDriver | None = None
    timeout_s = 30.0

    def __init__(self, folder: Path) -> None:
        self.clock = ShiftedClock()
        self._file = folder / "printed"
        code = f"import sys; sys.stdout.write(open({str(self._file)!r}).read())"
        line = CommandLine(
            "P1", (sys.executable, "-S", "-c", code), r"T=(?P<t>\S+) RH=(?P<rh>\S+)",
            {"t": "P1.temperature", "rh": "P1.relative_humidity"}, timeout_s=self.timeout_s,
        )  # fmt: skip
        (self.driver,) = drivers([line], self.clock)

    def answers(self, values: Sequence[float]) -> None:
        self._file.write_text(f"T={values[0]} RH={values[1]}\n")

    def silent(self) -> None:
        self._file.write_text("")

    def late(self) -> None:
        raise AssertionError("a program that is late is ended: see test_stuck")

    def garbage(self) -> None:
        self._file.write_text("Traceback (most recent call last):\n")

    def faulty(self) -> None:
        self._file.write_text("T=--- RH=47.8\n")

    def gone(self) -> None:
        self._file.rename(self._file.with_suffix(".aside"))

    def back(self) -> None:
        self._file.with_suffix(".aside").rename(self._file)

    def swapped(self) -> None:
        raise AssertionError("a program has no serial number")


class TestCommand(DriverContract):
    asks_who_it_is = False
    answers_late = False

    @pytest.fixture
    def rig(self, tmp_path: Path) -> ProgramRig:
        return ProgramRig(tmp_path)
