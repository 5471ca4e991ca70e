"""What a driver promises, and what it hands over.

A driver never retries, waits for its turn, stores, corrects or raises an alarm. Every due poll
yields a row for each of its channels, also when it fails: a gap without a row would be no evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from ..model import Status

__all__ = ["Polled", "Raw", "Status"]


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


class Polled(Protocol):
    """One probe that is asked at fixed times. Called only from the thread of its bus."""

    @property
    def probe(self) -> str:
        """Key of the probe."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels for which each `read` yields one value."""

    @property
    def interval_s(self) -> float:
        """Seconds from poll to poll."""

    def open(self) -> None:
        """Reaches the line; no effect when it is open. ProbeError when it cannot be reached."""

    def listen(self, until_s: float) -> bool:
        """Takes in what the probe sends by itself until that instant of `time.monotonic`: True.

        False, at once, where there is nothing to listen to: the probe speaks only when asked, or the
        line is not open.
        """

    def read(self) -> Sequence[Raw]:
        """One transaction, ended within the probe's own time-out. ProbeError when the line is lost."""

    def close(self) -> None:
        """Lets go of the line; no effect when it is closed, and never raises."""
