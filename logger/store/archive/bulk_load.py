"""What a file tells, stored whole or not at all: complete months at once as sealed files.

Years of readings would else be written to the hot tier only to be sealed and deleted there. A seal
speaks for all of its channels and month that arrived before it: a channel of which the hot tier
holds readings in that month goes there as well, and is sealed in due course.

Files first, each synced and read back, then one transaction with everything that leads to them.
`Archive.begin` says beforehand which files these are: what an interruption leaves is removed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection

from ...series import ImportedReadings
from .. import lock
from ..hot.database import Database
from ..hot.name_table import Names
from ..hot.readings import Hot, next_arrival
from ..rows import Columns, columns_of_series, digests
from ..types import Batch
from .archive import AGE_NS, LOCK, Archive, is_hot
from .month_file import Month, Sealed, seal_facts
from .months import month_of, month_span

LEAST = 20_000  # readings: smaller files would crowd the archive, and the hot tier takes few at once
AT_ONCE = 50_000  # readings of one hot batch: what goes to the driver are objects, half a kilobyte each

Span = tuple[str, int, int]  # room, from, to


class _Overtaken(Exception):
    """Readings of such a month reached the hot tier while its file was written."""


@dataclass(frozen=True)
class _File:
    """A file that stands, without its seal yet; arrivals in it are the numbers of its writer."""

    span: Span
    facts: dict[str, Any]
    channels: dict[str, Sealed]
    batches: list[Batch]


class Intake:
    """Storing all that a file tells. The caller sees to it that one import runs at a time."""

    def __init__(self, folder: Path, database: Database, names: Names, hot: Hot, archive: Archive) -> None:
        self._folder = folder
        self._database = database
        self._names = names
        self._hot = hot
        self._archive = archive

    def take(
        self, writer: str, told: Sequence[ImportedReadings], now_ns: int, room_of: Callable[[str], str]
    ) -> bool:
        """Store series, each ascending in time and of its own channel; gives whether files were sealed."""
        with lock.held(self._folder / LOCK, wait_s=5.0) as ours:
            months = self._months(told, now_ns, room_of) if ours else {}
            if months and self._sealed(writer, months, _others(told, months)):
                return True
        with self._database.begin() as conn:
            self._append(conn, writer, told)
        return False

    def _months(
        self, told: Sequence[ImportedReadings], now_ns: int, room_of: Callable[[str], str]
    ) -> dict[Span, list[ImportedReadings]]:
        """What of it makes whole files of its own: months that are over, and full enough."""
        before_ns, _ = month_span(*month_of(now_ns - AGE_NS))
        found: dict[Span, list[ImportedReadings]] = {}
        with self._database.read() as conn:
            for one in told:
                number = self._names.number("channel", one.channel)
                for from_ns, to_ns, part in _by_month(one):
                    if to_ns <= before_ns and (number is None or not is_hot(conn, number, from_ns, to_ns)):
                        found.setdefault((room_of(one.channel), from_ns, to_ns), []).append(part)
        return {
            span: parts
            for span, parts in sorted(found.items(), key=lambda item: item[0])
            if sum(len(part.taken_ns) for part in parts) >= LEAST
        }

    def _sealed(
        self, writer: str, months: dict[Span, list[ImportedReadings]], others: Sequence[ImportedReadings]
    ) -> bool:
        """Files, then all that leads to them; False, with nothing changed, where readings came between."""
        with self._database.read() as conn:
            first = self._hot.next_of(conn, writer)
        paths = {span: self._archive.free_path(Month(*span, {})) for span in months}
        self._archive.begin(list(paths.values()))
        try:
            files = self._files(writer, months, paths, first)
            with self._database.begin() as conn:
                self._know(conn, [part for parts in months.values() for part in parts])
                self._lead_to(conn, writer, first, files)
                self._append(conn, writer, others)
        except _Overtaken:
            return False
        finally:
            self._archive.settle()
        return True

    def _files(
        self, writer: str, months: dict[Span, list[ImportedReadings]], paths: dict[Span, Path], first: int
    ) -> list[_File]:
        """All files, two at a time: most of the work is done where another thread may run."""
        with ThreadPoolExecutor(2, "stillroom-seal") as pool:
            coming = []
            for span, parts in months.items():
                coming.append(pool.submit(self._file, paths[span], span, _numbered(writer, parts, first)))
                first += sum(len(part.taken_ns) for part in parts)
            return [file.result() for file in coming]

    def _file(self, path: Path, span: Span, columns: Iterator[Columns]) -> _File:
        batches: list[Batch] = []
        channels = self._archive.write(path, _noted(columns, batches))
        self._archive.compare(path, channels)
        return _File(span, seal_facts(self._folder, path, channels), channels, batches)

    def _know(self, conn: Connection, told: Sequence[ImportedReadings]) -> None:
        """List what sealed readings name, as it is of hot ones."""
        self._names.numbers(conn, "source", [part.source for part in told])
        self._names.numbers(conn, "boot", [""])

    def _lead_to(self, conn: Connection, writer: str, first: int, files: Sequence[_File]) -> None:
        """Batches and seals of the files, in a transaction in which nothing stands against them."""
        if self._hot.next_seq(conn, writer) != first:
            raise _Overtaken
        number = self._names.numbers(conn, "writer", [writer])[writer]
        shift = next_arrival(conn) - first  # from the numbers of the writer to arrivals
        for file in files:
            channels = self._names.numbers(conn, "channel", file.channels)
            if any(is_hot(conn, channel, *file.span[1:]) for channel in channels.values()):
                raise _Overtaken
            for told in file.batches:
                self._hot.chained(conn, number, told, told.first + shift)
            sealed = {
                key: replace(one, last_arrival=one.last_arrival + shift) for key, one in file.channels.items()
            }
            month, upto = Month(*file.span, channels), file.batches[-1].last + shift
            self._archive.journalled(conn, month, upto, file.facts, sealed)

    def _append(self, conn: Connection, writer: str, told: Sequence[ImportedReadings]) -> None:
        for one in told:
            for n in range(0, len(one.taken_ns), AT_ONCE):
                part = columns_of_series(writer, one.part(slice(n, n + AT_ONCE)))
                self._hot.append_columns(writer, part, conn)


def _by_month(one: ImportedReadings) -> Iterator[tuple[int, int, ImportedReadings]]:
    """UTC months of ascending readings: first instant, first instant after it, those of it."""
    begin = 0
    while begin < len(one.taken_ns):
        from_ns, to_ns = month_span(*month_of(int(one.taken_ns[begin])))
        end = int(np.searchsorted(one.taken_ns, to_ns))
        yield from_ns, to_ns, one.part(slice(begin, end))
        begin = end


def _others(
    told: Sequence[ImportedReadings], months: dict[Span, list[ImportedReadings]]
) -> list[ImportedReadings]:
    """What no file takes, in the order in which it was told."""
    taken = {(part.channel, span[1]) for span, parts in months.items() for part in parts}
    return [
        part for one in told for from_ns, _, part in _by_month(one) if (one.channel, from_ns) not in taken
    ]


def _numbered(writer: str, parts: Sequence[ImportedReadings], seq: int) -> Iterator[Columns]:
    """Each channel under its numbers, which stand for its arrivals as well."""
    for part in parts:
        plain = columns_of_series(writer, part)
        yield replace(plain, seq=plain.seq + seq, arrival=plain.seq + seq)
        seq += len(plain)


def _noted(blocks: Iterator[Columns], batches: list[Batch]) -> Iterator[Columns]:
    """Pass columns on, and note of each the batch that it makes."""
    for columns in blocks:
        (sha,) = digests(columns, [0])
        batches.append(Batch(0, columns.writer[0], int(columns.seq[0]), int(columns.seq[-1]), sha))
        yield columns
