"""How to stop a long-running command: Ctrl-C, SIGTERM, on Windows Ctrl-Break; SIGHUP: look again."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any

_NAMES = ("SIGINT", "SIGTERM", "SIGBREAK")  # the last one only on Windows, where it is untried


class StopRequest:
    """A context in which those signals only set a flag, so that everything is put away in order."""

    def __init__(self) -> None:
        self._requested = threading.Event()
        self._again = False
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> StopRequest:
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, self._request)
        if hasattr(signal, "SIGHUP"):
            self._before[signal.SIGHUP] = signal.signal(signal.SIGHUP, self._request_again)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    @property
    def requested(self) -> bool:
        """Whether a stop was requested."""
        return self._requested.is_set()

    def reload_requested(self) -> bool:
        """Whether SIGHUP came since the last call (systems without it: never)."""
        requested, self._again = self._again, False
        return requested

    def wait(self, alive: Callable[[], bool] = lambda: True) -> bool:
        """Block until a stop is requested, or until `alive` is false; True where one was requested."""
        while alive():
            # A wait without end cannot be interrupted by a signal on Windows.
            if self._requested.wait(0.5):
                return True
        return False

    def _request(self, _number: int, _frame: FrameType | None) -> None:
        self._requested.set()

    def _request_again(self, _number: int, _frame: FrameType | None) -> None:
        self._again = True
