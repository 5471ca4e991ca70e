"""Locks of a record on a server: held by a connection, and by an epoch that each transaction compares.

A lock whose connection broke holds nothing: who takes it next raises its epoch in the table `turn`, and the
next commit of the one before is refused. Folder locks are held as well, for those who share the folder.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ...errors import StoreInUse, StoreTaken
from .. import lock

SERVICE = "service.lock"
MOVED = "moved"  # not a lock: the row of a record that went on elsewhere
_TAKE = "SELECT pg_try_advisory_lock(hashtextextended(current_schema() || '/' || %s, 0))"
_RAISE = """
    INSERT INTO turn (name, epoch) VALUES (%s, 1)
    ON CONFLICT (name) DO UPDATE SET epoch = turn.epoch + 1 RETURNING epoch
"""
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
        with lock.service_lock(self._folder), self._on_server(SERVICE, 0.0) as epoch:
            if epoch is None:
                raise StoreInUse(
                    f"Another service writes {self._called}, connected from {self._holder()}. Two would poll "
                    "the same probes and judge the same room; stop that one first."
                )
            self._service = epoch
            try:
                yield
            finally:
                self._service = None

    def refuse_lost(self, epochs: str) -> None:
        """StoreTaken where another process took a lock that this one held; `epochs`: NAME=N of all."""
        there = dict(pair.split("=") for pair in epochs.split())
        if MOVED in there:
            raise StoreTaken(
                f"{self._called} holds a record that was moved back into its data folder while this program "
                "had it open. Nothing was written; start this program anew."
            )
        held = dict(self._epochs())
        if self._service is not None:
            held[SERVICE] = self._service
        for name, epoch in held.items():
            if int(there.get(name, 0)) != epoch:
                what = "service" if name == SERVICE else name.removesuffix(".lock")
                raise StoreTaken(
                    f"Another {what} took {self._called} over while the connection of this one was cut. "
                    "Nothing more is written from here: let one of the two rest. What waits in memory goes "
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
            while not (ours := connection.execute(_TAKE, (name,)).fetchone()[0]) and time.monotonic() < until:
                time.sleep(0.05)
            yield self._raise_epoch(connection, name) if ours else None
        finally:
            connection.close()

    def _raise_epoch(self, connection: Any, name: str) -> int:
        with connection.transaction():
            connection.execute("LOCK TABLE turn IN EXCLUSIVE MODE")
            return int(connection.execute(_RAISE, (name,)).fetchone()[0])

    def _holder(self) -> str:
        connection = self._connect()
        try:
            row = connection.execute(_HOLDER, (SERVICE,)).fetchone()
            return str(row[0]) if row else "another machine"
        finally:
            connection.close()
