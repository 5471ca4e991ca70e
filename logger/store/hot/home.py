"""Where the hot tier of a record lives: in its folder, or in a schema of a database server."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from sqlalchemy import Connection


class Home(Protocol):
    """What every home of the hot tier can do; all of it from any thread."""

    path: Path  # of the embedded file in the data folder, whether or not it is there
    read_only: bool

    @property
    def called(self) -> str:
        """What a fault of the database itself is named by."""

    def begin(self) -> AbstractContextManager[Connection]:
        """One writing transaction: everything or nothing, and no other writer meanwhile."""

    def read(self) -> AbstractContextManager[Connection]:
        """One reading transaction: a snapshot that writers neither wait for nor disturb."""

    def stands(self, entry: tuple[int, str]) -> bool:
        """Whether an entry of the journal, by number and digest, was committed after all."""

    def prepare(self, create: bool, on_upgrade: Callable[[Connection, str], None] | None = None) -> None:
        """Check that it can be used, and bring its schema up to date."""

    def check_tables(self) -> None:
        """For those who only read: StoreError where what is there is no record that this program knows."""

    def check_place(self) -> None:
        """Raise StoreGone where the record is not the one that was opened."""

    def snapshot(self, path: Path) -> None:
        """Copy it as it is at one instant into a new file of the embedded kind."""

    def lock(self, name: str, wait_s: float = 0.0) -> AbstractContextManager[bool]:
        """Try for so long to hold a lock of this record against other processes; gives whether it is ours."""

    def lock_service(self) -> AbstractContextManager[None]:
        """Be the one service of this record; StoreInUse names the other."""

    def keep_lock(self) -> None:
        """Take the lock of this service again where it was lost and no other service was there meanwhile."""

    def close(self) -> None:
        """Let go of every connection."""
