"""Driver for temperature sensors on Linux 1-Wire: the file that the kernel shows for each.

Source: Linux kernel, Documentation/w1/slaves/w1_therm.rst (`w1_slave`). The kernel's YES is not enough: a
bus held low reads as zeros, whose CRC is 0, and a sensor that lost its supply shows its power-on value.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from ..errors import ProbeError
from ..model import OneWire
from .ascii_line import printable
from .clock import Clock, SystemClock
from .driver import Raw, Status

FILE = "w1_slave"
_POWER_ON = bytes([0x50, 0x05])  # 85 degC, before the first conversion
_BYTES = re.compile(r"((?:[0-9a-f]{2} ){9})")


class OneWireDriver:
    """One sensor; see `logger.model.OneWire`. Conforms to `ProbeDriver`. Reading takes some 0.75 s."""

    def __init__(self, line: OneWire, clock: Clock | None = None) -> None:
        self.line = line
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self.deadline_s = line.timeout_s
        self.wire: object = self  # shared with no other probe
        self._clock = clock or SystemClock()
        self._file = Path(line.folder) / FILE

    def open(self) -> None:
        """ProbeError while the kernel knows no such sensor."""
        if not self._file.exists():
            raise ProbeError(f"{self.line.folder}: no such sensor on the bus")

    def close(self) -> None:
        """Nothing is held."""

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (a sensor never speaks by itself)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """One conversion."""
        try:
            text = self._file.read_text(encoding="ascii", errors="replace")
        except OSError as lost:
            raise ProbeError(f"{self._file}: the sensor cannot be read: {lost}") from lost
        status, value = temperature(text)
        at_ns, raw = self._clock.wall_ns(), printable(text.encode("ascii", "replace")[:36])
        return [Raw(channel, value, status, at_ns, raw) for channel in self.channels]


def temperature(text: str) -> tuple[Status, float | None]:
    """What a `w1_slave` file says, in degC.

    >>> line = "72 01 4b 46 7f ff 0e 10 57"
    >>> temperature(f"{line} : crc=57 YES\\n{line} t=23125\\n")
    ('ok', 23.125)
    """
    first, _, second = text.partition("\n")
    frame, value = _BYTES.match(first), re.search(r" t=(-?\d+)\s*$", second)
    if frame is None or value is None or not first.endswith("YES"):
        return ("garbage" if text.strip() else "timeout"), None
    data = bytes.fromhex(frame.group(1))
    if not any(data) or crc8(data[:8]) != data[8]:
        return "garbage", None
    if data[:2] == _POWER_ON and value.group(1) == "85000":
        return "sensor-fault", None
    return "ok", int(value.group(1)) / 1000


def crc8(data: bytes) -> int:
    """Dallas/Maxim CRC-8, as in application note 27.

    >>> hex(crc8(bytes.fromhex("02 1c b8 01 00 00 00")))
    '0xa2'
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc
