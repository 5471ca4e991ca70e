"""A thread for each notice route and each other act outside: one that hangs delays none of the others."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from contextvars import copy_context
from functools import partial
from typing import Any

from .jobs import Jobs


class Senders:
    """Threads by name, never two at once of one name.

    send_by: sends what waits for one route.
    """

    def __init__(self, jobs: Jobs, send_by: Callable[[str], object]) -> None:
        self._jobs = jobs
        self._send_by = send_by
        self._threads: dict[str, threading.Thread] = {}

    def send(self, routes: Iterable[str]) -> None:
        """Send by each of these routes that is not being sent by; returns at once."""
        for route in routes:
            self.begin(f"send notices by {route}", partial(self._send_by, route))

    def begin(
        self, name: str, work: Callable[[], object], turn: AbstractContextManager[Any] | None = None
    ) -> None:
        """Do something else that may hang outside, unless it still does from the last time.

        turn: entered for the time of the work, where not all may do that at once; waiting for it is no part
        of the work.
        """
        running = self._threads.get(name)
        if running is None or not running.is_alive():
            run = partial(copy_context().run, self._run, name, work, turn or nullcontext())
            self._threads[name] = threading.Thread(target=run, name=name, daemon=True)
            self._threads[name].start()

    def _run(self, name: str, work: Callable[[], object], turn: AbstractContextManager[Any]) -> None:
        with turn:
            self._jobs.run(name, work)

    def wait(self, timeout_s: float) -> bool:
        """Whether all of them ended within that time; each has its share of it."""
        running = [thread for thread in self._threads.values() if thread.is_alive()]
        for thread in running:
            thread.join(timeout_s / len(running))
        return not any(thread.is_alive() for thread in running)
