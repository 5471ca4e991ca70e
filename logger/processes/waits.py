"""What waits just now for something outside this process, so that a wait without an end is noticed.

A share that dies in the middle holds whoever reads from it, inside the system, where no deadline reaches. Who
goes there says so by `waiting_for`, and by `moved` after each piece that went through: `lasting` is the time
since then.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field


@dataclass(eq=False)
class _Wait:
    name: str
    thread: int = field(default_factory=threading.get_ident)
    moved_s: float = field(default_factory=time.monotonic)


_waits: list[_Wait] = []
_guard = threading.Lock()


@contextmanager
def waiting_for(name: str) -> Iterator[None]:
    """From here to the end of the block this thread depends on something outside."""
    wait = _Wait(name)
    with _guard:
        _waits.append(wait)
    try:
        yield
    finally:
        with _guard:
            _waits.remove(wait)


def moved() -> None:
    """A piece went through: whatever this thread waits for is there."""
    thread, now_s = threading.get_ident(), time.monotonic()
    with _guard:
        for wait in _waits:
            if wait.thread == thread:
                wait.moved_s = now_s


def lasting() -> dict[str, float]:
    """By name of what is waited for: seconds since it last moved, the longest where several wait."""
    now_s = time.monotonic()
    with _guard:
        waits = sorted(_waits, key=lambda wait: wait.moved_s, reverse=True)
    return {wait.name: now_s - wait.moved_s for wait in waits}
