"""The pulse of a page: one small answer a second that says whether anything new came in.

Only when the number changed does a page ask for more, so that a reading is on the screen within two seconds
and a quiet room costs next to nothing. Where hundreds of pages are open, each asks less often, at the latest
after 5 s. A sleeping tab asks when it wakes.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any

import orjson
from dash import Dash
from flask import Response

from logger.instants import NS
from logger.model.roles import Act

from ..access.needs import needs
from ..data.queries import Queries

PATH = "/_news"
KEPT_S = 0.4  # one answer serves all viewers for so long
PULSES_PER_S = 60  # of all open pages together; while that holds, each asks once a second
SLOWEST_S = 5.0
SILENT_S = 60.0  # a service that has not beaten for so long is told to be silent


class Rhythm:
    """How long an open page waits before it asks again: the more pages are open, the longer, up to 5 s."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._since_s, self._count, self._again_s = clock(), 0, 1.0

    def count(self) -> None:
        """A page asked."""
        with self._lock:
            self._count += 1

    @property
    def again_s(self) -> float:
        """Seconds from one question of a page to its next, by how many asked in the last seconds."""
        with self._lock:
            passed_s = self._clock() - self._since_s
            if passed_s >= SLOWEST_S:
                pages = self._count / passed_s * self._again_s
                self._again_s = round(min(max(pages / PULSES_PER_S, 1.0), SLOWEST_S), 1)
                self._since_s, self._count = self._since_s + passed_s, 0
            return self._again_s


class Pulse:
    """The newest answer, shared by all viewers."""

    def __init__(self, q: Queries, rhythm: Rhythm) -> None:
        self._q, self._rhythm = q, rhythm
        self._lock = threading.Lock()
        self._newest: tuple[float, bytes] = (-1.0, b"")

    def answer(self) -> bytes:
        """The newest arrival, which setup holds, whether the service is silent, when to ask again."""
        with self._lock:
            now_s = time.monotonic()
            if now_s - self._newest[0] > KEPT_S:
                self._newest = (now_s, orjson.dumps(self._news()))
            return self._newest[1]

    def _news(self) -> dict[str, Any]:
        again_s = self._rhythm.again_s
        return {
            **({"again_s": again_s} if again_s > 1.0 else {}),
            "cursor": self._q.source.arrived_after(-1)[1],
            "setup": self._q.setup.digest[:12],
            **silence(self._q),
        }


def silence(q: Queries) -> dict[str, Any]:
    """Since how many seconds the service is silent, and whether it was stopped; nothing while it beats."""
    beat = q.source.heartbeat()
    if beat is None:
        return {}
    said_ns = int(datetime.fromisoformat(str(beat["at"]).replace("Z", "+00:00")).timestamp() * 1000) * (
        NS // 1000
    )
    seconds = (q.now_ns() - said_ns) / NS
    stopped = bool(beat.get("stopped"))
    return {"silent_s": round(seconds), "stopped": stopped} if stopped or seconds > SILENT_S else {}


def register(app: Dash, q: Queries, rhythm: Rhythm) -> None:
    """The route of the pulse."""
    pulse = Pulse(q, rhythm)

    @needs(Act.READ)
    def news() -> Response:
        return Response(pulse.answer(), mimetype="application/json", headers={"Cache-Control": "no-store"})

    app.server.add_url_rule(PATH, endpoint="news", view_func=news, methods=["GET"])
