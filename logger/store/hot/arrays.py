"""Rows of a query as arrays, in bounded memory."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection, Select

from ...errors import StoreDamaged

AT_ONCE = 20_000  # more Python objects alive at once only keep the garbage collector busy


def fetch_arrays(conn: Connection, query: Select[Any], kinds: Sequence[Any]) -> list[Any]:
    """One array per selected column; `kinds` are their dtypes, NULL becomes NaN in a float column."""
    parts = [_arrays(rows, kinds) for rows in conn.execute(query).partitions(AT_ONCE)]
    if len(parts) == 1:
        return parts[0]
    return [np.concatenate([np.empty(0, kind), *column]) for kind, *column in zip(kinds, *parts, strict=True)]


def _arrays(rows: Sequence[Any], kinds: Sequence[Any]) -> list[Any]:
    try:
        return [_array(column, kind) for column, kind in zip(zip(*rows, strict=True), kinds, strict=True)]
    except (ValueError, TypeError, OverflowError) as error:
        raise StoreDamaged(f"A stored field is not of the kind of its column: {error}") from error


def _array(column: Sequence[Any], kind: Any) -> Any:
    if kind is np.bool_ and not set(column) <= {0, 1}:
        raise ValueError(f"{set(column) - {0, 1}} is neither true nor false")
    if kind is object and not all(isinstance(text, str) for text in column):
        raise ValueError("bytes in the place of text")
    return np.array(column, kind)
