"""A calibrated thermometer on an instrument bus, behind a gateway of lines: "12 MEAS?" -> "12 20.031 C"."""

import re

from logger.probes.plug_in import Identity, LineSocket, Positive, ProbeKind, Raw, Table, Text, wrong_probe_values

READING = re.compile(r"([+-]?\d+\.\d+) ([CKF])")
UNITS = {"C": "degC", "K": "K", "F": "degF"}


class BathTable(Table):  # [probes.KEY.connection]: wrong keys and types are refused with file and line
    kind: Text
    gateway: Text  # HOST:PORT
    address: int  # of the instrument on its bus
    timeout_s: Positive = 1.0


class BathDriver:
    def __init__(self, line, clock):
        self.probe, self.interval_s, self.channels = line.probe, line.interval_s, tuple(line.channels.values())
        self.deadline_s = 4 * line.table.timeout_s  # opening, asking who it is, asking for the reading
        self.address, self.unit, self.clock = line.table.address, line.units[self.channels[0]], clock
        self.wire = self  # it shares its connection with no other probe
        self.lines, self.identity = LineSocket(line.table.gateway, line.table.timeout_s), Identity(line.serial)
        self.open, self.close = self.lines.open, self.lines.close

    def listen(self, until_s):
        return False  # it speaks only when it is asked

    def read(self):
        try:
            if self.identity.missing(self.lines.openings):
                why = self.identity.fault(self.ask("ID?"), self.lines.openings)
                if why:
                    return wrong_probe_values(self.channels, why, self.clock.wall_ns)
            return [self.row(self.ask("MEAS?"))]
        except TimeoutError as late:
            return [self.raw(None, "timeout", str(late))]
        except ValueError as bad:
            return [self.raw(None, "garbage", str(bad))]

    def ask(self, what):
        address, _, answer = self.lines.ask(f"{self.address} {what}").partition(" ")
        if address != str(self.address):
            raise ValueError(f"expected an answer of {self.address}, found {address!r}")
        return answer

    def row(self, answer):
        match = READING.fullmatch(answer)
        if match is None:  # OPEN: the instrument says that its sensor is broken
            return self.raw(None, "sensor-fault" if answer == "OPEN" else "garbage", ascii(answer))
        if UNITS[match[2]] != self.unit:
            return self.raw(None, "device-error", f"unit: expected {self.unit}, found {UNITS[match[2]]}")
        return self.raw(float(match[1]), "ok", answer)

    def raw(self, value, status, why):
        return Raw(self.channels[0], value, status, self.clock.wall_ns(), why[:64])


BATH = ProbeKind(BathTable, lambda table: {"reading": "temperature"}, lambda table: table.gateway, BathDriver)
