"""What a driver promises, and what it hands over.

A driver never retries, waits for its turn, stores, corrects or raises an alarm. Every due poll
yields a row for each of its channels, also when it fails: a gap without a row would be no evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from ..model import Status

__all__ = ["Interruptible", "ProbeDriver", "Raw", "Status"]

OPENING_S = 8.0  # a socket may take five to open, a port behind RFC 2217 some for its settings


@dataclass(frozen=True)
class Raw:
    """One value as the probe gave it, in its own unit, or why there is none.

    at_ns: UTC at the end of the transaction. raw: what was received, to explain a failure.
    """

    channel: str
    value: float | None
    status: Status
    at_ns: int
    raw: str = ""


class ProbeDriver(Protocol):
    """One probe that is asked at fixed times. Called by its bus, never by two threads at once.

    Drivers whose `wire` is the same object share it: while one of them does not come back, none is asked.

    wire: what it is reached by, the driver itself where it shares nothing; probe: key of the probe;
    channels: those for which each `read` yields one value; interval_s: seconds from poll to poll;
    deadline_s: within so many seconds a poll has ended: opening, asking and closing together.
    """

    wire: object
    probe: str
    channels: tuple[str, ...]
    interval_s: float
    deadline_s: float

    def open(self) -> None:
        """Reaches the line; no effect when it is open. ProbeError when it cannot be reached."""

    def listen(self, until_s: float) -> bool:
        """Takes in what the probe sends by itself until that instant of `time.monotonic`: True.

        False, at once, where there is nothing to listen to: the probe speaks only when asked, or the
        line is not open.
        """

    def read(self) -> Sequence[Raw]:
        """One transaction, ended within the probe's own time-out.

        ProbeError when the line is lost; DeadlineExceeded by one that noticed it does not come back.
        """

    def close(self) -> None:
        """Lets go of the line; no effect when it is closed, and never raises."""


@runtime_checkable
class Interruptible(Protocol):
    """A driver whose transaction can be ended from another thread."""

    def interrupt(self) -> None:
        """Ends what is under way; never waits for it, and never raises."""
