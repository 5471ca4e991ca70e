"""Many viewers without many browsers: each asks over and over what one browser was seen to ask.

Every viewer has a session of its own and goes on from the answers that it gets, as a page does: what it has
seen, where its charts end, the number of its tick. Readings arrive meanwhile, and each viewer fetches them.
"""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from logger.errors import Refused

from ..charts.live import TRACE_TICKS

REFRESH_S = 5.0
PULSES = 5  # of the news in one refresh
ARRIVAL_S = 3.0  # between two readings, of 20 probes with one a minute each
NOT_SENT_AGAIN = ("content-length", "host", "accept-encoding", "cookie", "x-csrftoken")


@dataclass(frozen=True)
class RecordedRequest:
    """One request of a page."""

    host: str
    path: str
    method: str
    headers: dict[str, str]
    body: str

    @classmethod
    def of(cls, request: Any) -> RecordedRequest:
        """From the browser's own."""
        parts = urlsplit(request.url)
        path = parts.path + (f"?{parts.query}" if parts.query else "")
        return cls(parts.netloc, path, request.method, dict(request.headers), request.post_data or "")

    @property
    def repeated(self) -> bool:
        """Whether a page asks this over and over."""
        return self.path.startswith(("/_news", "/_dash-update-component"))

    @property
    def output(self) -> str:
        """Which callback it calls; empty for the pulse."""
        return str(json.loads(self.body)["output"]) if self.body else ""


class Viewer:
    """One open page: a session, a connection, and what its callbacks know."""

    def __init__(self, pulse: RecordedRequest, calls: Sequence[RecordedRequest], number: int) -> None:
        self._pulse, self._connection = pulse, http.client.HTTPConnection(pulse.host, timeout=60)
        self._calls = {call.output: (call, json.loads(call.body)) for call in calls}
        self._calls = deepcopy(self._calls)
        self._ticks = number  # pages were opened at different times
        self._cursor: Any = None
        self._due = 0.0  # of the next pulse, as the server wants it
        self._own: dict[str, str] = {}

    def close(self) -> None:
        """Hang up."""
        self._connection.close()

    def open(self) -> None:
        """Load the page, for a session of its own."""
        self._connection.request("GET", "/", headers={"accept": "text/html"})
        answer = self._connection.getresponse()
        answer.read()
        cookies = dict(
            value.partition(";")[0].split("=", 1) for value in answer.headers.get_all("set-cookie", ())
        )
        token = next((value for name, value in cookies.items() if "csrf" in name), "")
        self._own = {"cookie": "; ".join(f"{n}={v}" for n, v in cookies.items()), "x-csrftoken": token}

    def refresh(self) -> None:
        """What the clocks of the page ask."""
        self._ticks += 1
        for output, (_, body) in self._calls.items():
            timers = [entry for entry in body["inputs"] if _is_timer(entry)]
            every = TRACE_TICKS if timers and timers[0]["id"] == "now-minute" else 1
            if timers and self._ticks % every == 0:
                timers[0]["value"] = self._ticks // every
                self._call(output, [f"{timers[0]['id']}.n_intervals"])

    def pulse(self) -> None:
        """Ask for news, and fetch them where there are any; not before the server wants to be asked again."""
        if time.monotonic() < self._due:
            return
        answer = json.loads(self._send(self._pulse, ""))
        self._due = time.monotonic() + answer.get("again_s", 0.0) - 0.5  # as assets/lost.js
        cursor = answer["cursor"]
        if cursor == self._cursor:
            return
        self._cursor = cursor
        for output, (_, body) in self._calls.items():
            news = [entry for entry in body["inputs"] if isinstance(entry, dict) and entry["id"] == "news"]
            if news:
                news[0]["value"] = cursor
                self._call(output, ["news.data"])

    def _call(self, output: str, changed: list[str]) -> None:
        """Call a callback; what it answers is what the page knows from now on."""
        call, body = self._calls[output]
        answer = self._send(call, json.dumps(body | {"changedPropIds": changed}))
        changes = json.loads(answer)["response"] if answer else {}
        for _, other in self._calls.values():
            for entry in other.get("state", ()):
                if isinstance(entry, dict) and isinstance(entry["id"], str):
                    change = changes.get(entry["id"], {})
                    entry["value"] = change.get(entry["property"], entry.get("value"))

    def _send(self, request: RecordedRequest, body: str) -> bytes:
        headers = {k: v for k, v in request.headers.items() if k.lower() not in NOT_SENT_AGAIN} | self._own
        self._connection.request(request.method, request.path, body=body.encode() or None, headers=headers)
        answer = self._connection.getresponse()
        content = answer.read()
        if answer.status >= 400:
            raise Refused(f"{request.method} {request.path} was answered with {answer.status}")
        return content


def _is_timer(entry: Any) -> bool:
    return isinstance(entry, dict) and entry["property"] == "n_intervals"


def watch(
    requests: Sequence[RecordedRequest],
    viewers: int,
    seconds: float,
    used_s: Callable[[], float],
    arrive: Callable[[], None] = lambda: None,
) -> tuple[float, float]:
    """Share of one core that the server spends on so many viewers, each refreshing every 5 s; and how many
    refreshes each made of those that were due.

    `arrive` is called every 3 s: a reading comes. Refused where a viewer went unanswered: a share for fewer
    viewers would be another figure.
    """
    calls = list({request.output: request for request in requests if request.method == "POST"}.values())
    pulse = next(request for request in requests if request.method == "GET")
    pages = [Viewer(pulse, calls, i) for i in range(viewers)]
    for page in pages:
        page.open()
    until = time.monotonic() + seconds
    failures: list[str] = []
    refreshes: list[int] = []
    threads = [
        threading.Thread(target=_view, args=(page, i * REFRESH_S / viewers, until, failures, refreshes))
        for i, page in enumerate(pages)
    ]
    before, began = used_s(), time.monotonic()
    for thread in threads:
        thread.start()
    while time.monotonic() < until:
        arrive()
        time.sleep(ARRIVAL_S)
    for thread in threads:
        thread.join()
    if failures:
        raise Refused(
            f"{len(failures)} of {viewers} viewers got no answer, the first: {failures[0]}. Measure with "
            "fewer, or when less runs on this machine."
        )
    lasted_s = time.monotonic() - began
    return (used_s() - before) / lasted_s, sum(refreshes) * REFRESH_S / (viewers * lasted_s)


def _view(page: Viewer, wait_s: float, until: float, failures: list[str], refreshes: list[int]) -> None:
    """One viewer: a pulse each second, everything else once a refresh, by its own clock."""
    due, count = time.monotonic() + wait_s, 0
    try:
        while due < until:
            time.sleep(max(due - time.monotonic(), 0.0))
            if count % PULSES == 0:
                page.refresh()
                refreshes.append(1)
            page.pulse()
            due, count = due + REFRESH_S / PULSES, count + 1
    except (OSError, http.client.HTTPException, Refused) as fault:
        failures.append(f"{type(fault).__name__} {fault}".strip())
    finally:
        page.close()
