"""Rows as they stand in the file, for a check that must go on where a row cannot be understood."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    ColumnElement,
    Connection,
    Integer,
    String,
    Table,
    inspect,
    select,
    type_coerce,
)

UNREADABLE = object()  # stands for text that is no JSON; equal to nothing that an entry may say


def read_rows(conn: Connection, table: Table) -> list[dict[str, Any]]:
    """All rows of a table, in no order; none in an older folder without such a table.

    JSON is read row by row: read by the column's type, one broken text would hide every other row.
    """
    if not inspect(conn).has_table(table.name):
        return []
    packed = [column.name for column in table.columns if isinstance(column.type, JSON)]
    return [_decode_json(row._asdict(), packed) for row in conn.execute(select(*map(_plain, table.columns)))]


def differs(row: Mapping[str, Any] | None, claimed: Mapping[str, Any] | None) -> bool:
    """Whether a row is missing, has no entry, or does not say in every field what its entry says."""
    return not row or not claimed or any(row[name] != value for name, value in claimed.items())


def _plain(column: Column[Any]) -> ColumnElement[Any]:
    """A column without what its type makes of it: a 2 for true would read like a 1."""
    for kind, plain in ((JSON, String), (Boolean, Integer)):
        if isinstance(column.type, kind):
            return type_coerce(column, plain).label(column.name)
    return column


def _decode_json(row: dict[str, Any], packed: Sequence[str]) -> dict[str, Any]:
    return row | {name: _json(row[name]) for name in packed}


def _json(text: Any) -> Any:
    try:
        return text if text is None else json.loads(text)
    except (ValueError, TypeError, RecursionError):  # bytes that are no text among them
        return UNREADABLE
