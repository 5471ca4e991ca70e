"""Work of a service by the calendar, in UTC: a local 02:30 comes twice or not at all when clocks change.

The work is done by threads of the senders: the calendar's own would be waited for at the end of the process.
Many rooms in one process have one calendar, and take turns at long work.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from contextvars import copy_context
from functools import partial
from typing import TYPE_CHECKING, Any

from .senders import Senders

if TYPE_CHECKING:
    from apscheduler.schedulers.background import BackgroundScheduler

    from .shared_loops import SharedWork


def make_calendar() -> BackgroundScheduler:
    """A calendar in UTC; a turn that was missed while the machine slept comes within twelve hours, once."""
    from apscheduler.schedulers.background import BackgroundScheduler

    return BackgroundScheduler(
        timezone="UTC", job_defaults={"coalesce": True, "misfire_grace_time": 12 * 3600}
    )


class ServiceCalendar:
    """The entries of one service."""

    def __init__(self, senders: Senders, shared: SharedWork | None) -> None:
        self._senders = senders
        self._shared = shared
        self._calendar = make_calendar() if shared is None else shared.calendar
        self._store = "default" if shared is None else shared.name
        self._turn: AbstractContextManager[Any] = nullcontext() if shared is None else shared.long_work
        if shared is not None:
            self._calendar.add_jobstore("memory", alias=self._store)

    def put(self, name: str, work: Callable[[], object], **when: Any) -> None:
        """Have some work done at fixed times; an entry of that name is replaced."""
        self.drop(name)
        begin = partial(copy_context().run, self._senders.begin, name, work, self._turn)
        entry = self._entry(name)
        self._calendar.add_job(begin, "cron", id=entry, name=entry, jobstore=self._store, **when)

    def drop(self, name: str) -> None:
        """Have it done no longer."""
        if self._calendar.get_job(self._entry(name), self._store) is not None:
            self._calendar.remove_job(self._entry(name), self._store)

    def planned(self, name: str) -> str:
        """When something is done, as the calendar has it; "" where it is not."""
        entry = self._calendar.get_job(self._entry(name), self._store)
        return "" if entry is None else str(entry.trigger)

    def _entry(self, name: str) -> str:
        """Of each room its own: the calendar takes a second entry of one name for a repetition."""
        return name if self._shared is None else f"{name} of {self._shared.name}"

    def do_now(self, name: str, work: Callable[[], object]) -> None:
        """Have long work done as soon as it is its turn."""
        self._senders.begin(name, work, self._turn)

    def start(self) -> None:
        """Begin; a calendar of many rooms runs already."""
        if self._shared is None:
            self._calendar.start()

    def end(self) -> None:
        """End without waiting for what is under way."""
        if self._shared is None:
            self._calendar.shutdown(wait=False)
        else:
            self._calendar.remove_jobstore(self._store)
