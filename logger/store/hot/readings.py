"""Readings in the hot tier: appended in durable batches, read back as columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, Integer, func, select, type_coerce

from ...model import Row
from ..rows import Columns, Texts, columns_of, digests
from ..types import JSON, Batch
from .arrays import fetch_arrays
from .home import Home
from .journal import Journal
from .name_table import KINDS, Named, NameTable
from .server_rows import insert_rows, sent_together
from .tables import batch, reading

# Numbers in the order of `Columns`, then what is coded.
FIELDS = (
    reading.c.arrival,
    reading.c.seq,
    reading.c.taken_ns,
    reading.c.received_ns,
    reading.c.monotonic_ns,
    reading.c.value,
    reading.c.status,
    type_coerce(reading.c.late, Integer),  # as stored: a bool would hide a 2
    reading.c.writer,
    reading.c.channel,
    reading.c.boot,
    reading.c.source,
    reading.c.raw,
)
KINDS_OF_FIELDS = (*(np.int64,) * 5, np.float64, np.uint8, np.bool_, *(np.int64,) * 4, object)


class HotTier:
    """The readings that are not yet sealed, and for a moment those that just were."""

    def __init__(self, database: Home, names: NameTable, journal: Journal) -> None:
        self._database = database
        self._names = names
        self._journal = journal

    def append(self, writer: str, rows: Sequence[Row], conn: Connection | None = None) -> Batch:
        """Store rows under the next numbers of their writer, with their digest in the journal.

        When this returns they are on the disk, or in the caller's transaction. When it raises, none is.
        """
        return self.append_columns(writer, columns_of(writer, 0, rows), conn)

    def append_columns(self, writer: str, unnumbered: Columns, conn: Connection | None = None) -> Batch:
        """Store columns, numbered from 0 and without arrivals, under the writer's next numbers."""
        if conn is not None:
            return self._append(conn, writer, unnumbered)
        self._prefetch_names(unnumbered)
        with self._database.begin() as transaction:
            return self._append(transaction, writer, unnumbered)

    def next_seq(self, conn: Connection, writer: str) -> int:
        """The number that the writer's next row will have."""
        return _next(conn, self._names.numbers(conn, "writer", [writer])[writer])

    def read_next_seq(self, conn: Connection, writer: str) -> int:
        """The writer's next number in a reading transaction; 1 where it never wrote."""
        number = self._names.number("writer", writer)
        return 1 if number is None else _next(conn, number)

    def _append(self, conn: Connection, writer: str, unnumbered: Columns) -> Batch:
        numbers = self._names.numbers_of_all(conn, [("writer", writer), *_named_pairs(unnumbered)])
        number = numbers["writer", writer]
        next_seq, arrival = _next_places(conn, number)
        if not len(unnumbered):
            return Batch(0, writer, next_seq, next_seq - 1, "")
        columns = replace(unnumbered, seq=unnumbered.seq + next_seq, arrival=unnumbered.seq + arrival)
        fields = _storage_columns(numbers, columns)
        (sha,) = digests(columns, [0])
        unchained = Batch(0, writer, int(columns.seq[0]), int(columns.seq[-1]), sha)
        with sent_together(conn, len(columns)):
            _insert(conn, fields)
            return self.chain_batch(conn, number, unchained, arrival)

    def select(
        self, conn: Connection, *where: ColumnElement[bool], order: Any = reading.c.arrival
    ) -> Columns:
        """Readings as columns, whatever seals say."""
        *numeric, writer, channel, boot, source, raw = fetch_arrays(
            conn, select(*FIELDS).where(*where).order_by(order), KINDS_OF_FIELDS
        )
        named = {"writer": writer, "channel": channel, "boot": boot, "source": source}
        texts: dict[str, Any] = {kind: self._texts_of(conn, numbers) for kind, numbers in named.items()}
        texts["raw"] = Texts.of(raw.tolist())
        return Columns(*numeric, **texts)

    def all_rows(self) -> Columns:
        """Every reading of the tier, whatever seals say; for comparisons."""
        with self._database.read() as conn:
            return self.select(conn)

    def count(self) -> int:
        """How many rows the tier holds."""
        with self._database.read() as conn:
            return conn.execute(select(func.count()).select_from(reading)).scalar_one()

    def _prefetch_names(self, columns: Columns) -> None:
        """Look names up before the transaction: while it runs every other writer waits."""
        self._names.learn(_named_pairs(columns))

    def chain_batch(self, conn: Connection, number: int, unchained: Batch, arrival: int) -> Batch:
        """Journal which readings the writer with this number stored, the first of them under `arrival`."""
        what: dict[str, JSON] = {
            "digest": unchained.sha256,
            "first": unchained.first,
            "last": unchained.last,
            "arrival": arrival,
            "writer": unchained.writer,
        }
        entry = self._journal.append("batch", unchained.writer, what, conn=conn)
        values = {
            "writer": number,
            "first_seq": unchained.first,
            "last_seq": unchained.last,
            "first_arrival": arrival,
        }
        conn.execute(batch.insert().values(number=entry.number, **values))
        return replace(unchained, number=entry.number)

    def _texts_of(self, conn: Connection, numbers: NDArray[np.int64]) -> Texts:
        distinct, codes = np.unique(numbers, return_inverse=True)
        texts = self._names.texts(distinct.tolist(), conn)
        return Texts(codes.astype(np.int32), tuple(texts[number] for number in distinct.tolist()))


def _insert(conn: Connection, fields: Mapping[str, list[Any]]) -> None:
    """Straight through the driver: building a dictionary per row would triple the time."""
    if conn.dialect.name == "postgresql":
        insert_rows(conn, reading, fields)
        return
    statement = reading.insert().compile(dialect=conn.dialect, column_keys=list(fields))
    ordered = [fields[name] for name in statement.positiontup or ()]
    conn.exec_driver_sql(str(statement), list(zip(*ordered, strict=True)))


def _storage_columns(numbers: Mapping[Named, int], columns: Columns) -> dict[str, list[Any]]:
    fields: dict[str, list[Any]] = {
        kind: _numbers_of(numbers, kind, getattr(columns, kind)) for kind in KINDS
    }
    for name in ("arrival", "seq", "taken_ns", "received_ns", "monotonic_ns", "status", "late"):
        fields[name] = getattr(columns, name).tolist()
    value = columns.value.astype(object)
    value[np.isnan(columns.value)] = None
    fields["value"] = value.tolist()
    fields["raw"] = [columns.raw.table[code] for code in columns.raw.codes.tolist()]
    return fields


def _named_pairs(columns: Columns) -> list[Named]:
    return [(kind, text) for kind in KINDS for text in getattr(columns, kind).table]


def _numbers_of(numbers: Mapping[Named, int], kind: str, texts: Texts) -> list[int]:
    if len(texts.table) == 1:  # as in all that is imported
        return [numbers[kind, texts.table[0]]] * len(texts)
    return [numbers[kind, texts.table[code]] for code in texts.codes.tolist()]


def next_arrival(conn: Connection) -> int:
    """The arrival that the next row of any writer will have."""
    return conn.execute(_NEXT_ARRIVAL).scalar() or 1


_NEXT_ARRIVAL = (
    select(batch.c.first_arrival + batch.c.last_seq - batch.c.first_seq + 1)
    .order_by(batch.c.number.desc())
    .limit(1)
)


def _next_places(conn: Connection, writer: int) -> tuple[int, int]:
    """The writer's next number and the next arrival, in one question."""
    last = select(func.max(batch.c.last_seq)).where(batch.c.writer == writer)
    row = conn.execute(select(last.scalar_subquery(), _NEXT_ARRIVAL.scalar_subquery())).one()
    return 1 + (row[0] or 0), row[1] or 1


def _next(conn: Connection, writer: int) -> int:
    last = conn.execute(select(func.max(batch.c.last_seq)).where(batch.c.writer == writer)).scalar()
    return 1 + (last or 0)
