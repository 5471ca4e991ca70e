"""Lines of text over a serial line, with their own buffer and deadline.

pyserial's own `readline` counts its time-out anew for each byte and hands out halves of lines; a half
of "21.5" is "2". Here only text that ended in a line end is ever handed out.
"""

from __future__ import annotations

import time

from .debts import Debts
from .serial_line import SerialLine, SerialSettings

LONGEST_LINE = 512
QUIET_S = 0.03  # longer than the pause between two bytes, also through a terminal server on the same network


class Port:
    """Text on one line. Shared by the drivers of one bus, used only from the bus's thread.

    `speaks`: the probe sends by itself, so that the first line after opening may have begun before.
    `shared`: several probes answer on it, so that what one still says must not count for the next.
    """

    def __init__(self, settings: SerialSettings, *, speaks: bool = False, shared: bool = False) -> None:
        self._line = SerialLine(settings)
        self._speaks = speaks
        self._quiet_s = QUIET_S if shared else 0.0
        self._buffer = bytearray()
        self._synced = True

    @property
    def is_open(self) -> bool:
        """Whether the line is reached, as far as is known."""
        return self._line.is_open

    @property
    def openings(self) -> int:
        """How often the line was opened."""
        return self._line.openings

    def open(self) -> None:
        """Opens by name, which is looked up anew each time; ProbeError when it cannot be opened."""
        if self._line.is_open:
            return
        self._line.open()
        self._buffer.clear()
        self._synced = not self._speaks

    def close(self) -> None:
        """Lets go of the line; never raises."""
        self._line.close()

    def send(self, text: str, end: str = "\r\n") -> None:
        """Sends a query; what came unasked before is thrown away. A line end is added where it has none."""
        ended = text if text.endswith(("\r", "\n")) else text + end
        self._line.send(ended.encode("ascii"), quiet_s=self._quiet_s)
        self._buffer.clear()

    @property
    def debts(self) -> Debts:
        """Whose answers may still come."""
        return self._line.debts

    def settle(self, beyond_s: float = 0.0) -> None:
        """Leaves the line alone for a while where an answer may still be on its way."""
        self._line.settle(beyond_s)

    def line(self, until_s: float) -> bytes | None:
        """The next whole line without its end, or None when `time.monotonic` reaches `until_s`."""
        while True:
            end = self._buffer.find(b"\n")
            if end >= 0:
                text = bytes(self._buffer[:end]).strip(b"\r\0 ")
                del self._buffer[: end + 1]
                if self._synced:
                    return text
                self._synced = True
                continue
            if time.monotonic() >= until_s:
                return None
            self._fill(until_s)

    def missed(self, timeout_s: float, who: str) -> None:
        """Notes that an answer did not come in time; what has come of it is worth nothing."""
        self._line.missed(timeout_s, who)
        if not self._speaks:
            self._buffer.clear()

    def rest(self) -> bytes:
        """What has come of an unfinished line."""
        return bytes(self._buffer)

    def _fill(self, until_s: float) -> None:
        if len(self._buffer) > LONGEST_LINE:
            self._buffer.clear()
            self._synced = False
        self._buffer += self._line.read(until_s)
