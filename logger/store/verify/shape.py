"""Tables, indexes and triggers as they stand in the file, against those that the migrations make.

A dropped trigger lets rows be changed; a changed one, or one more, may change them by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from sqlalchemy import Connection, create_engine
from sqlalchemy.pool import StaticPool

from ..hot.migrations import migrate
from ..hot.server_schema import check_server_shape

Shape = dict[tuple[str, str], str]  # (kind, name) -> how it was made


def check_shape(conn: Connection) -> Iterator[str]:
    """A sentence for every table, index, trigger or view that is missing, changed, or not ours."""
    if conn.dialect.name != "sqlite":
        yield from check_server_shape(conn)
        return
    actual, expected = _shape(conn), _new_record_shape()
    for kind, name in sorted(actual.keys() | expected.keys()):
        pair = actual.get((kind, name)), expected.get((kind, name))
        if pair[0] != pair[1]:
            state = "missing" if pair[0] is None else "not ours" if pair[1] is None else "changed"
            yield f"{kind} {name}: {state}; the tables of this record are not as the program made them"


@lru_cache(maxsize=1)
def _new_record_shape() -> Shape:
    """What a record has that begins now."""
    engine = create_engine("sqlite://", poolclass=StaticPool)
    with engine.begin() as conn:
        migrate(conn)
        shape = _shape(conn)
    engine.dispose()
    return shape


def _shape(conn: Connection) -> Shape:
    rows = conn.exec_driver_sql(
        "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite!_%' ESCAPE '!'"
    )
    return {(row[0], row[1]): " ".join(str(row[2]).split()) for row in rows}
