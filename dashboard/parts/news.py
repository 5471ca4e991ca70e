"""The pulse of a page: one small answer a second that says whether anything new came in.

Only when the number changed does a page ask for more, so that a reading is on the screen within two
seconds and a quiet room costs next to nothing. A sleeping tab asks when it wakes.
"""

from __future__ import annotations

import threading
import time
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
SILENT_S = 60.0  # a service that has not beaten for so long is told to be silent


class Pulse:
    """The newest answer, shared by all viewers."""

    def __init__(self, q: Queries) -> None:
        self._q = q
        self._lock = threading.Lock()
        self._newest: tuple[float, bytes] = (-1.0, b"")

    def answer(self) -> bytes:
        """Number of the newest arrival, which setup holds, and whether the service is silent."""
        with self._lock:
            now_s = time.monotonic()
            if now_s - self._newest[0] > KEPT_S:
                self._newest = (now_s, orjson.dumps(self._news()))
            return self._newest[1]

    def _news(self) -> dict[str, Any]:
        return {
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


def register(app: Dash, q: Queries) -> None:
    """The route of the pulse."""
    pulse = Pulse(q)

    @needs(Act.READ)
    def news() -> Response:
        return Response(pulse.answer(), mimetype="application/json", headers={"Cache-Control": "no-store"})

    app.server.add_url_rule(PATH, endpoint="news", view_func=news, methods=["GET"])
