"""Files of the journal: entries of kind `batch` whose readings are all sealed, as Parquet.

    journal/journal-0001.parquet    number, at_ns, kind, who, what, why, sha256: as in the table, ascending

Any program that reads Parquet and has SHA-256 can walk the chain through them: entry n has the digest of the
text described in `journal.py`, whether it stands in a file or in the database.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
from sqlalchemy import Connection, inspect, select

from ...errors import StoreDamaged
from ..files import PART
from .tables import journal, journal_seal

# What reading a file of arbitrary bytes may raise: Arrow's own errors, and ours on its odd answers.
UNREADABLE = (
    pa.ArrowException,
    OSError,
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
    OverflowError,
    MemoryError,
)

FOLDER = "journal"
FIELDS = ("number", "at_ns", "kind", "who", "what", "why", "sha256")
GROUP_ROWS = 100_000


@dataclass(frozen=True)
class JournalLine:
    """One entry as it stands in a table or in a file."""

    number: int
    at_ns: int
    kind: str
    who: str
    what: str
    why: str
    sha256: str
    filed: bool = False


def write_lines(path: Path, lines: Sequence[JournalLine]) -> None:
    """Entries into a new file; durable only once it was synced."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    text = {"kind": pa.dictionary(pa.int32(), pa.string()), "who": pa.dictionary(pa.int32(), pa.string())}
    types = [pa.int64(), pa.int64(), text["kind"], text["who"], pa.string(), pa.string(), pa.string()]
    schema = pa.schema(list(zip(FIELDS, types, strict=True)))
    table = pa.table({name: [getattr(line, name) for line in lines] for name in FIELDS}, schema=schema)
    pq.write_table(
        table, path, compression="zstd", compression_level=9, row_group_size=GROUP_ROWS,
        use_dictionary=["kind", "who", "why"], store_schema=False,
    )  # fmt: skip


def read_lines(path: Path) -> Iterator[JournalLine]:
    """Entries of a file in order; StoreDamaged where it cannot be read."""
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            for group in range(file.num_row_groups):
                columns = [file.read_row_group(group).column(name).to_pylist() for name in FIELDS]
                for row in zip(*columns, strict=True):
                    yield JournalLine(*(*row, True))
    except UNREADABLE as error:
        raise StoreDamaged(
            f"The file {path} of the journal cannot be read: {error}. Restore it from a backup; `stillroom "
            "verify` says what is proven."
        ) from error


def journal_seals(conn: Connection) -> list[Any]:
    """Rows of all files of the journal in the order of their first entries; none in an older record."""
    if not inspect(conn).has_table(journal_seal.name):
        return []
    return list(conn.execute(select(journal_seal).order_by(journal_seal.c.first_number)))


def unnamed(conn: Connection, folder: Path, named: Collection[str]) -> list[str]:
    """What stands in the journal's folder beside the files that are named, relative to the data folder.

    A file whose entries are all in the database is none: its sealing is under way, or was interrupted.
    """
    there = (path for path in sorted((folder / FOLDER).rglob("*")) if path.is_file() or path.is_symlink())
    strays = {path.relative_to(folder).as_posix(): path for path in there}
    return [file for file, path in strays.items() if file not in named and not _repeated(conn, path)]


def _repeated(conn: Connection, path: Path) -> bool:
    if path.name.endswith(PART):
        return True
    try:
        digests = {line.number: line.sha256 for line in read_lines(path)}
    except StoreDamaged:
        return False
    if not digests:
        return False
    c = journal.c
    stored = conn.execute(select(c.number, c.sha256).where(c.number.between(min(digests), max(digests))))
    return digests.items() <= {(row.number, row.sha256) for row in stored}


def newest_moved(
    conn: Connection, folder: Path, fits: Callable[[JournalLine], bool], limit: int
) -> list[JournalLine]:
    """Entries in files that fit, the newest `limit` of them, newest first; older files stay shut."""
    lines: list[JournalLine] = []
    for row in sorted(journal_seals(conn), key=lambda row: -row.last_number):
        if len(lines) >= limit and row.last_number < lines[-1].number:
            break
        mine = [line for line in read_lines(folder / row.file) if fits(line)]
        lines = sorted([*lines, *mine], key=lambda line: -line.number)[:limit]
    return lines


def walk(conn: Connection, folder: Path) -> Generator[JournalLine, None, None]:
    """All entries in order, those in files among them, in bounded memory.

    An entry that stands in both, as while it is being moved, comes once; a file that cannot be read gives
    none, which those who count will miss. Who stops before the end closes it, before the transaction ends.
    """
    query = select(*(journal.c[name] for name in FIELDS)).order_by(journal.c.number)
    with conn.execute(query.execution_options(yield_per=5000)) as rows:
        yield from _merged(rows, journal_seals(conn), folder)


def _merged(rows: Iterable[Any], seals: Sequence[Any], folder: Path) -> Iterator[JournalLine]:
    waiting = [(row.first_number, folder / row.file) for row in reversed(seals)]
    streams: list[tuple[int, int, JournalLine, Iterator[JournalLine]]] = []

    def follow(stream: Iterator[JournalLine]) -> None:
        line = next(stream, None)
        if line is not None:
            heapq.heappush(streams, (line.number, id(stream), line, stream))

    follow(JournalLine(*row) for row in rows)
    last: JournalLine | None = None
    while streams or waiting:
        while waiting and (not streams or waiting[-1][0] <= streams[0][0]):
            follow(_readable(waiting.pop()[1]))
        if not streams:
            continue
        _, _, line, stream = heapq.heappop(streams)
        if last is None or _entry(line) != _entry(last):
            yield line
        last = line
        follow(stream)


def _readable(path: Path) -> Iterator[JournalLine]:
    try:
        yield from read_lines(path)
    except StoreDamaged:
        return


def _entry(line: JournalLine) -> tuple[Any, ...]:
    return tuple(getattr(line, name) for name in FIELDS)
