"""The hot tier of a record from its folder to a database server, and back.

Order, so that an interruption at any moment leaves a whole record and says where it is: the source is locked
against writers, copied in one transaction, the copy is verified with the head that was noted, an entry
`store-moved` is chained on there; then store.toml changes, which is the moment; the source is closed to
writers and set aside, never deleted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, inspect, select

from ...errors import Refused, StoreError
from ..files import PART, publish, sync_file
from ..hot import head_seen, server_schema
from ..hot.address import set_aside
from ..hot.database import FILE, Database
from ..hot.guards import functions, guard
from ..hot.journal import head
from ..hot.migrations import migrate
from ..hot.server import ServerDatabase
from ..hot.server_errors import plain_server_errors
from ..hot.server_locks import MOVED
from ..hot.server_patience import LONG_S
from ..hot.tables import journal, meta, metadata
from ..hot.transfer import fill_server
from ..store import Store
from ..store_file import HotTable, hot_table, replace_table
from ..types import JSON

Report = Callable[[str], None]
KIND = "store-moved"
_CLOSED = (
    "CREATE TRIGGER journal_moved BEFORE INSERT ON journal "
    "BEGIN SELECT RAISE(ABORT, 'this record was moved to a database server: see store.toml'); END"
)


@dataclass(frozen=True)
class Relocation:
    """What was moved: from where, to where, the head that was noted, rows, and where the source is set "
    "aside."""

    source: str
    target: str
    head: tuple[int, str]
    rows: int
    aside: str


def to_server(folder: Path, table: HotTable, who: str, report: Report = lambda _: None) -> Relocation:
    """Move the hot tier of a folder to a schema of a server; where that fails, nothing is changed."""
    if hot_table(folder) is not None:
        raise Refused(f"{folder}: the hot tier is on a server already; move it back first (--to embedded).")
    (folder / head_seen.FILE).unlink(missing_ok=True)  # of an earlier or interrupted move: the folder holds
    with Store.open(folder) as store, store.lock_service(), closing(_server(folder, table)) as server:
        _refuse_unable(server, store)
        report("the server can take it")
        noted = _verified_head(store, (), report)
        with plain_server_errors(table):
            _make_schema(server)
        with store.begin() as source:
            _refuse_news(source, noted)
            with plain_server_errors(table):
                rows = _fill(server, source)
            report("copied")
            target = Store(folder, server)
            _verified_head(target, (noted,), report)
            _journal(target, who, str(folder / FILE), table.place, noted)
            report("journalled")
            source.exec_driver_sql(_CLOSED)
            keys = {"database": table.database, "schema": table.schema_name}
            for key in ("password_env", "password_file"):
                if getattr(table, key) != HotTable.model_fields[key].default:
                    keys[key] = getattr(table, key)
            replace_table(folder, "hot", keys)
            report("switched")
    aside = set_aside(folder)
    report("set aside")
    return Relocation(str(folder / FILE), table.place, noted, rows, aside)


def to_embedded(folder: Path, who: str, report: Report = lambda _: None) -> Relocation:
    """Move the hot tier from the server back into the folder; the schema stays, closed to writers."""
    table = hot_table(folder)
    if table is None:
        raise Refused(f"{folder}: the hot tier is in the folder already; nothing was changed.")
    part = folder / (FILE + PART)
    with Store.open(folder) as store, store.lock_service(), closing(_server(folder, table)) as server:
        noted = _verified_head(store, (), report)
        part.unlink(missing_ok=True)
        with server.begin() as source:
            _refuse_news(source, noted)
            rows = server.snapshot_in(source, part)
            report("copied")
            with closing(Database(folder, file=part.name)) as embedded:
                embedded.prepare(create=False)
                target = Store(folder, embedded)
                _verified_head(target, (noted,), report)
                _journal(target, who, table.place, str(folder / FILE), noted)
            report("journalled")
            sync_file(part)
            publish(part, folder / FILE)
            report("published")
            replace_table(folder, "hot", None)
            report("switched")
            source.exec_driver_sql("INSERT INTO turn (name, epoch) VALUES (%s, 1)", (MOVED,))
    (folder / head_seen.FILE).unlink(missing_ok=True)
    report("set aside")
    return Relocation(table.place, str(folder / FILE), noted, rows, table.place)


def _verified_head(store: Store, heads: Sequence[tuple[int, str]], report: Report) -> tuple[int, str]:
    """The head of a record that is whole; StoreError with its first faults where it is not."""
    result = store.verify(heads)
    faults = (*result.faults, *(f"not compared: {sentence}" for sentence in result.unread))
    if faults:
        more = f" (and {len(faults) - 3} more)" if len(faults) > 3 else ""
        raise StoreError(
            f"Not moved: {'; '.join(faults[:3])}{more}. Nothing was changed. `stillroom verify` lists "
            "all that is wrong."
        )
    report("verified")
    return result.head


def _refuse_news(source: Connection, noted: tuple[int, str]) -> None:
    """Between verifying and locking somebody may have acted; then what was verified is not what is copied."""
    if head(source) != noted:
        raise StoreError("Not moved: an act was written meanwhile. Nothing was changed; try again.")


def _journal(store: Store, who: str, source: str, target: str, noted: tuple[int, str]) -> None:
    what: dict[str, JSON] = {"from": source, "to": target, "head": {"number": noted[0], "sha256": noted[1]}}
    store.journal.append(KIND, who, what, "the hot tier has another home from here on")


def _server(folder: Path, table: HotTable) -> ServerDatabase:
    """One whose single statements, which are about every row, may last."""
    return ServerDatabase(folder, table, answers_s=LONG_S)


def _refuse_unable(server: ServerDatabase, store: Store) -> None:
    """See that the server can keep the record, before it is verified: that may take minutes."""
    with plain_server_errors(server.table), server.connection() as conn:
        server_schema.refuse_unfit(conn, server.table)
        server_schema.refuse_uncreatable(conn, server.table)
        if names := set(_tables(conn)) - {"turn"}:
            with store.read() as source:
                _refuse_foreign(server, conn, source, names)


def _tables(conn: Connection) -> list[str]:
    """Names of the tables in the schema of a connection; none where it is not there yet."""
    return inspect(conn).get_table_names() if inspect(conn).default_schema_name else []


def _make_schema(server: ServerDatabase) -> None:
    """Make the schema where the role may."""
    connection = server.connect()
    try:
        server_schema.make_schema(connection, server.table)
    finally:
        connection.close()


def _fill(server: ServerDatabase, source: Connection) -> int:
    """Make the tables and copy every row in one transaction; gives how many."""
    driver: Any = source.connection.driver_connection
    with server_schema.turn(server) as conn:
        if names := set(_tables(conn)) - {"turn"}:
            _refuse_foreign(server, conn, source, names)
            _drop(conn, names)
        migrate(conn)
        rows = fill_server(driver, conn)
        guard(conn)
        return rows


def _refuse_foreign(server: ServerDatabase, conn: Connection, source: Connection, names: Set[str]) -> None:
    """Only what an interrupted or earlier move of this very record left may be replaced."""
    where = f"{server.called} holds tables already"
    if not {"journal", "meta"} <= set(names):
        raise Refused(
            f"{where}, and they are not those of stillroom. Nothing was changed. Name an empty schema."
        )
    strangers = sorted(names - {*metadata.tables, "alembic_version"})
    if strangers:
        raise Refused(
            f"{where}, and {strangers[0]!r} is not stillroom's. Nothing was changed. Name an empty schema."
        )
    keys = [
        conn_.execute(select(meta.c.value).where(meta.c.key == "id")).scalar() for conn_ in (conn, source)
    ]
    if keys[0] != keys[1]:
        raise Refused(f"{where}, of another record. Nothing was changed. Name an empty schema.")
    c = journal.c
    newest = conn.execute(select(c.number, c.sha256, c.kind).order_by(c.number.desc()).limit(2)).all()
    if newest and newest[0].kind == KIND:
        newest = newest[1:]
    for row in newest[:1]:
        ours = source.execute(select(c.sha256).where(c.number == row.number)).scalar()
        if ours != row.sha256:
            raise Refused(
                f"{where}, of this record, with an entry {row.number} that the folder lacks: it went on "
                "there. Nothing was changed. Find out which of the two is the record."
            )


def _drop(conn: Connection, names: Set[str]) -> None:
    for name in sorted(names):
        conn.exec_driver_sql(f'DROP TABLE "{name}" CASCADE')
    for name in functions():
        conn.exec_driver_sql(f"DROP FUNCTION IF EXISTS {name}() CASCADE")
    conn.exec_driver_sql("DELETE FROM turn")
