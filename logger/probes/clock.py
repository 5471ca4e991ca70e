"""The clock of a bus, as an argument, so that tests can turn it."""

from __future__ import annotations

import threading
import time
import uuid
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """Wall time, monotonic time, and waiting on the monotonic one."""

    def wall_ns(self) -> int:
        """Nanoseconds since 1970-01-01T00:00Z; may step."""

    def monotonic_ns(self) -> int:
        """Nanoseconds since some instant of this boot; never steps."""

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        """Waits that long or until `stop` is set; whether it is set."""


class SystemClock:
    """The clock of this machine."""

    def wall_ns(self) -> int:
        """See `Clock`."""
        return time.time_ns()

    def monotonic_ns(self) -> int:
        """See `Clock`."""
        return time.monotonic_ns()

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        """See `Clock`."""
        return stop.wait(max(0.0, seconds))


def boot_id() -> str:
    """Names the time since this machine was switched on; monotonic times compare only within it.

    Where the system gives no such name (untried: Windows), one is made for this process.
    """
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return str(_PROCESS)


_PROCESS = uuid.uuid4()
