"""How long the answer of a database server is waited for: one that is frozen says nothing, not even no.

Its own limits do not run while it is stopped, and its system still acknowledges whatever comes: neither
`lock_timeout` nor the keepalives of TCP end such a wait. So each wait for the server ends here, by the clock
of this machine: the connection is closed and the driver's own error says for how long nothing came. What is
counted is silence: an answer of many rows may take as long as rows come.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import urlsplit

CONNECTS_S = 10  # until a new connection can be used
READS_S = 10.0  # for the begin of a reading transaction, which waits for nobody
TURNS_S = 40.0  # for a turn: longer than the server itself lets it wait (`lock_timeout`, BUSY_S)
COMMITS_S = 20.0
ANSWERS_S = 60.0  # for every other statement
LONG_S = 600.0  # while tables are made, moved or upgraded, where one statement is about all rows
RESTS_S = 5.0  # so long nobody else tries a server at which a new connection came to nothing


@contextmanager
def waiting(connection: Any, answers_s: float) -> Iterator[None]:
    """Within the block, wait so many seconds of silence for each answer to this connection of the driver."""
    usual, connection.answers_s = connection.answers_s, answers_s
    try:
        yield
    finally:
        connection.answers_s = usual


def connection_class() -> Any:
    """The driver's connection, whose waits end: it is closed then, and raises OperationalError."""
    if not _CLASSES:
        import psycopg

        class BoundedConnection(psycopg.Connection):  # type: ignore[misc]
            """Waits for an answer no longer than `answers_s` seconds of silence."""

            answers_s = ANSWERS_S

            def wait(self, gen: Any, *args: Any, **options: Any) -> Any:
                try:
                    return super().wait(_bounded(gen, self.answers_s), *args, **options)
                except TimeoutError as silence:
                    self.close()
                    raise psycopg.OperationalError(str(silence)) from None

        _CLASSES.append(BoundedConnection)
    return _CLASSES[0]


_CLASSES: list[Any] = []


def _bounded(answer: Generator[Any, Any, Any], answers_s: float) -> Generator[Any, Any, Any]:
    """What the driver waits for, until nothing was heard for so long; it comes back at least each 0.1 s."""
    try:
        waits_for = next(answer)
        heard_s = time.monotonic()
        while True:
            ready = yield waits_for
            if ready:
                heard_s = time.monotonic()
            elif time.monotonic() - heard_s >= answers_s:
                raise TimeoutError(silence(answers_s))
            waits_for = answer.send(ready)
    except StopIteration as end:
        return end.value


def silence(seconds: float) -> str:
    """What is said where nothing came."""
    return f"the server has not answered for {seconds:.0f} s"


class Silences:
    """Servers at which a new connection came to nothing a moment ago, by host and port, for all rooms.

    Many rooms in a few threads would else wait one after the other, each its whole time.
    """

    def __init__(self) -> None:
        self._since_s: dict[str, float] = {}
        self._lock = threading.Lock()

    def note(self, database: str, silent: bool) -> None:
        """A new connection came to nothing, or to something."""
        with self._lock:
            if silent:
                self._since_s[_server(database)] = time.monotonic()
            else:
                self._since_s.pop(_server(database), None)

    def rests(self, database: str) -> bool:
        """Whether that was so short ago that trying again is a waste of time."""
        with self._lock:
            since_s = self._since_s.get(_server(database))
        return since_s is not None and time.monotonic() - since_s < RESTS_S


def _server(database: str) -> str:
    return urlsplit(database).netloc.rpartition("@")[2]


SILENCES = Silences()
