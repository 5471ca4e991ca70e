"""Loops of many rooms in a few threads: each is due again some seconds after its last turn ended.

A thread for each loop would be seventeen a room. A turn that lasts holds one thread, so there are several;
which loop is due first goes first, in the order in which they were started.
"""

from __future__ import annotations

import heapq
import itertools
import threading
import time
from collections.abc import Callable
from contextvars import copy_context
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .jobs import Jobs, Loop

if TYPE_CHECKING:
    from apscheduler.schedulers.background import BackgroundScheduler

THREADS = 8


class SharedLoops:
    """A few threads that take the turns of all loops which were made here."""

    def __init__(self, threads: int = THREADS) -> None:
        self.news = threading.Condition()
        self._due: list[tuple[float, int, SharedLoop]] = []
        self._count = itertools.count()
        self._ended = False
        self._threads = [
            threading.Thread(target=self._run, name=f"rooms {n}", daemon=True) for n in range(threads)
        ]

    def start(self) -> None:
        """Begin taking turns."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End after the turns that run; does not wait for them."""
        with self.news:
            self._ended = True
            self.news.notify_all()

    @property
    def alive(self) -> bool:
        """Whether all threads run."""
        return all(thread.is_alive() for thread in self._threads)

    def loop(self, name: str, jobs: Jobs, work: Callable[[], object], every_s: float) -> SharedLoop:
        """A loop that has no thread of its own."""
        return SharedLoop(self, name, jobs, work, every_s)

    def put(self, loop: SharedLoop, at_s: float) -> None:
        """Have a loop's next turn at a monotonic instant; the caller holds `news`."""
        loop.due_s = at_s
        heapq.heappush(self._due, (at_s, next(self._count), loop))
        self.news.notify()

    def _run(self) -> None:
        while (loop := self._next()) is not None:
            loop.turn()

    def _next(self) -> SharedLoop | None:
        with self.news:
            while not self._ended:
                now_s = time.monotonic()
                if self._due and self._due[0][0] <= now_s:
                    due_s, _, loop = heapq.heappop(self._due)
                    if loop.take(due_s):
                        return loop
                    continue
                self.news.wait(self._due[0][0] - now_s if self._due else None)
        return None


class SharedLoop:
    """One loop of one room; the same to its owner as a `Loop`."""

    def __init__(
        self, loops: SharedLoops, name: str, jobs: Jobs, work: Callable[[], object], every_s: float
    ) -> None:
        self._context = copy_context()  # of the room that made it
        self._loops = loops
        self._name = name
        self._jobs = jobs
        self._work = work
        self._every_s = every_s
        self._started = self._running = self._woken = False
        self.ending = False
        self.due_s = 0.0

    @property
    def alive(self) -> bool:
        """Whether its turns come."""
        return self._started and not self.ending and self._loops.alive

    def start(self) -> None:
        """Begins at once."""
        with self._loops.news:
            self._started = True
            self._loops.put(self, time.monotonic())

    def wake(self) -> None:
        """There is something to do now."""
        with self._loops.news:
            self._woken = self._running
            if self._started and not self._running and not self.ending:
                self._loops.put(self, time.monotonic())

    def end(self) -> None:
        """Lets it end after the turn that runs; does not wait."""
        with self._loops.news:
            self.ending = True

    def stop(self, timeout_s: float) -> bool:
        """Ends after the turn that runs; whether it ended in that time."""
        self.end()
        with self._loops.news:
            return self._loops.news.wait_for(lambda: not self._running, timeout_s)

    def take(self, due_s: float) -> bool:
        """Whether the turn that was due then is still to be taken; the caller holds `news`."""
        if self.ending or self._running or due_s != self.due_s:
            return False
        self._running = True
        return True

    def turn(self) -> None:
        """Do the work once, and be due again."""
        try:
            self._context.run(self._jobs.run, self._name, self._work)
        finally:
            with self._loops.news:
                self._running = False
                if not self.ending:
                    self._loops.put(self, time.monotonic() + (0.0 if self._woken else self._every_s))
                self._woken = False
                self._loops.news.notify_all()


@dataclass(frozen=True)
class SharedWork:
    """What the rooms of one process have together: loops, calendar, and turns at long work.

    name: of the room, which tells its entries in the calendar from those of others.
    """

    name: str
    loops: SharedLoops
    calendar: BackgroundScheduler
    long_work: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(2))


def loop_of(
    shared: SharedWork | None, name: str, jobs: Jobs, work: Callable[[], object], every_s: float
) -> Loop | SharedLoop:
    """A loop with a thread of its own, or one among those of many rooms."""
    if shared is None:
        return Loop(name, jobs, work, every_s)
    return shared.loops.loop(name, jobs, work, every_s)
