"""The SQLite file of the hot tier: connections, transactions, and what goes wrong with files.

WAL with synchronous=FULL: a committed transaction outlives kill -9 and loss of power (with
NORMAL the newest commits may be lost to a power cut). Not for network file systems, whose
locks SQLite cannot rely on.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect
from sqlalchemy.exc import DatabaseError, OperationalError, TimeoutError
from sqlalchemy.pool import QueuePool

from ...errors import StoreDamaged, StoreError
from .. import lock
from ..archived import refuse_archived
from ..files import PART, publish, sync_file
from ..place import Witness, file_identity, gone_error, refusal, replaced_error
from .migrations import NEWEST, VERSION, migrate, refuse_newer, version
from .tables import decode_json

FILE = "stillroom.db"
RESTORING = "restore.unfinished"  # stands in a folder while a backup is put into it
BUSY_S = 30.0
ROOMY = 0.25  # share of empty pages from which on a copy is written anew
# Where SQLite names these, the bytes are wrong, not the moment.
DAMAGE = ("malformed", "not a database", "disk image", "corrupt")


class Database:
    """Opened hot tier of one data folder; usable from several threads."""

    def __init__(self, folder: Path, read_only: bool = False, file: str = FILE) -> None:
        self.path = folder / file
        self.read_only = read_only
        self._schema_there = ""  # version of the tables that a reader met
        self._scratch: tempfile.TemporaryDirectory[str] | None = None
        self._witness: Witness | None = None  # once the file is known to be ours
        self._engine = self._create_engine(*self._location())
        if read_only:
            self._read_as_newest()
        self._writing = self._engine.execution_options(begin="BEGIN IMMEDIATE")
        self._turn = threading.Lock()
        self._thread = threading.local()
        self._moving = threading.Lock()

    @property
    def called(self) -> str:
        """What a fault of the database itself is named by."""
        return self.path.name

    def close(self) -> None:
        """Let go of every connection; the last one folds the WAL into the file."""
        if self._witness is not None:
            self._witness.close()
        self._engine.dispose()
        if self._scratch is not None:
            self._scratch.cleanup()

    @contextmanager
    def begin(self) -> Iterator[Connection]:
        """One writing transaction: everything or nothing, and no other writer meanwhile.

        Threads of this process wait for each other here and not inside SQLite, whose waiting
        is by polling and not in turn.
        """
        if self.read_only:
            refuse_archived(self.path.parent)
            raise StoreError(f"{self.path.parent} was opened for reading only; nothing was changed.")
        if getattr(self._thread, "writing", False):
            raise StoreError("A writing transaction was begun inside another one of the same thread.")
        with self._turn:
            self.check_place()
            self._thread.writing = True
            try:
                with plain_errors(self.path), _dropped_on_error(self._writing) as conn, conn.begin():
                    yield conn
            finally:
                self._thread.writing = False

    def lock(self, name: str, wait_s: float = 0.0) -> AbstractContextManager[bool]:
        """Try for so long to hold a lock of this folder against other processes; gives whether it is ours."""
        return lock.try_lock(self.path.parent / name, wait_s)

    def lock_service(self) -> AbstractContextManager[None]:
        """Be the one service on this folder; StoreInUse names the process that already is."""
        return lock.service_lock(self.path.parent)

    def keep_lock(self) -> None:
        """A lock of the operating system is held as long as its process lives."""

    def stands(self, entry: tuple[int, str]) -> bool:
        """Whether an entry of the journal, by number and digest, is there."""
        with self.read() as conn:
            query = "SELECT 1 FROM journal WHERE number = ? AND sha256 = ?"
            return conn.exec_driver_sql(query, entry).first() is not None

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """One reading transaction: a snapshot that writers neither wait for nor disturb."""
        self.check_place()
        with plain_errors(self.path), _dropped_on_error(self._engine) as conn:
            yield conn  # rolled back at the end: there is nothing to commit, and a damaged file refuses to

    def check_place(self) -> None:
        """Raise StoreGone where the file is not the one that was opened.

        A copy that holds everything is gone over to; what is written to the other one would be lost.
        """
        if self._witness is None or file_identity(self.path) == self._witness.file:
            return
        with self._moving:
            identity = file_identity(self.path)
            if identity is None:
                raise gone_error(self.path)
            if identity == self._witness.file:
                return
            if not self._witness.is_continued_by(self.path):
                raise replaced_error(self.path)
            self._witness.close()
            self._engine.dispose()
            self._witness = Witness(self.path)

    def snapshot(self, path: Path) -> None:
        """Copy the database as it is at one instant into a new file, by SQLite's online backup.

        Writers go on meanwhile: the copy is of one reading transaction.
        """
        with plain_errors(self.path), self._engine.connect() as conn, closing(sqlite3.connect(path)) as copy:
            source: Any = conn.connection.driver_connection
            source.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, complete in itself
            pages, free = (copy.execute(f"PRAGMA {of}_count").fetchone()[0] for of in ("page", "freelist"))
            if free > pages * ROOMY:
                copy.execute("VACUUM")  # what moved into files is not copied as empty pages for ever

    def prepare(self, create: bool, on_upgrade: Callable[[Connection, str], None] | None = None) -> None:
        """Check the file and bring its schema up to date; from then on it must stay the same file."""
        self._prepare(create, on_upgrade)
        self._witness = Witness(self.path)

    def check_tables(self) -> None:
        """StoreError where a newer program wrote the record; a damaged file is named by those who read it."""
        if VERSION.fullmatch(self._schema_there):
            refuse_newer(self._schema_there)

    def _prepare(self, create: bool, on_upgrade: Callable[[Connection, str], None] | None) -> None:
        """Check the file quickly and bring its schema up to date; `create` begins one where there is none.

        Before an older record is changed, a copy of its database is put beside it. `upgraded` is called
        with the old version inside the transaction that changes the schema: all of it or nothing.
        """
        with self.read() as conn:
            fault = quick_check(conn)
            schema = version(conn) if not fault else None
            begins = create and not fault and self._may_begin(conn)
        if fault:
            raise damaged_error(self.path, fault)
        if schema is None and not begins:
            raise StoreError(f"{self.path} could not be used: it has no tables of ours. {_NO_RECORD}")
        if schema == NEWEST:
            return
        if schema is not None:
            refuse_newer(schema)
            self._copy_before_upgrade(schema)
        with self.begin() as conn:
            found_now = version(conn)  # another process may have been faster
            migrate(conn)
            if on_upgrade is not None and found_now not in (None, NEWEST):
                on_upgrade(conn, str(found_now))

    def _copy_before_upgrade(self, old_schema: str) -> None:
        """The database as the older program left it, so that one can go back to that program."""
        copy_path = upgrade_copy_path(self.path, old_schema)
        part = copy_path.with_name(f"{copy_path.name}.{os.getpid()}{PART}")
        try:
            self.snapshot(part)
            sync_file(part)
            publish(part, copy_path)
        except (OSError, sqlite3.Error, StoreError) as error:
            part.unlink(missing_ok=True)
            raise StoreError(
                f"{copy_path} could not be written: {error}. The record was left as it is: it is copied "
                "before this version of the program changes its tables: free as much "
                "space as stillroom.db takes."
            ) from error

    def _read_as_newest(self) -> None:
        """An older record that is only read stays as it is: a scratch copy of it is brought up to date."""
        try:
            with self.read() as conn:
                schema = version(conn)
        except (StoreError, DatabaseError):
            return  # a damaged file is named by those who read it
        self._schema_there = str(schema)
        if schema is None or schema >= NEWEST:
            return
        scratch = tempfile.TemporaryDirectory(prefix="stillroom-")
        copy = Path(scratch.name) / "older"
        copy.mkdir()
        self.snapshot(copy / FILE)
        self.close()
        self._scratch = scratch
        with closing(Database(copy)) as older, older.begin() as conn:
            migrate(conn)
        self._engine = self._create_engine(copy / FILE, "mode=rw")

    def _may_begin(self, conn: Connection) -> bool:
        """Whether nothing was here before: a new record would hide an emptied one."""
        beside = (self.path.with_name(name) for name in ("archive", "journal", "originals", "records"))
        return not inspect(conn).get_table_names() and not any(map(Path.exists, beside))

    def _create_engine(self, location: Path, flags: str) -> Engine:
        place = location.absolute().as_uri()

        def connect() -> sqlite3.Connection:
            # A file that was ours must not be begun anew where it is missing.
            uri = f"{place}?{flags if self._witness is None else 'mode=rw'}"
            return sqlite3.connect(uri, uri=True, timeout=BUSY_S, check_same_thread=False)

        engine = create_engine(
            "sqlite://",
            creator=connect,
            poolclass=QueuePool,
            pool_size=8,
            max_overflow=32,
            pool_timeout=BUSY_S,
            json_deserializer=decode_json,
        )
        event.listen(engine, "connect", self._configure)
        event.listen(engine, "begin", _begin)
        return engine

    def _location(self) -> tuple[Path, str]:
        """Which file to open, and how.

        A record that is only read must stay as it is, to the last byte and without new files
        beside it. Without a WAL nobody has it open and it can be taken as immutable. With one,
        SQLite writes its index (-shm, no part of the record) beside it: in a scratch copy unless
        a running service has made one already.
        """
        if not self.read_only:
            return self.path, "mode=rwc"
        wal = self.path.with_name(FILE + "-wal")
        if not wal.exists() or wal.stat().st_size == 0:
            return self.path, "mode=ro&immutable=1"
        if self.path.with_name(FILE + "-shm").exists() and os.access(self.path.parent, os.W_OK):
            return self.path, "mode=ro"
        self._scratch = tempfile.TemporaryDirectory(prefix="stillroom-")
        for file in (self.path, wal):
            shutil.copyfile(file, Path(self._scratch.name) / file.name)
        return Path(self._scratch.name) / FILE, "mode=rw"

    def _configure(self, connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None  # transactions are begun by us, not guessed by the driver
        connection.execute("PRAGMA foreign_keys=ON")
        # Without this, REPLACE would delete rows past the triggers that keep them.
        connection.execute("PRAGMA recursive_triggers=ON")
        if self.read_only:
            connection.execute("PRAGMA query_only=ON")
            return
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA journal_size_limit=67108864")


def quick_check(conn: Connection) -> str:
    """What SQLite finds wrong with the file; empty when nothing is, or where a server keeps the rows."""
    if conn.dialect.name != "sqlite":
        return ""
    try:
        faults = [row[0] for row in conn.exec_driver_sql("PRAGMA quick_check(3)")]
    except DatabaseError as error:
        return str(error.orig)
    return "" if faults == ["ok"] else "; ".join(faults)


def is_older(folder: Path) -> bool:
    """Whether the record of a folder has tables of an older schema; False for what is no record."""
    file = folder / FILE
    if not file.is_file():
        return False
    wal = file.with_name(FILE + "-wal")
    how = "mode=ro" if wal.exists() and wal.stat().st_size else "mode=ro&immutable=1"
    with (
        suppress(sqlite3.Error),
        closing(sqlite3.connect(f"{file.absolute().as_uri()}?{how}", uri=True)) as connection,
    ):
        schema = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        return schema is not None and str(schema[0]) < NEWEST
    return False


def upgrade_copy_path(path: Path, schema: str) -> Path:
    """Where the database of schema `known` is kept when a newer program changes it."""
    return path.with_name(f"{path.name}.schema-{schema}")


def damaged_error(path: Path, fault: str) -> StoreDamaged:
    """The sentence for a file that cannot be trusted, with what to do."""
    return StoreDamaged(
        f"{path} does not read back as it was written: {fault}. Nothing was changed. Stop the service, keep "
        f"a copy of {path.parent} as it is, and put the newest backup in its place; `stillroom verify` then "
        "says what is proven. Check the disk before it is used again."
    )


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite says about the file into a sentence for a person; the cause stays attached."""
    try:
        yield
    except (OperationalError, TimeoutError, DatabaseError) as error:
        message = str(getattr(error, "orig", None) or error)
        if any(word in message for word in DAMAGE):
            raise damaged_error(path, message) from error
        if isinstance(error, DatabaseError) and not isinstance(error, OperationalError):
            raise
        raise StoreError(f"{path} could not be used: {message}. {_remedy(message, path.parent)}") from error


_NO_RECORD = (
    "It is not a record of stillroom, or not a complete one. Nothing was changed. Put the newest backup in "
    "its place; if this folder never held a record, name another one with --data."
)


def _remedy(message: str, folder: Path) -> str:
    if "no such table" in message:
        return _NO_RECORD
    if "locked" in message:
        return f"Another program held it for more than {BUSY_S:.0f} s; nothing was changed, try again."
    if refused := refusal(folder):
        return f"{refused} Nothing was changed."
    if "full" in message:
        return "Nothing was changed. Free some space on this disk."
    return "Nothing was changed. Check that the folder is there and that this account may write to it."


@contextmanager
def _dropped_on_error(engine: Engine) -> Iterator[Connection]:
    """A connection that no longer goes back to the pool where something went wrong while it was used.

    A result may be half read then. Neither a rollback nor the pool ends its statement, which keeps its
    snapshot for as long as the error is remembered; whoever used the connection next could not write.
    """
    with engine.connect() as conn:
        try:
            yield conn
        except BaseException:
            conn.invalidate()
            raise


def _begin(conn: Connection) -> None:
    conn.exec_driver_sql(conn.get_execution_options().get("begin", "BEGIN"))
