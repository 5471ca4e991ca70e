"""The one thread that writes readings and events of the running service to the store.

Buses hand their rows over and go on at once. Rows stay in memory while the database is busy or
the disk is full, up to a bound; beyond it the oldest are given up, counted, and said to be lost. What
is in memory at the end goes into a rescue file, which the next start takes in.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextvars import copy_context
from dataclasses import dataclass
from functools import partial
from typing import Any

from sqlalchemy.exc import SQLAlchemyError

from ..errors import StoreDamaged, StoreError, StoreGone, StoreTaken, StoreUnanswered
from ..instants import rfc3339
from ..model import Row
from ..store import Store
from . import rescue

log = logging.getLogger(__name__)

CAPACITY = 200_000  # rows; ten days of 13 channels a minute
BATCH = 5_000
GATHER_S = 0.8  # what comes in this time after the first row goes to the disk with it, as one entry
REPEAT_S = 60.0  # events of one kind about one thing come together in the journal at most so often
LONGEST_WAIT_S = 5.0
UNSTORED = (StoreError, SQLAlchemyError, OSError)  # what the store raises when it could not do its work
# What an event is about; its other texts do not make it another one, other figures do.
THINGS = ("url", "probe", "channel", "job", "zone", "route")
ADDED = ("skipped", "readings_lost")  # figures of which a sum says the same; no other is ever added


@dataclass
class _PendingEvent:
    """Events of one kind about one thing that are not in the journal yet."""

    kind: str
    what: dict[str, Any]
    at_ns: int
    count: int = 1

    def entry(self) -> dict[str, Any]:
        """What the journal says of it."""
        what = {"event": self.kind, "at": rfc3339(self.at_ns), **self.what}
        return {**what, "count": self.count} if self.count > 1 else what


@dataclass
class _Unanswered:
    """What was sent to a server whose answer never came; `entry` says whether it stands."""

    entry: tuple[int, str] | None
    rows: list[Row]
    event: tuple[str, _PendingEvent] | None = None


class Writer:
    """Takes rows and events from any thread; stores them in order, each batch durably."""

    def __init__(
        self, store: Store, *, clock: Callable[[], int] = time.time_ns, capacity: int = CAPACITY
    ) -> None:
        self._store = store
        self._clock = clock
        self._capacity = capacity
        self._rows: deque[Row] = deque()
        self._batch: list[Row] = []  # rows on their way to the disk
        self._event: _PendingEvent | None = None  # an event on its way to the disk
        self._unanswered: _Unanswered | None = None
        self.looked = threading.Event()  # rescue files of earlier runs were looked for
        self._events: dict[str, _PendingEvent] = {}
        self._written: dict[str, float] = {}  # when events of that key were last written, monotonic
        self._news = threading.Condition()
        self._ending = self._given_up = False
        run = partial(copy_context().run, self._run)  # its log is of the room that made it
        self._thread = threading.Thread(target=run, name="writer", daemon=True)
        self._refused_since_ns: int | None = None
        self._dropped = 0
        self.lost = 0
        self.waiting = 0
        self.passed_s = 0.0  # monotonic instant at which all that was handed over was last stored
        self.tried_s = 0.0  # monotonic instant of its last turn, taken or refused
        self.trouble = ""  # why nothing can be stored just now
        self.takeover = ""  # who took the record over, as a sentence: nothing more is stored from here
        self.remainder = ""  # what became of rows that were not stored before the end, as a sentence

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Begins storing."""
        self.passed_s = self.tried_s = time.monotonic()
        self._thread.start()

    def stop(self, timeout_s: float = 15.0) -> bool:
        """Stores what is in memory and ends; whether all of it was stored in that time.

        What was not goes into a rescue file, and `remainder` says where that is.
        """
        with self._news:
            self._ending = True
            self._news.notify()
        self._thread.join(timeout_s)
        with self._news:
            self._given_up = True
            left = self._remainder()
        if left:
            why = self.trouble or f"the database did not take them within {timeout_s:.1f} s"
            where = rescue.write(self._store, left, self._clock())
            self.remainder = f"{_amount(left)} could not be stored before the end: {why.rstrip('.')}. {where}"
            log.error("%s", self.remainder)
        return not left

    def _remainder(self) -> rescue.Remainder:
        """What is in memory and was not confirmed, oldest first; the next start sees what stands already."""
        doubt = self._unanswered or _Unanswered(None, [])
        pending = (doubt.event and doubt.event[1], self._event, *self._events.values())
        rows = [*doubt.rows, *self._batch, *self._rows]
        return rescue.Remainder(rows, [event.entry() for event in pending if event is not None])

    def rows(self, rows: Sequence[Row]) -> None:
        """Takes readings; never waits for the disk."""
        with self._news:
            self._rows.extend(rows)
            while len(self._rows) > self._capacity:
                self._rows.popleft()
                self._dropped += 1
            self.waiting = len(self._rows)
            self._news.notify()

    def event(self, kind: str, what: Mapping[str, object]) -> None:
        """Takes an event for the journal; repetitions within a minute become one entry with a count."""
        plain = json.loads(json.dumps(dict(what), default=str))
        key = _key(kind, plain)
        with self._news:
            pending = self._events.setdefault(key, _PendingEvent(kind, {}, self._clock(), 0))
            pending.what = _merge_events(pending.what, plain)
            pending.count += 1
            self._news.notify()

    def _run(self) -> None:
        pause_s = 0.1
        while not (self._given_up or (self._ending and self._is_empty())):
            self.tried_s = time.monotonic()
            try:
                self._take_in_rescued()
                self._turn()
                pause_s = 0.1
            except StoreTaken as error:
                self.takeover, self.trouble = str(error), "the record was taken over"
                return
            except UNSTORED as error:
                self._note_refusal(error)
                if self._ending and pause_s > 1.0:
                    return
                with self._news:
                    self._news.wait(0.01 if self._ending else pause_s)
                pause_s = min(2 * pause_s, LONGEST_WAIT_S)

    def _is_empty(self) -> bool:
        return not self._rows and not self._events and self._unanswered is None

    def _turn(self) -> None:
        with self._news:
            if not self._rows and not self._due() and not self._ending:
                self._news.wait(1.0)
            gathers = bool(self._rows) and not self._ending
        self._store.check_place()  # also while nothing comes
        self._store.keep_lock()
        self._ask()
        if gathers:
            self._gather()
        with self._news:
            if self._given_up:
                return
            batch = self._batch = [self._rows.popleft() for _ in range(min(BATCH, len(self._rows)))]
            stores = bool(batch)
        try:
            self._store_rows(batch)
        except UNSTORED:
            with self._news:
                self._rows.extendleft(reversed(batch))
                self._batch, self.waiting = [], len(self._rows)
            raise
        self._batch = []
        due = self._due()
        for key in due:
            self._store_event(key)
        if stores or due or self.trouble:
            self._note_recovery()
        with self._news:
            self.waiting = len(self._rows)
            if not self._rows:
                self.passed_s = time.monotonic()

    def _ask(self) -> None:
        """After a commit without an answer: what stands is done, the rest comes again before anything new."""
        doubt = self._unanswered
        if doubt is None:
            return
        stands = doubt.entry is not None and self._store.stands(doubt.entry)
        with self._news:
            if not stands:
                self._rows.extendleft(reversed(doubt.rows))
                if doubt.event is not None:
                    self._events.setdefault(*doubt.event)
            self._unanswered, self.waiting = None, len(self._rows)

    def _take_in_rescued(self) -> None:
        """What an earlier run could not store, before anything new."""
        if self.looked.is_set():
            return
        try:
            rescue.take_in(self._store)
        except (StoreError, SQLAlchemyError) as error:
            if _unusable(error):
                raise
            log.error("A rescue file was refused and stays where it is: %s", error)
        self.looked.set()

    def _gather(self) -> None:
        """Lets the rows of other buses come, unless it ends."""
        until = time.monotonic() + GATHER_S
        with self._news:
            while not self._ending and (left := until - time.monotonic()) > 0:
                self._news.wait(left)

    def _store_rows(self, batch: list[Row]) -> None:
        if not batch:
            return
        try:
            self._store.append("poll", batch)
        except StoreUnanswered as error:
            self._unanswered = _Unanswered(error.entry, batch[:])
            batch.clear()
            raise
        except (StoreError, SQLAlchemyError) as error:
            if _unusable(error):
                raise
            # One row that the store cannot take must not hold back the others for ever.
            log.error("%d readings were refused together, now one by one: %s", len(batch), error)
            while batch:  # what is stored leaves the batch, so that it is not stored twice after a refusal
                row = batch[0]
                try:
                    self._store_alone(row)
                except StoreUnanswered as unanswered:
                    self._unanswered = _Unanswered(unanswered.entry, [batch.pop(0)])
                    raise
                del batch[0]

    def _store_alone(self, row: Row) -> None:
        try:
            self._store.append("poll", [row])
        except (StoreError, SQLAlchemyError) as error:
            if _unusable(error):
                raise
            what = {"channel": row.channel, "taken": rfc3339(row.taken_ns), "error": repr(error)[:200]}
            self.event("reading-refused", what)

    def _due(self) -> list[str]:
        """Keys of events that may be written now: the first at once, repetitions a minute later."""
        now = time.monotonic()
        with self._news:
            keys = list(self._events)
        self._written = {k: at for k, at in self._written.items() if now - at < REPEAT_S}
        return [k for k in keys if self._ending or now - self._written.get(k, -REPEAT_S) >= REPEAT_S]

    def _store_event(self, key: str) -> None:
        with self._news:
            if self._given_up:
                return
            pending = self._event = self._events.pop(key)
        try:
            self._store.journal.append("event", "service", pending.entry())
        except StoreUnanswered as error:
            self._unanswered, self._event = _Unanswered(error.entry, [], (key, pending)), None
            raise
        except UNSTORED:
            with self._news:
                self._events.setdefault(key, pending)
                self._event = None
            raise
        self._event = None
        self._written[key] = time.monotonic()

    def _note_refusal(self, error: Exception) -> None:
        if self._refused_since_ns is None:
            self._refused_since_ns = self._clock()
            log.error("nothing can be stored, and readings wait in memory: %s", error)
        self.trouble = str(error)

    def _note_recovery(self) -> None:
        """What could not be written while it lasted is written when it is over."""
        with self._news:
            since, dropped = self._refused_since_ns, self._dropped
            self._refused_since_ns, self._dropped = None, 0
        self.lost += dropped
        if since is None and not dropped:
            return
        what = {"from": rfc3339(since or self._clock()), "to": rfc3339(self._clock()), "error": self.trouble}
        self.trouble = ""
        lost = f"{dropped} of them, the oldest, are lost: memory was full" if dropped else "none is lost"
        log.warning("readings are stored again; %s", lost)
        self.event("store-refused", {**what, "readings_lost": dropped})


def _amount(left: rescue.Remainder) -> str:
    words = (
        f"{n} {thing}{'' if n == 1 else 's'}"
        for n, thing in ((len(left.rows), "reading"), (len(left.events), "event"))
        if n
    )
    return " and ".join(words)


def _unusable(error: StoreError | SQLAlchemyError) -> bool:
    """Whether the store as a whole cannot be used just now, or only this row is none.

    The store raises the first from what the database or the system said.
    """
    return isinstance(error, StoreDamaged | StoreGone) or isinstance(
        error.__cause__, SQLAlchemyError | OSError
    )


def _key(kind: str, what: Mapping[str, Any]) -> str:
    """What makes two events one: kind, thing, and every figure that must not be added."""
    figures = (
        f"{name}={value}"
        for name, value in sorted(what.items())
        if isinstance(value, int | float) and name not in ADDED
    )
    return "|".join([kind, *(str(what.get(thing, "")) for thing in THINGS), *figures])


def _merge_events(first: Mapping[str, Any], then: Mapping[str, Any]) -> dict[str, Any]:
    """Two events of one kind about one thing as one: what can be added is, the earlier begin is kept."""
    merged = {**first, **then}
    for name, value in first.items():
        if name == "from":
            merged[name] = value
        elif name in ADDED and isinstance(then.get(name), int | float):
            merged[name] = value + then[name]
    return merged
