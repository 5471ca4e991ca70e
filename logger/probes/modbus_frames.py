"""Modbus requests and answers as bytes, and registers as numbers. Pure.

Source: MODBUS Application Protocol Specification V1.1b3, chapters 6.3 and 6.4; MODBUS over Serial Line
V1.02, 2.5.1 (RTU frame, CRC); MODBUS Messaging on TCP/IP V1.0b, 3.1.3 (header).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from decimal import Decimal

from ..model import Register
from .decimals import shortest

FUNCTIONS = {"holding": 3, "input": 4}
MOST_REGISTERS = 125
HEADER = 6  # of Modbus TCP, up to and with the length
_FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d"}
_EXCEPTIONS = {
    1: "illegal function", 2: "illegal address", 3: "illegal value", 4: "device failure",
    5: "acknowledge", 6: "device busy", 8: "memory parity", 10: "gateway path", 11: "gateway target",
}  # fmt: skip


class BadFrame(ValueError):
    """Bytes that are not the answer to the request; the text says why."""


class ExceptionResponse(ValueError):
    """A proper answer that says why there is none; the text names its code."""


def crc16(data: bytes) -> bytes:
    """CRC of a frame, low byte first (Serial Line V1.02, 6.2.2).

    >>> crc16(bytes([0x02, 0x07])).hex()
    '4112'
    """
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return struct.pack("<H", crc)


def request(device: int, function: int, address: int, count: int, transaction: int | None) -> bytes:
    """A read of `count` registers: as RTU, or for a transaction as Modbus TCP."""
    body = struct.pack(">BBHH", device, function, address, count)
    if transaction is None:
        return body + crc16(body)
    return struct.pack(">HHH", transaction, 0, len(body)) + body


def frame_length(head: bytes) -> int:
    """Bytes of an RTU answer, CRC included, that begins with these three: device, function, number of bytes.

    >>> frame_length(bytes([1, 4, 2])), frame_length(bytes([1, 0x84, 2]))
    (7, 5)
    """
    return 5 if head[1] & 0x80 else 5 + head[2]


def answers(frame: bytes, device: int, function: int, count: int) -> bool:
    """Whether a whole answer is that of the device to a read of so many registers, or its refusal."""
    return frame[0] == device and (
        frame[1] == function | 0x80 or (frame[1] == function and frame[2] == 2 * count)
    )


def registers(body: bytes, device: int, function: int, count: int) -> tuple[int, ...]:
    """The registers of an answer without CRC or header; BadFrame, or ExceptionResponse for a refusal."""
    if len(body) < 3 or body[0] != device:
        raise BadFrame("an answer of another device" if body else "nothing")
    if body[1] == function | 0x80 and len(body) == 3:
        raise ExceptionResponse(f"exception {body[2]}: {_EXCEPTIONS.get(body[2], 'unknown')}")
    if body[1] != function or body[2] != 2 * count or len(body) != 3 + 2 * count:
        raise BadFrame(f"not {count} registers of function {function}")
    return struct.unpack(f">{count}H", body[3:])


def number(register: Register, words: Sequence[int]) -> float | None:
    """What the words of a register mean; None where they say that there is no value.

    A float32 becomes the shortest decimal that is stored as it: 21.53 stays 21.53.

    >>> number(Register(0, "int16", scale=0.1), [0xFFF1])
    -1.5
    >>> number(Register(0, "float32", order="CDAB"), [0x3D71, 0x41AC])
    21.53
    """
    (value,) = struct.unpack(_FORMATS[register.type], _in_order(register, words))
    if not math.isfinite(value) or value in register.none:
        return None
    exact = shortest(value) if register.type == "float32" else Decimal(repr(value))
    return float(exact * Decimal(repr(register.scale)) + Decimal(repr(register.offset)))


def text(words: Sequence[int]) -> str:
    """ASCII in registers, high byte first, ended by zeros or blanks; what is no ASCII as "?".

    >>> text([0x4147, 0x2D37, 0x0000])
    'AG-7'
    """
    data = struct.pack(f">{len(words)}H", *words).split(b"\0", 1)[0]
    return data.decode("ascii", "replace").replace("\ufffd", "?").strip()


def _in_order(register: Register, words: Sequence[int]) -> bytes:
    """The bytes, most significant first: C and D before A and B: words turned; B before A: bytes turned."""
    turned = [w >> 8 | (w & 255) << 8 for w in words] if register.order in ("BADC", "DCBA") else list(words)
    if register.order in ("CDAB", "DCBA"):
        turned.reverse()
    return struct.pack(f">{len(turned)}H", *turned)
