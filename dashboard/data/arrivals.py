"""Answers of the store that hold until a reading arrives: hundreds of pages ask for the same one."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")
LASTING_S = 2.0  # a sealed file may come back, and a disposal takes readings away, without an arrival


class UntilArrival(Generic[T]):
    """An answer that is asked for anew when the number of the newest arrival changed, or after 2 s."""

    def __init__(self, ask: Callable[[], T]) -> None:
        self._ask = ask
        self._last: tuple[int, float, T] | None = None  # arrival, when it was asked for, answer

    def __call__(self, arrival: int) -> T:
        """The answer as of that arrival; threads that meet may ask twice."""
        last, now = self._last, time.monotonic()
        if last is None or last[0] != arrival or now - last[1] > LASTING_S:
            last = self._last = arrival, now, self._ask()
        return last[2]
