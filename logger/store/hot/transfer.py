"""All rows of the hot tier from one home to the other, letter for letter.

Values pass as the embedded file holds them: JSON as its text, true as 1. Counters of tables that never use a
number again go with them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine
from sqlalchemy.pool import StaticPool

from .migrations import NEWEST, migrate
from .server_rows import copy_rows

AT_ONCE = 5_000
COUNTED = ("decision", "mark", "notice")  # whose numbers the database gives out


def embedded_tables(file: sqlite3.Connection) -> dict[str, list[str]]:
    """Table -> columns of a file, without those that its database keeps for itself."""
    names = file.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!'"
    ).fetchall()
    return {
        name: [column[1] for column in file.execute(f'PRAGMA table_info("{name}")')]
        for (name,) in names
        if name != "alembic_version"
    }


def write_snapshot(conn: Connection, path: Path, schema: str = NEWEST) -> int:
    """Write what a transaction on a server sees into a new file of the embedded kind; gives how many rows."""
    count = 0
    if not conn.in_transaction():
        conn.begin()
    _make_file(path, schema)
    with closing(sqlite3.connect(path)) as file:
        triggers = file.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            file.execute(f'DROP TRIGGER "{name}"')
        for table, columns in embedded_tables(file).items():
            marks = ", ".join("?" * len(columns))
            for rows in _server_rows(conn, table, columns):
                file.executemany(f'INSERT INTO "{table}" ({_named(columns)}) VALUES ({marks})', rows)  # noqa: S608
                count += len(rows)
        for table in COUNTED:
            _set_file_counter(conn, file, table)
        for _, statement in triggers:
            file.execute(statement)
        file.commit()
        file.execute("PRAGMA journal_mode=DELETE")
    return count


def fill_server(file: sqlite3.Connection, conn: Connection) -> int:
    """Copy all rows of a file into the empty tables of a server, inside one transaction; gives how many."""
    count = 0
    for table, columns in embedded_tables(file).items():
        conn.exec_driver_sql(f'ALTER TABLE "{table}" DISABLE TRIGGER USER')
        rows = file.execute(f'SELECT {_named(columns)} FROM "{table}" ORDER BY 1')  # noqa: S608
        count += copy_rows(conn, table, columns, rows)
        conn.exec_driver_sql(f'ALTER TABLE "{table}" ENABLE TRIGGER USER')
    for table, last in file.execute("SELECT name, seq FROM sqlite_sequence").fetchall():
        if last:
            conn.exec_driver_sql("SELECT setval(pg_get_serial_sequence(%s, 'id'), %s)", (table, last))
    return count


def _make_file(path: Path, schema: str) -> None:
    engine = create_engine("sqlite://", creator=lambda: sqlite3.connect(path), poolclass=StaticPool)
    with engine.begin() as conn:
        migrate(conn, schema)
    engine.dispose()


def _server_rows(conn: Connection, table: str, columns: list[str]) -> Iterator[list[Any]]:
    driver: Any = conn.connection.driver_connection
    with driver.cursor(name="rows") as cursor:  # kept by the server, so that memory stays bounded
        cursor.itersize = AT_ONCE
        cursor.execute(f'SELECT {_named(columns)} FROM "{table}" ORDER BY 1')  # noqa: S608 (our own tables)
        while block := cursor.fetchmany(AT_ONCE):
            yield block


def _set_file_counter(conn: Connection, file: sqlite3.Connection, table: str) -> None:
    """A number that a deleted row had is not given out again."""
    sequence = conn.exec_driver_sql("SELECT pg_get_serial_sequence(%s, 'id')", (table,)).scalar()
    if sequence is None:  # a table that the older program did not have
        return
    last, used = conn.exec_driver_sql(f"SELECT last_value, is_called FROM {sequence}").one()  # noqa: S608
    if not used:
        return
    file.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table,))
    file.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (table, last))


def _named(columns: list[str]) -> str:
    return ", ".join(f'"{column}"' for column in columns)
