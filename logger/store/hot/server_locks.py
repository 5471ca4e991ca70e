"""Locks of a record on a server: held by a connection, and by an epoch that each transaction compares.

A lock whose connection broke holds nothing: who takes it next raises its epoch in the table `turn`, and the
next commit of the one before is refused. Until then the service takes its own lock again, by a new connection
and with the epoch that it had. Folder locks are held as well, for those who share the folder.
"""

from __future__ import annotations

import logging
import selectors
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ...errors import StoreInUse, StoreTaken
from .. import lock

log = logging.getLogger(__name__)

AGAIN_S = 1.0  # between two tries to take a lock again whose old connection the server still holds
SERVICE = "service.lock"
MOVED = "moved"  # not a lock: the row of a record that went on elsewhere
_TAKE = "SELECT pg_try_advisory_lock(hashtextextended(current_schema() || '/' || %s, 0))"
_RAISE = """
    INSERT INTO turn (name, epoch) VALUES (%s, 1)
    ON CONFLICT (name) DO UPDATE SET epoch = turn.epoch + 1 RETURNING epoch
"""
_EPOCH = "SELECT epoch FROM turn WHERE name = %s"
_HOLDER = """
    SELECT COALESCE(a.client_addr::text, 'this machine') || ', since '
        || to_char(a.backend_start AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"')
    FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid
    WHERE l.locktype = 'advisory' AND l.granted AND l.database = (SELECT oid FROM pg_database
        WHERE datname = current_database())
    AND ((l.classid::bigint << 32) | l.objid::bigint) = hashtextextended(current_schema() || '/' || %s, 0)
"""


class ServerLocks:
    """Locks that this process holds on one record."""

    def __init__(self, folder: Path, called: str, connect: Callable[[], Any]) -> None:
        self._folder = folder
        self._called = called
        self._connect = connect
        self._service: int | None = None  # the epoch of this process's service
        self._service_connection: Any = None  # which holds its lock as long as it stands
        self._tried_s = 0.0
        self._retaking, self._swap = threading.Lock(), threading.Lock()
        self._mine = threading.local()  # epochs of the other locks, by thread

    @contextmanager
    def lock(self, name: str, wait_s: float = 0.0) -> Iterator[bool]:
        """Try for `wait_s` to hold a lock for the time of the block; gives whether it is ours."""
        with lock.try_lock(self._folder / name, wait_s) as ours:
            if not ours:
                yield False
                return
            with self._on_server(name, wait_s) as epoch:
                if epoch is not None:
                    self._epochs()[name] = epoch
                try:
                    yield epoch is not None
                finally:
                    self._epochs().pop(name, None)

    @contextmanager
    def lock_service(self) -> Iterator[None]:
        """Be the one service of the record; StoreInUse names the other."""
        with lock.service_lock(self._folder):
            self._service_connection = self._connect()
            try:
                if not _take(self._service_connection, SERVICE):
                    raise StoreInUse(
                        f"Another service writes {self._called}, connected from {self._holder()}. Two would "
                        "poll the same probes and judge the same room; stop that one first."
                    )
                self._service = _raise_epoch(self._service_connection, SERVICE)
                yield
            finally:
                with self._swap:
                    self._service = None
                    self._service_connection.close()

    def retake_service(self) -> None:
        """Where the connection of this service's lock broke and nobody took it: take it again, as it was.

        While the server still holds the broken connection it is tried again a second later. StoreTaken where
        another service was there meanwhile; what the driver raises where the server cannot be reached.
        """
        if self._service is None or not self._retaking.acquire(blocking=False):
            return
        try:
            waits = time.monotonic() - self._tried_s < AGAIN_S
            if not waits and _is_broken(self._service_connection):
                self._tried_s = time.monotonic()
                self._retake(self._connect())
        finally:
            self._retaking.release()

    def _retake(self, connection: Any) -> None:
        """Hold the lock by this connection; it is closed where that is not possible."""
        spare = connection
        try:
            ours = _take(connection, SERVICE)
            row = connection.execute(_EPOCH, (SERVICE,)).fetchone()
            with self._swap:
                if self._service is None or (not ours and row == (self._service,)):
                    return
                if row != (self._service,):
                    raise self._takeover_error(SERVICE)
                spare, self._service_connection = self._service_connection, connection
        finally:
            spare.close()
        log.warning(
            "the connection that holds the lock of the service on %s broke; it is held again, and no other "
            "service was there meanwhile",
            self._called,
        )

    def refuse_lost(self, epochs: str) -> None:
        """StoreTaken where another process took a lock that this one held; `epochs`: NAME=N of all."""
        there = dict(pair.split("=") for pair in epochs.split())
        if MOVED in there:
            raise StoreTaken(
                f"{self._called} holds a record that was moved back into its data folder while this program "
                "had it open. Nothing was written; restart this program."
            )
        held = dict(self._epochs())
        if self._service is not None:
            held[SERVICE] = self._service
        for name, epoch in held.items():
            if int(there.get(name, 0)) != epoch:
                raise self._takeover_error(name)

    def _takeover_error(self, name: str) -> StoreTaken:
        what = "service" if name == SERVICE else name.removesuffix(".lock")
        return StoreTaken(
            f"Another {what} took {self._called} over while the connection of this one was cut. "
            "Nothing more is written from here: stop one of the two. What waits in memory goes "
            "into a file and is taken in at the next start."
        )

    def _epochs(self) -> dict[str, int]:
        if not hasattr(self._mine, "epochs"):
            self._mine.epochs = {}
        epochs: dict[str, int] = self._mine.epochs
        return epochs

    @contextmanager
    def _on_server(self, name: str, wait_s: float) -> Iterator[int | None]:
        connection = self._connect()
        try:
            until = time.monotonic() + wait_s
            while not (ours := _take(connection, name)) and time.monotonic() < until:
                time.sleep(0.05)
            yield _raise_epoch(connection, name) if ours else None
        finally:
            connection.close()

    def _holder(self) -> str:
        connection = self._connect()
        try:
            row = connection.execute(_HOLDER, (SERVICE,)).fetchone()
            return str(row[0]) if row else "another machine"
        finally:
            connection.close()


def _take(connection: Any, name: str) -> bool:
    """Hold an advisory lock by this connection, as long as it stands; gives whether nobody else does."""
    return bool(connection.execute(_TAKE, (name,)).fetchone()[0])


def _raise_epoch(connection: Any, name: str) -> int:
    with connection.transaction():
        connection.execute("LOCK TABLE turn IN EXCLUSIVE MODE")
        return int(connection.execute(_RAISE, (name,)).fetchone()[0])


def _is_broken(connection: Any) -> bool:
    """Whether a connection that nobody uses was ended or cut, without going to the server and back.

    The system notices a cut network by itself (`tcp_keepalives_*`). What can be read is the end, or a notice.
    """
    import psycopg

    if connection.closed:
        return True
    with selectors.DefaultSelector() as selector:
        selector.register(connection.fileno(), selectors.EVENT_READ)
        try:
            while selector.select(0):
                connection.pgconn.consume_input()
        except psycopg.OperationalError:
            connection.close()
    return bool(connection.closed)
