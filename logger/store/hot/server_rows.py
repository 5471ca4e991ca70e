"""Rows on their way to a database server, in as few ways there and back as may be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import Any

from sqlalchemy import Connection, Table

FEW = 500  # rows; up to here arrays in one statement are quicker than COPY, which needs two ways


def copy_rows(conn: Connection, table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> int:
    """Write rows into a table by COPY, inside the transaction of the caller; gives how many."""
    count = 0
    named = ", ".join(f'"{column}"' for column in columns)
    driver: Any = conn.connection.driver_connection
    with driver.cursor() as cursor, cursor.copy(f'COPY "{table}" ({named}) FROM STDIN') as copy:
        for row in rows:
            copy.write_row(row)
            count += 1
    return count


def insert_rows(conn: Connection, table: Table, fields: Mapping[str, list[Any]]) -> None:
    """Write rows given as column -> values, all of one length, inside the transaction of the caller."""
    if len(next(iter(fields.values()))) > FEW:
        copy_rows(conn, table.name, list(fields), zip(*fields.values(), strict=True))
        return
    named = ", ".join(f'"{column}"' for column in fields)
    arrays = ", ".join(f"%s::{table.c[name].type.compile(conn.dialect)}[]" for name in fields)
    conn.exec_driver_sql(
        f'INSERT INTO "{table.name}" ({named}) SELECT * FROM unnest({arrays})',  # noqa: S608 (our own tables)
        tuple(fields.values()),
    )


def sent_together(conn: Connection, rows: int) -> AbstractContextManager[object]:
    """Send the statements of the block without waiting for each answer, on a server and for few rows.

    Nothing may be asked inside. What the server refuses is raised at the end of the block.
    """
    if conn.dialect.name != "postgresql" or rows > FEW:
        return nullcontext()
    import psycopg

    driver: Any = conn.connection.driver_connection
    supported = psycopg.Pipeline.is_supported()  # not by a libpq before 14
    together: AbstractContextManager[object] = driver.pipeline() if supported else nullcontext()
    return together
