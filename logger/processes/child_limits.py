"""What a child process may use up: memory, time, size of its answer."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass

# Only Linux counts all that a process maps for itself (setrlimit(2), RLIMIT_DATA, since 4.7).
LIMITED = sys.platform.startswith("linux")
MIB = 1 << 20


@dataclass(frozen=True)
class ChildLimits:
    """What one call may use: bytes of memory, seconds of computing, seconds on the clock, bytes of answer.

    The two sentences end a refusal: what was not done, and what to do instead.
    """

    memory: int
    computing_s: float
    clock_s: float
    answer: int
    undone: str = "Nothing was imported"
    instead: str = "export it again as plain text, or in smaller files"

    @staticmethod
    def for_size(size: int) -> ChildLimits:
        """Generous for what loggers write: ten million rows (300 MB of text) need 1.5 GB and under a minute.

        Never more than half of the machine's memory.
        """
        computing_s = 60 + 2 * size / MIB
        memory = min(1024 * MIB + 16 * size, half_of_memory())
        return ChildLimits(memory, computing_s, 5 * computing_s, 256 * MIB + 16 * size)


def half_of_memory() -> int:
    """Bytes: half of the machine's memory, or 2 GiB where the system does not say how much it has."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2
    except (AttributeError, ValueError, OSError):
        return 2048 * MIB
