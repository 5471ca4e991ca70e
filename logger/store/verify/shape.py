"""Tables, indexes and triggers as they stand in the file, against those that the migrations make.

A dropped trigger lets rows be changed; a changed one, or one more, may change them by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from sqlalchemy import Connection, create_engine
from sqlalchemy.pool import StaticPool

from ..hot.migrations import migrate

Shape = dict[tuple[str, str], str]  # (kind, name) -> how it was made


def check_shape(conn: Connection) -> Iterator[str]:
    """A sentence for every table, index, trigger or view that is missing, changed, or not ours."""
    found, wanted = _shape(conn), _made()
    for kind, name in sorted(found.keys() | wanted.keys()):
        one = found.get((kind, name)), wanted.get((kind, name))
        if one[0] != one[1]:
            state = "missing" if one[0] is None else "not ours" if one[1] is None else "changed"
            yield f"{kind} {name}: {state}; the tables of this record are not as the program made them"


@lru_cache(maxsize=1)
def _made() -> Shape:
    """What a record has that begins now."""
    engine = create_engine("sqlite://", poolclass=StaticPool)
    with engine.begin() as conn:
        migrate(conn)
        made = _shape(conn)
    engine.dispose()
    return made


def _shape(conn: Connection) -> Shape:
    rows = conn.exec_driver_sql(
        "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite!_%' ESCAPE '!'"
    )
    return {(row[0], row[1]): " ".join(str(row[2]).split()) for row in rows}
