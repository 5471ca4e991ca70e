"""The hot tier in a schema of a PostgreSQL server: connections, turns, transactions.

A writing transaction begins with `LOCK TABLE turn IN EXCLUSIVE MODE` under REPEATABLE READ: its snapshot is
taken after the wait for the others, as PostgreSQL's manual says of the command LOCK, so that the chain cannot
fork. The first answer of each also says whether the server is the one that it was.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, select
from sqlalchemy.exc import DBAPIError, DisconnectionError, OperationalError
from sqlalchemy.pool import QueuePool

from ...errors import StoreError, StoreUnanswered
from ..archived import refuse_archived
from ..place import file_identity, gone_error
from ..store_file import FILE as STORE_FILE
from ..store_file import HotTable
from . import server_patience as patience
from . import server_schema
from .database import FILE
from .head_seen import HeadSeen
from .journal import CHAIN_END, FIRST, ChainEnd, head
from .migrations import NEWEST, refuse_newer
from .server_errors import BUSY_S, plain_server_errors
from .server_locks import ServerLocks
from .server_texts import adapt
from .tables import journal
from .transfer import write_snapshot

log = logging.getLogger(__name__)

READING = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
TURN = "BEGIN ISOLATION LEVEL REPEATABLE READ; LOCK TABLE turn IN EXCLUSIVE MODE"
ASKS_FOR_S = 10.0  # after an unanswered commit, before the caller gets the error
GENERATION = "generation"
READ_ONLY = "25006"  # read_only_sql_transaction: PostgreSQL's manual, appendix on error codes
SETTINGS = (
    "SET client_encoding TO 'UTF8'",
    'SET search_path TO "{schema}"',
    f"SET lock_timeout TO '{BUSY_S}s'",
    # Waits end by our own clock (`server_patience`); what the site sets for its other programs would cut a
    # move, a verification or a year's reading in the middle.
    "SET statement_timeout TO 0",
    "SET idle_in_transaction_session_timeout TO 0",
    # A connection that is cut must not keep its turn for hours.
    "SET tcp_keepalives_idle TO 10",
    "SET tcp_keepalives_interval TO 5",
    "SET tcp_keepalives_count TO 3",
    "SET tcp_user_timeout TO '20s'",
)


class ServerDatabase:
    """Opened hot tier of one record on a server; usable from several threads."""

    def __init__(
        self, folder: Path, table: HotTable, read_only: bool = False, answers_s: float | None = None
    ) -> None:
        """`answers_s`: seconds of silence after which a statement is given up; usually `ANSWERS_S`."""
        self.path = folder / FILE
        self._answers_s = answers_s
        self.table = table
        self.read_only = read_only
        self._driver = driver()
        self._seen = HeadSeen(folder, self.called)
        self._generation = 0  # of connections: those of older ones are not used again
        self._closed = False
        self._engine = self._create_engine()
        self._locks = ServerLocks(folder, self.called, self.connect)
        self._anchor = folder / STORE_FILE if (folder / STORE_FILE).exists() else folder
        self._turn = threading.Lock()
        self._thread = threading.local()

    @property
    def called(self) -> str:
        """What a fault of the database itself is named by."""
        return self.table.place

    def close(self) -> None:
        """Let go of every connection; those in use are closed when they are given back."""
        self._closed = True
        self._engine.dispose()

    def connect(self) -> Any:
        """A connection of its own, outside the pool; raises what the driver raises."""
        self._refuse_silent()
        try:
            connection = patience.connection_class().connect(
                self.table.database,
                password=self._password(),
                autocommit=True,
                connect_timeout=patience.CONNECTS_S,
                keepalives_idle=10,
                keepalives_interval=5,
                keepalives_count=3,
                tcp_user_timeout=20_000,
                application_name="stillroom",
            )
            self._prepare_session(connection)
        except self._driver.errors.ConnectionTimeout as error:
            patience.SILENCES.note(self.table.database, silent=True)
            raise self._driver.OperationalError(patience.silence(patience.CONNECTS_S)) from error
        patience.SILENCES.note(self.table.database, silent=False)
        if self._answers_s is not None:
            connection.answers_s = self._answers_s
        return connection

    def _password(self) -> str | None:
        """The password as it is now; the driver's own error where its file cannot be read."""
        try:
            return self.table.password()
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise self._driver.OperationalError(
                f"the password file {self.table.password_file} cannot be read: {why}"
            ) from error

    def _prepare_session(self, connection: Any) -> None:
        try:
            with patience.waiting(connection, patience.CONNECTS_S):
                adapt(connection)
                connection.execute("; ".join(SETTINGS).format(schema=self.table.schema_name))
        except BaseException:
            connection.close()
            raise

    def _refuse_silent(self) -> None:
        """Where a new connection came to nothing a moment ago, do not try again at once."""
        if patience.SILENCES.rests(self.table.database):
            raise self._driver.OperationalError(patience.silence(patience.CONNECTS_S))

    @contextmanager
    def begin(self) -> Iterator[Connection]:
        """One writing transaction: everything or nothing, and no other writer meanwhile.

        StoreUnanswered where the connection broke before the commit was answered, and the server did not
        come back in time to be asked whether it stands.
        """
        if self.read_only:
            refuse_archived(self.path.parent)
            raise StoreError(f"{self.path.parent} was opened for reading only; nothing was changed.")
        if getattr(self._thread, "writing", False):
            raise StoreError("A writing transaction was begun inside another one of the same thread.")
        with self._turn:
            self.check_place()
            self.keep_lock()
            self._thread.writing = True
            try:
                yield from self._transaction()
            finally:
                self._thread.writing = False

    def _transaction(self) -> Iterator[Connection]:
        number = self._seen.head[0]
        with (
            plain_server_errors(self.table),
            self._renewed_where_closed(),
            self._begun(_turn(number), patience.TURNS_S) as (conn, cursor),
        ):
            began = self._check_turn(cursor, number)
            end = ChainEnd(began)
            yield conn.execution_options(**{CHAIN_END: end})
            self._commit(conn, end.head, began)

    @contextmanager
    def _renewed_where_closed(self) -> Iterator[None]:
        """A session that began on a standby, or closed to writers, stays so: the next turn takes new ones."""
        try:
            yield
        except (DBAPIError, self._driver.Error) as error:
            if getattr(getattr(error, "orig", error), "sqlstate", None) == READ_ONLY:
                self._drop_connections()
            raise

    @contextmanager
    def _begun(self, statements: str, answers_s: float) -> Iterator[tuple[Connection, Any]]:
        """A connection with a transaction that these statements began; the cursor at their last result.

        answers_s: seconds that their answer may take.

        A connection that broke while nobody used it shows here, where nothing has been done yet: another
        one takes its place, once.
        """
        self._refuse_silent()
        conn = self._engine.connect()
        try:
            try:
                cursor = self._start(conn, statements, answers_s)
            except self._driver.OperationalError:
                if not conn.invalidated:
                    raise
                conn.close()
                self._drop_connections()  # those that lie there are as old
                conn = self._engine.connect()
                cursor = self._start(conn, statements, answers_s)
            yield conn, cursor
        finally:
            conn.close()

    def _start(self, conn: Connection, statements: str, answers_s: float) -> Any:
        conn.execution_options(begun=True).begin()
        cursor = self._execute(conn, statements, answers_s)
        while cursor.nextset():
            pass
        return cursor

    def _check_turn(self, cursor: Any, number: int) -> tuple[int, str]:
        """See that the record is ours to write, from the answer to `_turn(number)`; gives its head."""
        version, newest, digest, ours, epochs = cursor.fetchone()
        if version != NEWEST:
            refuse_newer(str(version), self.called)
            raise StoreError(f"{self.called} has tables of schema {version}; restart this program.")
        self._seen.refuse_older(newest or 0, ours if newest and number else None)
        self._locks.refuse_lost(epochs or "")
        return (newest, digest) if newest else FIRST

    def _execute(self, conn: Connection, statements: str, answers_s: float) -> Any:
        """Several statements in one round trip; the cursor stands at the first one's result."""
        driver_connection: Any = conn.connection.driver_connection
        try:
            with patience.waiting(driver_connection, answers_s):
                return driver_connection.execute(statements, prepare=False)
        except self._driver.OperationalError:
            if driver_connection.closed:
                conn.invalidate()
            raise

    def _commit(self, conn: Connection, last: tuple[int, str], began: tuple[int, str]) -> None:
        """Commit; `last`: the newest entry that the transaction sees, `began`: that of its begin."""
        try:
            answer = self._execute(conn, "COMMIT", patience.COMMITS_S).statusmessage
            if answer != "COMMIT":
                raise StoreError(f"{self.called} stored nothing: an earlier statement had failed ({answer}).")
        except self._driver.OperationalError as error:
            conn.invalidate()
            self._ask(last if last != began else None, error)
        self._seen.note(last)

    def _ask(self, entry: tuple[int, str] | None, error: Exception) -> None:
        """After an unanswered commit: return where it stands, raise where it does not or nobody knows."""
        until = time.monotonic() + ASKS_FOR_S
        while entry is not None and time.monotonic() < until:
            try:
                stands = self._stands(entry)
            except self._driver.OperationalError:
                time.sleep(0.2)
                continue
            if not stands:
                raise error
            log.warning("%s broke off after a commit, which stands: entry %d", self.called, entry[0])
            return
        raise StoreUnanswered(
            f"The connection to {self.called} broke while a change was being stored, and the server did not "
            "come back to say whether it stands. Check this before you make the change again.",
            entry,
        ) from OperationalError("COMMIT", None, error)

    def stands(self, entry: tuple[int, str]) -> bool:
        """Whether an entry of the journal, by number and digest, was committed after all."""
        with plain_server_errors(self.table):
            return self._stands(entry)

    def _stands(self, entry: tuple[int, str]) -> bool:
        """In a turn of its own: a commit that is still under way has ended when that begins."""
        connection = self.connect()
        try:
            with patience.waiting(connection, patience.TURNS_S):
                connection.execute(TURN)
            row = connection.execute("SELECT sha256 FROM journal WHERE number = %s", (entry[0],)).fetchone()
            connection.execute("ROLLBACK")
            return row is not None and row[0] == entry[1]
        finally:
            connection.close()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """One reading transaction: a snapshot that writers neither wait for nor disturb."""
        self.check_place()
        with plain_server_errors(self.table), self._begun(READING, patience.READS_S) as (conn, _):
            yield conn

    def check_place(self) -> None:
        """Raise StoreGone where the data folder, which has the sealed files, is gone."""
        if file_identity(self._anchor) is None:
            raise gone_error(self._anchor)

    def connection(self) -> Connection:
        """A connection of the pool that has begun nothing yet."""
        return self._engine.connect()

    def snapshot(self, path: Path) -> None:
        """Copy the hot tier as it is at one instant into a new file of the embedded kind."""
        with self.read() as conn:
            self.snapshot_in(conn, path)

    def snapshot_in(self, conn: Connection, path: Path) -> int:
        """Copy what a transaction sees into a new file of the embedded kind; gives how many rows."""
        return write_snapshot(conn, path)

    def prepare(self, create: bool, on_upgrade: Callable[[Connection, str], None] | None = None) -> None:
        """Check server, database and schema, and bring the tables up to date."""
        with plain_server_errors(self.table):
            with self._engine.connect() as conn:
                server_schema.refuse_unfit(conn, self.table)
                server_schema.prepare(self, conn, create, on_upgrade)
            with self._engine.connect() as conn:
                newest, _ = head(conn)
                mine = select(journal.c.sha256).where(journal.c.number == self._seen.head[0])
                self._seen.refuse_older(newest, conn.execute(mine).scalar())

    def check_tables(self) -> None:
        """StoreError where the schema holds no record, or one of another version of the program."""
        with plain_server_errors(self.table), self._engine.connect() as conn:
            server_schema.refuse_unread(self, conn)

    @contextmanager
    def lock(self, name: str, wait_s: float = 0.0) -> Iterator[bool]:
        """Try for so long to hold a lock of this record against other processes, wherever they run."""
        with plain_server_errors(self.table), self._locks.lock(name, wait_s) as ours:
            yield ours

    @contextmanager
    def lock_service(self) -> Iterator[None]:
        """Be the one service of this record; StoreInUse where another is, on this machine or elsewhere."""
        with plain_server_errors(self.table), self._locks.lock_service():
            yield

    def keep_lock(self) -> None:
        """Take the lock of this service again where its connection broke and no other service was there."""
        with plain_server_errors(self.table):
            self._locks.retake_service()

    def _create_engine(self) -> Engine:
        engine = create_engine(
            "postgresql+psycopg://",
            creator=self.connect,
            poolclass=QueuePool,
            pool_size=4,
            max_overflow=16,
            pool_timeout=BUSY_S,
            use_native_hstore=False,
        )
        event.listen(engine, "begin", _begin)
        event.listen(engine, "connect", self._note_generation)
        event.listen(engine, "checkout", self._refuse_dropped)
        event.listen(engine, "checkin", self._close_dropped)
        return engine

    def _drop_connections(self) -> None:
        """Use none of the connections there are again; those in use are closed when they are given back.

        The pool stays: another one in its place would know nothing of connections that are just being made.
        """
        self._generation += 1

    def _note_generation(self, _: Any, record: Any) -> None:
        record.info[GENERATION] = self._generation

    def _refuse_dropped(self, _: Any, record: Any, __: Any) -> None:
        if record.info.get(GENERATION) != self._generation:
            raise DisconnectionError("dropped")  # the pool closes it and makes another

    def _close_dropped(self, _: Any, record: Any) -> None:
        if self._closed or record.info.get(GENERATION) != self._generation:
            record.invalidate()


def driver() -> Any:
    """The package that speaks to the server; StoreError with what to install where it is missing."""
    try:
        import psycopg
    except ImportError as error:
        raise StoreError(
            "A hot tier on a database server needs psycopg, which is not installed: "
            "pip install 'stillroom[group]'."
        ) from error
    logging.getLogger("psycopg").setLevel(logging.ERROR)  # its warnings repeat what it raises
    return psycopg


def _begin(conn: Connection) -> None:
    if not conn.get_execution_options().get("begun"):
        conn.exec_driver_sql(READING)


def _turn(number: int) -> str:
    """Wait for the turn, and ask all that says whether the record is ours to write; `number`: last seen."""
    return (
        f"{TURN}; SELECT (SELECT version_num FROM alembic_version), h.number, h.sha256, "  # noqa: S608
        f"(SELECT sha256 FROM journal WHERE number = {number:d}), "
        "(SELECT string_agg(name || '=' || epoch, ' ') FROM turn) "
        "FROM (VALUES (1)) AS one LEFT JOIN "
        "(SELECT number, sha256 FROM journal ORDER BY number DESC LIMIT 1) AS h ON true"
    )
