"""The schema of one record on a server: whether it is fit, begun, upgraded, and as the program made it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import Connection, Inspector, Table, inspect
from sqlalchemy.schema import CreateColumn

from ...errors import StoreError, StoreInUse
from ..files import PART, publish, sync_file
from ..store_file import HotTable
from .database import upgrade_copy_path
from .guards import check_guards, guard
from .migrations import NEWEST, migrate, refuse_newer, version
from .server_locks import MOVED
from .server_patience import LONG_S, waiting
from .tables import metadata
from .transfer import write_snapshot

OLDEST_SERVER = 130000  # the first with pg_current_xact_id; ours are tested with 15
BYTEWISE = ("C", "POSIX")
TURN = "CREATE TABLE IF NOT EXISTS turn (name text PRIMARY KEY, epoch bigint NOT NULL)"


class ServerHome(Protocol):
    """What of a home on a server is needed here."""

    path: Path
    table: HotTable

    @property
    def called(self) -> str:
        """Where it is, for a person."""

    def connect(self) -> Any:
        """A connection of the driver, outside the pool."""

    def connection(self) -> Connection:
        """A connection of the pool that has begun nothing yet."""

    def lock_service(self) -> AbstractContextManager[None]:
        """Be the one service of the record."""


def refuse_unfit(conn: Connection, table: HotTable) -> None:
    """StoreError where server, database or rights cannot keep a record, with what to do."""
    number, encoding, collate, ctype, fsync, exists, usable = conn.exec_driver_sql(
        "SELECT current_setting('server_version_num')::int, getdatabaseencoding(), d.datcollate, d.datctype, "
        "current_setting('fsync'), n.oid IS NOT NULL, "
        "n.oid IS NOT NULL AND has_schema_privilege(n.oid, 'USAGE') "
        "AND has_schema_privilege(n.oid, 'CREATE') "
        "FROM pg_database d LEFT JOIN pg_namespace n ON n.nspname = %s WHERE d.datname = current_database()",
        (table.schema_name,),
    ).one()
    where = f"{table.place}: "
    if number < OLDEST_SERVER:
        raise StoreError(
            f"{where}expected PostgreSQL {OLDEST_SERVER // 10_000} or newer, found "
            f"{number // 10_000}. Upgrade the server, or name another one as `database` in store.toml."
        )
    if encoding != "UTF8" or collate not in BYTEWISE or ctype not in BYTEWISE:
        raise StoreError(
            f"{where}expected a database of encoding UTF8 and collation C, found {encoding}, {collate} and "
            f"{ctype}; zones and names would be sorted otherwise than in the record. Create another one: "
            "CREATE DATABASE … TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C'."
        )
    if fsync != "on":
        raise StoreError(
            f"{where}the server runs with fsync = {fsync}: what it confirms may be lost. Set fsync = on."
        )
    if exists and not usable:
        role = _role(conn)
        raise StoreError(
            f"{where}the role may not use this schema. Name the schema that belongs to role {role}, by "
            "--schema or as `schema` in store.toml. If it is this one and no other room is in it, as the "
            f'administrator of the database: ALTER SCHEMA "{table.schema_name}" OWNER TO "{role}".'
        )


def prepare(
    home: ServerHome,
    conn: Connection,
    create: bool,
    on_upgrade: Callable[[Connection, str], None] | None,
) -> None:
    """Begin, check or upgrade the tables; the caller's reading transaction only looks."""
    schema = _version(conn)
    if schema is not None:
        _refuse_moved(home, conn)
    if schema == NEWEST:
        return
    if schema is not None:
        refuse_newer(schema, home.called)
        _upgrade(home, conn, schema, on_upgrade)
        return
    if not create:
        raise _no_record(home)
    begin(home)


def refuse_unread(home: ServerHome, conn: Connection) -> None:
    """StoreError where a reader would ask tables that are not there, or not those of this program."""
    schema = _version(conn)
    if schema is None:
        refuse_unfit(conn, home.table)
        raise _no_record(home)
    _refuse_moved(home, conn)
    refuse_newer(schema, home.called)
    if schema != NEWEST:
        raise StoreError(
            f"{home.called} has tables of an older program (schema {schema}; this one makes {NEWEST}). "
            "Nothing was changed. The service of this version upgrades them when it starts, after a copy was "
            "put beside; until then use the older program."
        )


def _version(conn: Connection) -> str | None:
    """Version of the tables that this role sees; None where it sees no record."""
    return version(conn) if conn.exec_driver_sql("SELECT current_schema()").scalar() else None


def _no_record(home: ServerHome) -> StoreError:
    return StoreError(
        f"{home.called} holds no record. Nothing was changed. Correct `schema` in store.toml; a record is "
        "brought there by `stillroom store move`, and a lost one comes back from the newest backup."
    )


def _refuse_moved(home: ServerHome, conn: Connection) -> None:
    if conn.exec_driver_sql("SELECT 1 FROM turn WHERE name = %s", (MOVED,)).first():
        raise StoreError(
            f"{home.called} holds a record that was moved back into its data folder; it goes on there. "
            "Nothing was changed. Take [hot] out of store.toml, or move it here again: `stillroom store "
            "move`."
        )


def begin(home: ServerHome) -> None:
    """Make the schema, if the role may, and its tables, all in one transaction."""
    connection = home.connect()
    try:
        make_schema(connection, home.table)
    finally:
        connection.close()
    with turn(home) as conn:
        if version(conn) is None:
            migrate(conn)
            guard(conn)


@contextmanager
def turn(home: ServerHome) -> Iterator[Connection]:
    """A writing transaction that asks nothing of the tables: to make or to upgrade them."""
    with home.connection() as conn:
        conn.execution_options(begun=True).begin()
        driver: Any = conn.connection.driver_connection
        with waiting(driver, LONG_S):  # one statement may be about every row there is
            driver.execute("BEGIN ISOLATION LEVEL REPEATABLE READ; LOCK TABLE turn IN EXCLUSIVE MODE")
            yield conn
            driver.execute("COMMIT")


def make_schema(connection: Any, table: HotTable) -> None:
    """Make the schema where it is missing and the role may, and in it the table of turns."""
    _create_schema(connection, table)
    connection.execute(TURN)


def _create_schema(connection: Any, table: HotTable) -> None:
    row = connection.execute("SELECT 1 FROM pg_namespace WHERE nspname = %s", (table.schema_name,)).fetchone()
    if row is not None:
        return
    import psycopg

    try:
        connection.execute(f'CREATE SCHEMA "{table.schema_name}"')
    except psycopg.errors.InsufficientPrivilege as error:
        raise _uncreatable(table, connection.info.user) from error


def refuse_uncreatable(conn: Connection, table: HotTable) -> None:
    """StoreError where the schema is missing and the role may not create it; nothing is made."""
    row = conn.exec_driver_sql(
        "SELECT EXISTS (SELECT 1 FROM pg_namespace WHERE nspname = %s) "
        "OR has_database_privilege(current_database(), 'CREATE')",
        (table.schema_name,),
    ).one()
    if not row[0]:
        raise _uncreatable(table, _role(conn))


def _uncreatable(table: HotTable, role: str) -> StoreError:
    return StoreError(
        f"{table.place} is not there, and the role may not create it. Correct --schema, or as the "
        f'administrator of the database: CREATE SCHEMA "{table.schema_name}" AUTHORIZATION "{role}".'
    )


def _upgrade(
    home: ServerHome, conn: Connection, old: str, on_upgrade: Callable[[Connection, str], None] | None
) -> None:
    """Change the tables while no service writes them, after a copy was put beside."""
    try:
        with home.lock_service():
            _copy_before_upgrade(home, conn, old)
            with turn(home) as changing:
                if version(changing) != NEWEST:
                    migrate(changing)
                    guard(changing)
                    if on_upgrade is not None:
                        on_upgrade(changing, old)
    except StoreInUse as error:
        raise StoreInUse(
            f"{home.called} has tables of an older program (schema {old}; this one makes {NEWEST}), and a "
            f"service still writes them. Nothing was changed. Stop that service before the upgrade. ({error})"
        ) from error


def _copy_before_upgrade(home: ServerHome, conn: Connection, old: str) -> None:
    path = upgrade_copy_path(home.path, old)
    part = path.with_name(f"{path.name}.{os.getpid()}{PART}")
    try:
        write_snapshot(conn, part, old)
        sync_file(part)
        publish(part, path)
    except OSError as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise StoreError(
            f"{path} could not be written: {error}. The record was left as it is: it is copied before this "
            "version of the program changes its tables: free as much space as it takes."
        ) from error


def _role(conn: Connection) -> str:
    return str(conn.exec_driver_sql("SELECT current_user").scalar())


def check_server_shape(conn: Connection) -> Iterator[str]:
    """A sentence for every table, column, index, trigger or function that is not as the program made it."""
    inspector = inspect(conn)
    actual = set(inspector.get_table_names()) | set(inspector.get_view_names())
    expected = {*metadata.tables, "alembic_version", "turn"}
    for name in sorted(actual ^ expected):
        state = "not ours" if name in actual else "missing"
        yield f"table {name}: {state}; the tables of this record are not as the program made them"
    for table in metadata.sorted_tables:
        if table.name not in actual:
            continue
        indexes = {str(index.name) for index in table.indexes}
        there = {index["name"] for index in inspector.get_indexes(table.name)}
        if _columns_of(conn, table) != _columns_there(conn, inspector, table.name) or indexes - there:
            yield f"table {table.name}: changed; the tables of this record are not as the program made them"
    yield from check_guards(conn)


_SAME = {"BIGSERIAL": "BIGINT", "SERIAL": "INTEGER", "FLOAT": "DOUBLE", "JSON": "TEXT"}


def _columns_of(conn: Connection, table: Table) -> dict[str, tuple[str, bool]]:
    """Column -> type and whether it may be empty, as the program makes them."""
    words = {c.name: str(CreateColumn(c).compile(dialect=conn.dialect)).split()[1] for c in table.columns}
    return {c.name: (_SAME.get(words[c.name], words[c.name]), bool(c.nullable)) for c in table.columns}


def _columns_there(conn: Connection, inspector: Inspector, table: str) -> dict[str, tuple[str, bool]]:
    columns = inspector.get_columns(table)
    words = {c["name"]: str(c["type"].compile(dialect=conn.dialect)).split()[0] for c in columns}
    return {c["name"]: (_SAME.get(words[c["name"]], words[c["name"]]), c["nullable"]) for c in columns}
