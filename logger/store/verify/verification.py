"""The walk over the whole record: chain, sealed files, batches, setups, originals, issued records.

Nothing is believed because a table says so: tables only say where to look, the chain says what
must be found there. A head that left the machine (printed on a record, mailed, in a backup)
also shows a chain that was cut off or made anew.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row, bindparam, func, select
from sqlalchemy.exc import DatabaseError

from ...errors import ArchiveAway, StoreDamaged
from ...series import Int
from ..archive.archive import Archive
from ..archive.month_file import CHANNEL_FACTS, SEAL_FACTS
from ..archive.overview import Overviews
from ..archive.sealed_file import SealedFile, read_sealed
from ..files import sha256_of
from ..hot.arrays import fetch_arrays
from ..hot.clocks import check_clocks
from ..hot.database import quick_check
from ..hot.home import Home
from ..hot.journal_files import unnamed
from ..hot.name_table import NameTable
from ..hot.seals import sealed_channel, under_seal
from ..hot.tables import batch, disposal, journal_seal, reading, seal, seal_channel
from ..hot.tables import name as known_name
from ..types import Verification
from .accounts import check_people
from .acts import check_acts
from .claims import Claims, read_chain
from .documents import check_documents
from .raw_rows import differs, read_rows
from .shape import check_shape
from .unread import Unread

MOST = 2**63 - 1
READERS = min(4, os.cpu_count() or 1)
CHANNEL_FIELDS = (*CHANNEL_FACTS, "from_ns", "to_ns", "upto_arrival")


class Verifier:
    """One verification; names every fault in a sentence and goes on."""

    def __init__(
        self, database: Home, names: NameTable, archive: Archive, overviews: Overviews, folder: Path
    ) -> None:
        self._database = database
        self._names = names
        self._archive = archive
        self._overviews = overviews
        self._folder = folder
        self._faults: list[str] = []
        self._spans: dict[str, list[Int]] = {}  # writer -> runs of numbers that were found
        self._sources: set[str] = set()  # of sealed readings
        self._broken: set[str] = set()  # sealed files with faults: nothing can be held against them
        self._away = Unread()
        self._readings = 0
        self._disposed: list[str] = []

    def verify(self, heads: Sequence[tuple[int, str]] = ()) -> Verification:
        """Walk everything; `heads` are (number, digest) pairs that left the machine earlier."""
        with self._database.read() as conn:
            if fault := quick_check(conn):
                self._faults.append(f"database {self._database.called}: {fault}")
            claims = Claims()
            checks = (
                self._files,
                self._disposals,
                self._files_of_journal,
                self._index_of_batches,
                self._batches,
                lambda conn, claims: check_documents(conn, claims, self._folder),
                self._known_names,
                lambda conn, claims: check_acts(conn, claims.acts),
                lambda conn, claims: check_clocks(conn, claims.clocks),
                lambda conn, claims: check_people(conn, claims.people),
                self._check_unsealed,
                lambda conn, _claims: check_shape(conn),
                lambda _conn, _claims: self._overviews.find_altered(self._broken | self._away.files),
            )
            self._run(lambda: read_chain(conn, self._folder, dict(heads), claims))
            for check in checks:
                self._run(lambda check=check: check(conn, claims))  # type: ignore[misc]
        return Verification(
            tuple(self._faults),
            claims.entries,
            claims.batches,
            len(claims.seals.keys() - claims.disposals.keys()) - len(self._away.files),
            self._readings,
            claims.head,
            tuple(self._disposed),
            unread=tuple(self._away.sentences()),
        )

    def _run(self, check: Callable[[], Iterable[str]]) -> None:
        """Collect faults; what cannot even be read is one more, and the rest is still worth knowing."""
        try:
            for fault in check():
                self._faults.append(fault)
        except ArchiveAway as error:
            self._away.note(str(error))
        except StoreDamaged as error:
            self._faults.append(str(error))
        except DatabaseError as error:
            self._faults.append(f"database {self._database.called}: {error.orig}")
        except (ValueError, TypeError, AttributeError, KeyError, OverflowError) as error:
            self._faults.append(f"database {self._database.called}: a row cannot be understood: {error!r}")

    def _files(self, conn: Connection, claims: Claims) -> Iterator[str]:
        """Every sealed file against its seal, and the rows that lead to it against the journal."""
        rows = {row.number: row for row in conn.execute(select(seal))}
        for number in sorted(rows.keys() - claims.seals.keys()):
            yield f"seal {number}: has no entry in the journal"
        for number, what in claims.seals.items():
            yield from self._index_of_seal(conn, number, what, rows.get(number))
            if number in claims.disposals:
                self._account_disposed(claims.disposals[number])
        standing = [what for number, what in claims.seals.items() if number not in claims.disposals]
        # Hashing and decompressing let go of the interpreter, so that files are read side by side.
        with ThreadPoolExecutor(READERS) as readers:
            for what, read in zip(standing, readers.map(self._read, standing), strict=True):
                if read is None:
                    self._away.add(what)
                    continue
                file, spans = read
                yield from file.faults
                if file.simulated and claims.founding.get("simulated") != "true":
                    yield f"file {what['file']}: holds simulated readings, in the record of a real room"
                self._broken |= {what["file"]} if file.faults else set()
                self._readings += file.rows
                self._sources |= file.sources
                for writer, numbers in spans.items():
                    self._spans.setdefault(writer, []).append(numbers)

    def _read(self, what: Mapping[str, Any]) -> tuple[SealedFile, dict[str, Int]] | None:
        """What was found but for its numbers, and the runs of those by writer: little of each file.

        None where its place is away; that is not waited for again, file by file.
        """
        if self._away.why:
            return None
        try:
            file = read_sealed(self._archive, what)
        except ArchiveAway as error:
            self._away.note(str(error))
            return None
        spans = {writer: runs(seqs) for writer, seqs in file.seqs.items()}
        return replace(file, seqs={}), spans

    def _account_disposed(self, act: Mapping[str, Any]) -> None:
        """A file that two people disposed of: its absence is explained, its numbers are accounted for."""
        self._disposed.append(
            f"file {act['file']}: disposed of by {act['who']}, approved by {act['approver']} (journal "
            f"entry {act['number']}); it held {act['rows']} readings from {act['from']} to {act['to']}"
        )
        for writer, spans in act["numbers"].items():
            self._spans.setdefault(writer, []).append(np.array(spans, np.int64))

    def _disposals(self, conn: Connection, claims: Claims) -> Iterator[str]:
        """The table of disposals hides files from readers: it must say what the journal says."""
        rows = {row.seal: row.number for row in conn.execute(select(disposal))}
        for number in sorted(rows.keys() | claims.disposals.keys()):
            if rows.get(number) != claims.disposals.get(number, {}).get("number"):
                yield f"disposal of seal {number}: its row is missing, altered, or without its journal entry"

    def _index_of_seal(
        self, conn: Connection, number: int, what: Mapping[str, Any], row: Row[Any] | None
    ) -> Iterator[str]:
        if row is None or any(getattr(row, name) != what[name] for name in SEAL_FACTS):
            yield f"seal {number}: its row is missing or altered; the journal names file {what['file']}"
        rows = conn.execute(select(seal_channel).where(seal_channel.c.number == number)).all()
        texts = self._names.texts([entry.channel for entry in rows], conn)
        actual = {texts[entry.channel]: [getattr(entry, name) for name in CHANNEL_FIELDS] for entry in rows}
        common = {name: what[name] for name in ("from_ns", "to_ns", "upto_arrival")}
        expected = {
            key: [{**common, **claim}[name] for name in CHANNEL_FIELDS]
            for key, claim in what["channels"].items()
        }
        for key in sorted(expected.keys() | actual.keys()):
            if expected.get(key) != actual.get(key):
                yield f"seal {number}: its row for channel {key} is missing or altered"

    def _index_of_batches(self, conn: Connection, claims: Claims) -> Iterator[str]:
        """The table of batches leads from readings to digests: it must say what the journal says."""
        rows = conn.execute(select(batch).order_by(batch.c.number).execution_options(yield_per=5000))
        counted = 0
        for row in rows:
            counted += 1
            claim = claims.ranges.get(row.number)
            name = self._names.texts([row.writer], conn)[row.writer]
            if claim is None:
                yield f"batch {row.number}: has no entry in the journal"
            elif claim != (name, row.first_seq, row.last_seq, row.first_arrival):
                yield f"batch {row.number}: altered, the journal says {claim[1]} to {claim[2]}"
        if counted < len(claims.ranges):
            present = set(conn.execute(select(batch.c.number)).scalars())
            for number in sorted(claims.ranges.keys() - present):
                yield f"batch {number}: its row is missing"

        newest = select(func.max(batch.c.last_seq)).where(
            batch.c.writer
            == select(known_name.c.id)
            .where(known_name.c.kind == "writer", known_name.c.text == bindparam("writer"))
            .scalar_subquery()
        )
        for writer, last in claims.last_seq.items():
            if conn.execute(newest, {"writer": writer}).scalar() != last:
                yield f"writer {writer}: the row of its newest batch is missing, which the next one counts on"

    def _files_of_journal(self, conn: Connection, claims: Claims) -> Iterator[str]:
        """Every file of the journal, and the row that leads to it, against its entry."""
        rows = {row["number"]: row for row in read_rows(conn, journal_seal)}
        for number in sorted(rows.keys() | claims.journal_seals.keys()):
            what = claims.journal_seals.get(number)
            if differs(rows.get(number), what):
                yield f"journal seal {number}: its row is missing, altered, or without its journal entry"
            if what is None:
                continue
            path = self._folder / what["file"]
            if not path.is_file():
                yield f"file {what['file']}: missing; it held {what['entries']} entries of the journal"
            elif sha256_of(path) != what["sha256"]:
                yield f"file {what['file']}: altered; it holds {what['entries']} entries of the journal"
        named = {what["file"] for what in claims.journal_seals.values()}
        for file in sorted(unnamed(conn, self._folder, named)):
            yield (
                f"file {file}: is in the journal's folder, and no entry names it; the database may be "
                "older than the folder, or somebody put the file there"
            )

    def _batches(self, conn: Connection, claims: Claims) -> Iterator[str]:
        """Hot rows against the digests of their batches; and every number of every writer once."""
        for writer in conn.execute(select(reading.c.writer).distinct()).scalars().all():
            try:
                seqs = _visible_seqs(conn, writer)
            except StoreDamaged as error:
                yield f"hot readings of writer {self._names.texts([writer], conn)[writer]}: {error}"
                yield from self._archive.batches.find_altered(conn, writer, 1, MOST)
                continue
            if len(seqs):
                self._readings += len(seqs)
                name = self._names.texts([writer], conn)[writer]
                self._spans.setdefault(name, []).append(runs(seqs))
                yield from self._archive.batches.find_altered(conn, writer, int(seqs[0]), int(seqs[-1]))
        for name in sorted(self._spans.keys() | claims.last_seq.keys()):
            if self._away.files:  # which numbers those hold is not known
                break
            yield from _holes(name, self._spans.get(name, []), claims.last_seq.get(name, 0))

    def _known_names(self, conn: Connection, _claims: Claims) -> Iterator[str]:
        """A text under another kind would not be found by it, and its readings with it."""
        used = {
            "writer": (reading.c.writer, batch.c.writer),
            "channel": (reading.c.channel, seal_channel.c.channel),
            "boot": (reading.c.boot,),
            "source": (reading.c.source,),
        }
        kinds = {row.id: row.kind for row in conn.execute(select(known_name))}
        for kind, columns in used.items():
            for column in columns:
                for number in sorted(set(conn.execute(select(column).distinct()).scalars())):
                    if kinds.get(number) != kind:
                        yield f"name {number}: missing, or not the {kind} that {column.table.name} names"
        for source in sorted(self._sources - set(self._names.all_texts("source"))):
            yield f"name {source!r}: a source of sealed readings that is not listed as one"

    def _check_unsealed(self, _conn: Connection, _claims: Claims) -> Iterator[str]:
        if self._away.why:
            return
        for file in self._archive.leftovers():
            if not self._archive.is_in_hot_tier(file):
                yield (
                    f"file {file}: is in the archive without a seal, and the hot tier does not hold its "
                    "readings; the database may be older than the archive"
                )


def runs(seqs: Int) -> Int:
    """Ascending numbers as runs: shape (n, 2), first and last of each.

    >>> runs(np.array([1, 2, 3, 7])).tolist()
    [[1, 3], [7, 7]]
    """
    if not len(seqs):
        return np.empty((0, 2), np.int64)
    breaks = np.flatnonzero(np.diff(seqs) != 1)
    first = seqs[np.concatenate([[0], breaks + 1])]
    last = seqs[np.concatenate([breaks, [len(seqs) - 1]])]
    return np.stack([first, last], axis=1)


def _visible_seqs(conn: Connection, writer: int) -> Int:
    """Numbers of the hot rows of a writer that no seal covers, ascending."""
    c = reading.c
    query = select(c.channel, c.taken_ns, c.arrival, c.seq).where(c.writer == writer)
    channels, taken_ns, arrival, seqs = fetch_arrays(conn, query, (np.int64,) * 4)
    under = np.zeros(len(seqs), np.bool_)
    for channel in np.unique(channels).tolist():
        mine = channels == channel
        under[mine] = under_seal(taken_ns[mine], arrival[mine], sealed_channel(conn, channel))
    return np.asarray(np.sort(seqs[~under]))


def _holes(writer: str, parts: Sequence[Int], last: int) -> Iterator[str]:
    """A sentence for the first number of a writer that is nowhere, or there twice, or unclaimed."""
    spans = np.concatenate(parts) if parts else np.empty((0, 2), np.int64)
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    follow = np.concatenate([[0], spans[:, 1]]) + 1
    starts = np.concatenate([spans[:, 0], [last + 1]])
    wrong = np.flatnonzero(starts != follow)
    if not len(wrong):
        return
    start, expected = int(starts[wrong[0]]), int(follow[wrong[0]])
    if start > expected:
        yield f"writer {writer}: readings {expected} to {start - 1} are missing, neither hot nor sealed"
    else:
        yield f"writer {writer}: reading {start} is there more than once, or no batch claims it"
