"""Many viewers without many browsers: what one browser asked in some seconds, asked again by each."""

from __future__ import annotations

import http.client
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlsplit

from logger.errors import Refused

REFRESH_S = 5.0
PULSES = 5  # of the news in one refresh


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

    def with_cookies(self, cookies: str) -> RecordedRequest:
        return replace(self, headers={**self.headers, "cookie": cookies})


def watch(
    requests: Sequence[RecordedRequest], viewers: int, seconds: float, used_s: Callable[[], float]
) -> float:
    """Share of one core that the server spends on so many viewers, each refreshing every 5 s.

    Refused where one of them went unanswered: a share for fewer viewers would be another figure.
    """
    kinds = {
        request.body.partition('"output":"')[2].partition('"')[0]: request
        for request in requests
        if request.method == "POST"
    }
    pulse = next(request for request in requests if request.method == "GET")
    until = time.monotonic() + seconds
    failures: list[str] = []
    threads = [
        threading.Thread(
            target=_view, args=(pulse, list(kinds.values()), i * REFRESH_S / viewers, until, failures)
        )
        for i in range(viewers)
    ]
    before, began = used_s(), time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if failures:
        raise Refused(
            f"{len(failures)} of {viewers} viewers got no answer, the first: {failures[0]}. Measure with "
            "fewer, or when less runs on this machine."
        )
    return (used_s() - before) / (time.monotonic() - began)


def _view(
    pulse: RecordedRequest, calls: Sequence[RecordedRequest], wait_s: float, until: float, failures: list[str]
) -> None:
    """One viewer: a pulse each second, everything else once a refresh."""
    time.sleep(wait_s)
    connection = http.client.HTTPConnection(pulse.host, timeout=60)
    try:
        while time.monotonic() < until:
            for call in calls:
                _send(connection, call)
            for _ in range(PULSES):
                _send(connection, pulse)
                time.sleep(REFRESH_S / PULSES)
    except (OSError, http.client.HTTPException, Refused) as fault:
        failures.append(f"{type(fault).__name__} {fault}".strip())
    finally:
        connection.close()


def _send(connection: http.client.HTTPConnection, request: RecordedRequest) -> None:
    headers = {
        k: v
        for k, v in request.headers.items()
        if k.lower() not in ("content-length", "host", "accept-encoding")
    }
    connection.request(request.method, request.path, body=request.body.encode() or None, headers=headers)
    answer = connection.getresponse()
    answer.read()
    if answer.status >= 400:
        raise Refused(f"{request.method} {request.path} was answered with {answer.status}")
