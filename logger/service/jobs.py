"""The job loop: what fails in it becomes an event, and the next turn comes all the same."""

from __future__ import annotations

import errno
import logging
import os
import threading
import time
from collections.abc import Callable, Mapping

from ..errors import StillroomError, StoreGone, StoreTaken, sentence_of
from ..processes.deadline import DeadlineExceeded

log = logging.getLogger(__name__)

Event = Callable[[str, Mapping[str, object]], None]


class Jobs:
    """Runs jobs and remembers which of them fail just now, by name."""

    def __init__(self, event: Event) -> None:
        self._event = event
        self.takeover = ""  # who took the record over, as a sentence: whoever runs these jobs ends
        self.failing: dict[str, str] = {}
        self._overdue: set[str] = set()
        self._begun_s: dict[str, float] = {}

    def lasting(self) -> dict[str, float]:
        """Jobs that are at work just now, and for how many seconds."""
        now_s = time.monotonic()
        return {name: now_s - begun_s for name, begun_s in tuple(self._begun_s.items())}

    def overdue(self) -> dict[str, str]:
        """Jobs whose last run missed the deadline of something outside, and which."""
        failing = self.failing.copy()
        return {name: failing[name] for name in self._overdue.copy() if name in failing}

    def run(self, name: str, work: Callable[[], object]) -> bool:
        """Does the work; whether it succeeded. A failure and its end are one event each."""
        self._begun_s[name] = time.monotonic()
        try:
            return self._ran(name, work)
        finally:
            self._begun_s.pop(name, None)

    def _ran(self, name: str, work: Callable[[], object]) -> bool:
        try:
            work()
        except StoreTaken as error:  # nothing more can be stored, also no event
            self.takeover = str(error)
            return False
        except Exception as error:  # noqa: BLE001 (a job that fails becomes an event)
            text = sentence_of(error)
            (self._overdue.add if isinstance(error, DeadlineExceeded) else self._overdue.discard)(name)
            if self.failing.get(name) != text:
                _log(name, error)
                self._event("job-failed", {"job": name, "error": text[:500]})
            self.failing[name] = text
            return False
        self._overdue.discard(name)
        if self.failing.pop(name, None) is not None:
            self._event("job-works-again", {"job": name})
        return True


def _log(name: str, error: Exception) -> None:
    """A sentence where the error is one; a trace only for what nobody foresaw."""
    if isinstance(error, StoreGone):
        log.error("job %s waits: the data folder is gone", name)  # the writer says which, and what to do
    elif isinstance(error, OSError) and error.filename:
        log.error("job %s failed: %s: %s", name, os.fsdecode(error.filename), error.strerror)
    elif isinstance(error, OSError) and error.errno == errno.ENOSPC:
        log.error("job %s failed: the disk of the data folder is full; make room on it", name)
    elif isinstance(error, OSError) and error.strerror:
        log.error("job %s failed: %s", name, error.strerror)
    elif isinstance(error, StillroomError | OSError):
        log.error("job %s failed: %s", name, error)
    else:
        log.exception("job %s failed", name)


class Loop:
    """A thread that does one job again and again, `every_s` apart or when woken."""

    def __init__(self, name: str, jobs: Jobs, work: Callable[[], object], every_s: float) -> None:
        self._name = name
        self._jobs = jobs
        self._work = work
        self._every_s = every_s
        self._news = threading.Event()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    @property
    def ending(self) -> bool:
        """Whether its end was requested: a long turn checks this between its steps."""
        return self._ending.is_set()

    def start(self) -> None:
        """Begins at once."""
        self._thread.start()

    def wake(self) -> None:
        """There is something to do now."""
        self._news.set()

    def end(self) -> None:
        """Lets it end after the turn that runs; does not wait."""
        self._ending.set()
        self._news.set()

    def stop(self, timeout_s: float) -> bool:
        """Ends after the turn that runs; whether it ended in that time."""
        self.end()
        self._thread.join(timeout_s)
        return not self.alive

    def _run(self) -> None:
        while not self._ending.is_set():
            self._news.clear()
            self._jobs.run(self._name, self._work)
            self._news.wait(self._every_s)
