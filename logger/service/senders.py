"""One courier for each way out, so that a mail server that is silent does not hold up the horn beside it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from contextvars import copy_context
from functools import partial
from typing import Any

from .jobs import Jobs


class Senders:
    """Runs `carry` for a route in a thread of its own, never twice at once for one route."""

    def __init__(self, jobs: Jobs, carry: Callable[[str], object]) -> None:
        self._jobs = jobs
        self._carry = carry
        self._away: dict[str, threading.Thread] = {}

    def send(self, routes: Iterable[str]) -> None:
        """Sends a courier for each route whose last one is back; returns at once."""
        for route in routes:
            self.begin(f"send notices by {route}", partial(self._carry, route))

    def begin(
        self, name: str, work: Callable[[], object], turn: AbstractContextManager[Any] | None = None
    ) -> None:
        """Does something else that may be held up outside, not before it is back from the last time.

        turn: held meanwhile, where not all may do that at once; to wait for it is no part of the work.
        """
        running = self._away.get(name)
        if running is None or not running.is_alive():
            go = partial(copy_context().run, self._go, name, work, turn or nullcontext())
            self._away[name] = threading.Thread(target=go, name=name, daemon=True)
            self._away[name].start()

    def _go(self, name: str, work: Callable[[], object], turn: AbstractContextManager[Any]) -> None:
        with turn:
            self._jobs.run(name, work)

    def wait(self, timeout_s: float) -> bool:
        """Whether all of them came back in that time; each has its share of it."""
        away = [thread for thread in self._away.values() if thread.is_alive()]
        for thread in away:
            thread.join(timeout_s / len(away))
        return not any(thread.is_alive() for thread in away)
