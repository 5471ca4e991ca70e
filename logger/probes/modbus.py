"""Driver for Modbus devices, RTU and TCP.

RTU answers carry no number of their request: an answer that comes too late fits the next question. So
one block holds all values of a device; every answer is held against device, function and count, and whole
answers to other questions are passed over. After anything that is not a whole answer the line is closed and
left alone for a time-out, and the device is not asked before its answer can have come; then first for a block
of another length than any that may be on its way. Answers over TCP have a number, which a gateway to RTU may
put on the wrong one: they are treated alike.

The library that tests use as a peer waits on the wall clock in its serial client: set back by an hour
it would stop a bus for an hour. Hence our own few bytes, with deadlines on the monotonic clock.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Sequence
from contextlib import suppress

from ..errors import ProbeError
from ..model import ModbusLine, Register
from .clock import Clock, SystemClock
from .debts import NOT_ASKED
from .driver import OPENING_S, Raw, Status
from .identity import Identity, wrong_probe_values
from .modbus_frames import (
    FUNCTIONS,
    HEADER,
    MOST_REGISTERS,
    BadFrame,
    ExceptionResponse,
    answers,
    crc16,
    frame_length,
    number,
    registers,
    request,
    text,
)
from .serial_line import SerialLine

SHOWN = 32  # bytes, in hex


class ModbusDriver:
    """One Modbus device; see `logger.model.ModbusLine`. A `ProbeDriver`; shares its line's object."""

    def __init__(self, line: ModbusLine, wire: SerialLine | None = None, clock: Clock | None = None) -> None:
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self.deadline_s = OPENING_S + 6 * line.timeout_s
        self._wire = wire or SerialLine(line)
        self.wire: object = self._wire
        self._clock = clock or SystemClock()
        self._identity = Identity(line.serial if line.identity else "")
        self._who = f"device {line.device}"
        self._count = 0  # registers of the newest request

    def open(self) -> None:
        """See `ProbeDriver`."""
        self._wire.open()

    def close(self) -> None:
        """See `ProbeDriver`."""
        self._wire.close()

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (a Modbus device never speaks by itself)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """One request for the block that holds all values, and at an opening one for the serial number."""
        if not self._wire.is_open:
            raise ProbeError(f"{self.line.url}: the line is not open")
        debts = self._wire.debts
        if debts.owing(self._who):
            return self._all("timeout", NOT_ASKED)
        try:
            if count := debts.unlike(self._who, MOST_REGISTERS):
                self._prove(count)
            if self._identity.missing(self._wire.openings) and (stop := self._unlike()):
                return stop
            return self._values()
        except ExceptionResponse as refusal:
            return self._all("device-error", str(refusal))
        except TimeoutError:
            return self._lost("timeout", "")
        except BadFrame as bad:
            return self._lost("garbage", str(bad))

    def block(self, function: str, address: int, count: int) -> tuple[int, ...]:
        """Registers; TimeoutError, BadFrame, ExceptionResponse or ProbeError where there are none."""
        code, tcp = FUNCTIONS[function], self.line.url.startswith("tcp://")
        number = self._wire.next_transaction() if tcp else None
        query = request(self.line.device, code, address, count, number)
        self._count = count
        self._pause()
        self._wire.send(query)
        until_s = time.monotonic() + self.line.timeout_s
        body = self._rtu(query, code, count, until_s) if number is None else self._tcp(number, until_s)
        return registers(body, self.line.device, code, count)

    def _prove(self, count: int) -> None:
        """A question whose answer cannot be an earlier one's; a refusal proves as much as the registers."""
        first = min(r.address for r in self.line.registers.values())
        with suppress(ExceptionResponse):
            self.block(self.line.function, first, count)
        self._wire.debts.settle(self._who)

    def _values(self) -> list[Raw]:
        registers = self.line.registers
        first = min(r.address for r in registers.values())
        last = max(r.address + r.count for r in registers.values())
        words = self.block(self.line.function, first, last - first)
        self._wire.debts.settle(self._who)
        at_ns = self._clock.wall_ns()
        return [
            self._value(channel, registers[name], words[registers[name].address - first :], at_ns)
            for name, channel in self.line.channels.items()
        ]

    def _value(self, channel: str, register: Register, words: Sequence[int], at_ns: int) -> Raw:
        register_words = words[: register.count]
        value = number(register, register_words)
        raw = " ".join(f"{word:04x}" for word in register_words)
        return Raw(channel, value, "ok" if value is not None else "sensor-fault", at_ns, raw)

    def _unlike(self) -> list[Raw]:
        place = self.line.identity or Register(0)
        words = self.block(self.line.function, place.address, place.count)
        identity_text = text(words) if place.type == "text" else f"{number(place, words) or 0:.0f}"
        why = self._identity.fault(identity_text, self._wire.openings)
        return wrong_probe_values(self.channels, why, self._clock.wall_ns) if why else []

    def _rtu(self, query: bytes, function: int, count: int, until_s: float) -> bytes:
        if self.line.echoes and self._wire.exactly(len(query), until_s) != query:
            raise BadFrame("the adapter did not receive what it sent")
        while True:
            frame = self._wire.exactly(3, until_s)
            if not frame:
                raise TimeoutError
            if len(frame) == 3:
                frame = self._wire.exactly(frame_length(frame), until_s, frame)
            if len(frame) < 5 or crc16(frame[:-2]) != frame[-2:]:
                raise BadFrame(frame[:SHOWN].hex())
            if answers(frame, self.line.device, function, count):
                return frame[:-2]

    def _tcp(self, number: int, until_s: float) -> bytes:
        """The answer with our transaction's number; late answers to earlier ones are passed over."""
        while head := self._wire.exactly(HEADER, until_s):
            if len(head) < HEADER:
                raise BadFrame(head.hex())
            transaction, protocol, length = struct.unpack(">HHH", head)
            if protocol or not 3 <= length <= 260:
                raise BadFrame(head.hex())
            body = self._wire.exactly(length, until_s)
            if len(body) < length:
                raise BadFrame(body[:SHOWN].hex() or "an answer that ended at its header")
            if transaction == number:
                return body
        raise TimeoutError

    def _pause(self) -> None:
        """Frames are parted by 3.5 characters, 1.75 ms at the least (Serial Line V1.02, 2.5.1.1)."""
        if "://" not in self.line.url:
            time.sleep(max(0.00175, 3.5 * 11 / self.line.baudrate))

    def _lost(self, status: Status, why: str) -> list[Raw]:
        self._wire.missed(self.line.timeout_s, self._who, self._count)
        self._wire.close()
        return self._all(status, why)

    def _all(self, status: Status, why: str) -> list[Raw]:
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, status, at_ns, why[:64]) for channel in self.channels]
