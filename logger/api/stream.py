"""Verdicts as a stream of server-sent events (WHATWG HTML, 9.2): the whole state first, then each change.

One thread looks at the record for all streams. Each stream takes a thread of the server: there are few.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping

from flask import Response, request

from ..errors import StillroomError
from ..verdicts.zone_state import ZoneState, zone_states
from . import inputs
from .access import RecordAccess
from .problems import RequestProblem

log = logging.getLogger(__name__)
MOST_STREAMS = 3  # of the eight threads of the server
LASTS = "stillroom.lasts"  # in the environment of a request: to be called where its answer lasts
HEARTBEAT_S = 15.0
LOOK_EVERY_S = 0.5
RETRY_MS = 5000
RETRY_S = 30
BUSY_S = 10.0  # a record that cannot be read for so long is no reason to go on showing its last verdict


class Seats:
    """Places for streams: one server has so many threads, whatever number of rooms it shows."""

    def __init__(self, most: int) -> None:
        self._most, self._taken, self._turn = most, 0, threading.Lock()

    def take(self) -> None:
        """Take a place; RequestProblem where none is left."""
        with self._turn:
            if self._taken >= self._most:
                detail = f"There are {self._most} event streams, which is as many as may be; try again later."
                raise RequestProblem("too-many-streams", detail, headers={"Retry-After": str(RETRY_S)})
            self._taken += 1

    def leave(self) -> None:
        """Give a place back."""
        with self._turn:
            self._taken -= 1


SEATS = Seats(MOST_STREAMS)


class VerdictFeed:
    """The newest state of every zone, for as many streams as there are; looks only while there is one."""

    def __init__(self, states: Callable[[], list[ZoneState]], look_every_s: float = LOOK_EVERY_S) -> None:
        self._states, self._look_every_s = states, look_every_s
        self._changed = threading.Condition()
        self._newest: dict[str, ZoneState] = {}
        self._turn = 0
        self._streams = 0
        self._looks = False
        self._closed = False

    @property
    def streams(self) -> int:
        """How many streams are open."""
        return self._streams

    def enter(self) -> None:
        """One stream more; RequestProblem where there are as many as may be."""
        SEATS.take()
        with self._changed:
            self._streams += 1

    def leave(self) -> None:
        """One stream less."""
        SEATS.leave()
        with self._changed:
            self._streams -= 1

    def close(self) -> None:
        """End every stream: the server stops."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def events(self, heartbeat_s: float = HEARTBEAT_S) -> Iterator[bytes]:
        """The bytes of one stream, while they are read; the caller enters before and leaves after."""
        last_states: dict[str, ZoneState] = {}
        turn = self._begin()
        yield f"retry: {RETRY_MS}\n\n".encode()
        while True:
            newest = dict(self._newest)
            yield from _changes(last_states, newest)
            last_states = newest
            turn, ended = self._wait(turn, heartbeat_s)
            if ended:
                return
            if newest == self._newest:
                yield b": still here\n\n"

    def _begin(self) -> int:
        """The state as it is now, and a thread that looks for changes."""
        states = self._look()
        with self._changed:
            if states is not None:
                self._newest = states
            if not self._looks:
                self._looks = True
                threading.Thread(target=self._watch, name="verdict feed", daemon=True).start()
            return self._turn

    def _wait(self, turn: int, heartbeat_s: float) -> tuple[int, bool]:
        with self._changed:
            self._changed.wait_for(lambda: self._turn != turn or self._closed, heartbeat_s)
            return self._turn, self._closed

    def _watch(self) -> None:
        read_s = time.monotonic()
        while True:
            time.sleep(self._look_every_s)
            states = self._look()
            with self._changed:
                if not self._streams or self._closed:
                    self._looks = False
                    return
                if states is None and time.monotonic() - read_s > BUSY_S:
                    states = {zone: state.lost() for zone, state in self._newest.items()}
                elif states is not None:
                    read_s = time.monotonic()
                if states is not None and states != self._newest:
                    self._newest = states
                    self._turn += 1
                    self._changed.notify_all()

    def _look(self) -> dict[str, ZoneState] | None:
        try:
            return {state.zone: state for state in self._states()}
        except StillroomError as error:
            log.warning("the event stream could not read the record: %s", error)
            return None


def _changes(before: Mapping[str, ZoneState], now: Mapping[str, ZoneState]) -> Iterator[bytes]:
    """For each zone that changed an event: `verdict` for another verdict, `judged` for a further minute."""
    for zone, state in now.items():
        if state != before.get(zone):
            other = zone not in before or state.news != before[zone].news
            data = json.dumps(state.to_dict(), ensure_ascii=False)
            yield f"event: {'verdict' if other else 'judged'}\ndata: {data}\n\n".encode()


class StreamRoutes:
    """The event stream."""

    def __init__(self, access: RecordAccess) -> None:
        self.feed = VerdictFeed(lambda: zone_states(access.store, access.setup, access.now_ns()))

    def events(self) -> Response:
        """Every verdict as it stands, then each change, until the program leaves."""
        inputs.parameters()
        self.feed.enter()  # left when the server closes the answer, also where nobody read any of it
        request.environ.get(LASTS, lambda: None)()
        response = Response(self.feed.events(), content_type="text/event-stream")
        response.call_on_close(self.feed.leave)
        response.headers["Cache-Control"] = "no-store"
        response.headers["X-Accel-Buffering"] = "no"  # a proxy that gathers answers would hold changes back
        return response
