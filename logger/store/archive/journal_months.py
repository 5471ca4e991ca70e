"""Entries of batches whose readings are sealed leave the database for files that never change again.

They would grow without end, seven times as fast as the sealed readings that they prove. The order is that
of `archive.py`: write aside, sync, name, read back and compare, journal, delete in later transactions; at
every moment each entry stands in the table or in a file under its seal, or in both.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, delete, exists, func, select

from ...errors import StoreDamaged, StoreError
from ..files import PART, plain_write_errors, publish, sync_file
from ..hot.home import Home
from ..hot.journal import Journal, digest
from ..hot.journal_files import FIELDS, FOLDER, JournalLine, read_lines, write_lines
from ..hot.tables import batch, journal, journal_seal, reading
from ..types import JSON
from .archive import LOCK

KIND = "journal-seal"
LEAST, MOST = 5_000, 200_000  # entries of a file: fewer are not worth one, more would need much memory
DELETED_AT_ONCE = 10_000


class JournalSealing:
    """Moves entries of one data folder."""

    def __init__(self, folder: Path, database: Home, entries: Journal) -> None:
        self._folder = folder
        self._database = database
        self._journal = entries

    def seal(self, least: int = LEAST) -> list[str]:
        """Move what can be moved, once it is at least so many entries; gives the new files.

        Another process that is sealing is left to it: then the answer is empty.
        """
        with self._database.lock(LOCK, wait_s=5.0) as ours:
            if not ours:
                return []
            self._finish()
            return list(self._seal_entries(least))

    def _seal_entries(self, least: int) -> Iterator[str]:
        while True:
            with self._database.read() as conn:
                lines = _movable(conn)
                _refuse_altered(lines)
                count = conn.execute(select(func.count()).select_from(journal_seal)).scalar_one()
            if len(lines) < least:
                return
            file = f"{FOLDER}/journal-{count + 1:04d}.parquet"
            self._write_file(self._folder / file, lines)
            self._record_seal(file, lines)
            self._finish()
            yield file

    def _write_file(self, path: Path, lines: Sequence[JournalLine]) -> None:
        """Write and read back; what an interruption left under that name has no seal and goes."""
        part = path.with_name(path.name + PART)
        with plain_write_errors(path):
            path.parent.mkdir(exist_ok=True)
            write_lines(part, lines)
            sync_file(part)
            publish(part, path)
        read_back = [tuple(getattr(line, name) for name in FIELDS) for line in read_lines(path)]
        if read_back != [tuple(getattr(line, name) for name in FIELDS) for line in lines]:
            path.unlink()
            raise StoreError(
                f"{path} did not read back as it was written, and was removed. Nothing was lost: the entries"
                " are still in the database. Check this disk, then try again."
            )

    def _record_seal(self, file: str, lines: Sequence[JournalLine]) -> None:
        content = (self._folder / file).read_bytes()
        what: dict[str, JSON] = {
            "file": file,
            "first_number": lines[0].number,
            "last_number": lines[-1].number,
            "entries": len(lines),
            "size_bytes": len(content),
            "sha256": hashlib.sha256(content).hexdigest(),
        }
        with self._database.begin() as conn:
            entry = self._journal.append(
                KIND, "stillroom", {**what, "last_sha256": lines[-1].sha256}, conn=conn
            )
            conn.execute(journal_seal.insert().values(number=entry.number, **what))

    def _finish(self) -> None:
        """Delete what stands under the newest seal, but each writer's newest batch: the next counts on it."""
        with self._database.read() as conn:
            newest = conn.execute(
                select(journal_seal).order_by(journal_seal.c.number.desc()).limit(1)
            ).first()
            left = newest is not None and _any_left(conn, newest)
            newest_batches = set(
                conn.execute(select(func.max(batch.c.number)).group_by(batch.c.writer)).scalars()
            )
        if newest is None or not left:
            return
        numbers = (line.number for line in read_lines(self._folder / newest.file))
        while block := list(islice(numbers, DELETED_AT_ONCE)):
            with self._database.begin() as conn:
                for part in _chunks(block):
                    gone = [number for number in part if number not in newest_batches]
                    conn.execute(delete(batch).where(batch.c.number.in_(gone)))
                    conn.execute(delete(journal).where(journal.c.number.in_(part), journal.c.kind == "batch"))


def _chunks(numbers: Sequence[int]) -> Iterator[Sequence[int]]:
    """Few enough for one statement each."""
    for at in range(0, len(numbers), 500):
        yield numbers[at : at + 500]


def _any_left(conn: Connection, newest: Any) -> bool:
    c = journal.c
    within = (c.number >= newest.first_number, c.number <= newest.last_number, c.kind == "batch")
    return conn.execute(select(c.number).where(*within).limit(1)).first() is not None


def _movable(conn: Connection) -> list[JournalLine]:
    """Entries of batches of which the hot tier holds no reading any more, oldest first."""
    b, r = batch.c, reading.c
    hot = exists().where(r.writer == b.writer, r.seq >= b.first_seq, r.seq <= b.last_seq)
    query = (
        select(*(journal.c[name] for name in FIELDS))
        .join(batch, b.number == journal.c.number)
        .where(journal.c.kind == "batch", ~hot)
        .order_by(journal.c.number)
        .limit(MOST)
    )
    return [JournalLine(*row) for row in conn.execute(query)]


def _refuse_altered(lines: Sequence[JournalLine]) -> None:
    """An entry that was changed in the database must not become a sealed truth."""
    for before, line in pairwise(lines):
        if line.number != before.number + 1:
            continue  # the one between is no batch, or is hot: `verify` walks through all of them
        facts = {name: getattr(line, name) for name in ("number", "at_ns", "kind", "who", "what", "why")}
        if digest(**facts, previous=before.sha256) != line.sha256:
            raise StoreDamaged(
                f"Not sealed: journal entry {line.number} was altered; `stillroom verify` lists all that is."
            )
