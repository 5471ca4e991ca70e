"""A small node: reads its probes, stores their readings, and sends them to a central stillroom.

What is sent are the rows themselves in the order in which they arrived. The centre names the number that it
expects next; what it has is not sent again, what it lost (restored from a backup, for example) is. The node's
own store is the outbox: nothing is lost while the centre is away, and nothing that it lacks is sealed.
"""

from __future__ import annotations

import json
import logging
import ssl
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from http.client import HTTPException
from typing import Any
from urllib.parse import quote, urlsplit

from ..errors import Refused
from ..model import Row
from ..processes.deadline import DeadlineExceeded, Lines, opener, within
from ..processes.peer_faults import peer_fault
from ..store import Store
from .incoming import FIELDS

log = logging.getLogger(__name__)

BATCH = 500
LONGEST_WAIT_S = 60.0
ANSWER_S = 15.0


class NotAccepted(Exception):
    """The centre is away, or did not take a batch; the text says why."""


@dataclass(frozen=True)
class Centre:
    """Where rows are sent to: `url` of the central stillroom, and by which name and token."""

    url: str
    node: str
    token: str = ""
    ca_file: str = ""

    def __post_init__(self) -> None:
        where = urlsplit(self.url)
        if where.scheme not in ("http", "https") or not where.hostname:
            raise Refused(
                f"Address of the centre: expected one such as https://room.example:8060, found {self.url!r}."
            )

    def send(self, record: str, first: int, rows: Sequence[Row]) -> int:
        """Sends rows numbered from `first`; gives the number that the centre expects next, or NotAccepted."""
        body = json.dumps({"record": record, "first": first, "rows": [fields(row) for row in rows]}).encode()
        path = f"/api/v1/nodes/{quote(self.node, safe='')}/rows"
        request = urllib.request.Request(self.url.rstrip("/") + path, body, self._head(), method="POST")  # noqa: S310
        try:
            return within(ANSWER_S, f"centre {self.url}", lambda lines: self._answer(request, lines))
        except urllib.error.HTTPError as error:
            with error:  # its connection is closed with it
                answer = error.read(500).decode("utf-8", "replace")
            raise NotAccepted(f"{error.code} {answer}") from error
        except (OSError, HTTPException, ValueError, KeyError, TypeError, RecursionError) as error:
            raise NotAccepted(_words(error)) from error

    def _head(self) -> dict[str, str]:
        head = {"Content-Type": "application/json"}
        return head | ({"Authorization": f"Bearer {self.token}"} if self.token else {})

    def _answer(self, request: urllib.request.Request, lines: Lines) -> int:
        """No proxy of the environment stands between a node and its centre."""
        context = ssl.create_default_context(cafile=self.ca_file or None)
        with opener(lines, context).open(request, timeout=ANSWER_S) as answer:
            return int(json.loads(answer.read(10_000))["next"])


def fields(row: Row) -> list[Any]:
    """A row as it travels: `logger.service.incoming.FIELDS`."""
    return [getattr(row, name) for name in FIELDS]


def _words(error: Exception) -> str:
    """Why the centre did not answer as one; urllib wraps what the system says."""
    inner = getattr(error, "reason", None)
    error = inner if isinstance(inner, Exception) else error
    if isinstance(error, DeadlineExceeded) or not isinstance(error, OSError | HTTPException):
        return str(error)
    return peer_fault("it", error)


class Forwarder:
    """Sends what the centre does not have. `turn` is called again and again by one thread."""

    def __init__(self, store: Store, centre: Centre, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._store = store
        self._centre = centre
        self._clock_s = clock_s
        self._next = 0  # not known before the centre was asked
        self._pause_s = 1.0
        self._not_before_s = 0.0
        self.trouble = ""
        self.sent = 0

    @property
    def waiting(self) -> int:
        """How many rows the centre does not have, as far as is known."""
        _, end = self._store.readings.arrived_after(-1)
        return max(0, end - max(self._next, 1) + 1)

    def turn(self, going_on: Callable[[], bool] = lambda: True) -> int:
        """Sends all that waits, in batches, unless the centre was away a moment ago; how many rows went."""
        sent = 0
        if not self._next and self._clock_s() >= self._not_before_s:
            self._ask()
        while self._next and going_on() and self._clock_s() >= self._not_before_s:
            rows, _ = self._store.readings.arrived_after(self._next - 1, BATCH)
            if not rows:
                break
            sent += self._send(rows)
        return sent

    def _ask(self) -> None:
        """Ask for the number that the centre expects next. One beyond our last: this record was restored."""
        _, end = self._store.readings.arrived_after(-1)
        try:
            next_seq = self._centre.send(self._store.key, 1, [])
        except NotAccepted as failure:
            self._back_off(str(failure))
            return
        if next_seq > end + 1:
            beyond = f"the centre has {next_seq - 1} rows of this node and this record only {end}"
            self._back_off(f"{beyond}: it was restored from a backup; let the node begin a new data folder")
            return
        self._next, self.trouble, self._pause_s = next_seq, "", 1.0

    def _send(self, rows: Sequence[tuple[int, Row]]) -> int:
        first = rows[0][0]
        try:
            next_seq = self._centre.send(self._store.key, first, [row for _, row in rows])
        except NotAccepted as failure:
            self._back_off(str(failure))
            return 0
        self.trouble, self._pause_s = "", 1.0
        accepted, self._next = max(0, next_seq - first), next_seq
        self.sent += accepted
        return accepted

    def _back_off(self, why: str) -> None:
        if not self.trouble:
            log.warning(
                "centre %s does not take readings of node %s: %s", self._centre.url, self._centre.node, why
            )
        self.trouble = why
        self._not_before_s = self._clock_s() + self._pause_s
        self._pause_s = min(2 * self._pause_s, LONGEST_WAIT_S)
