"""The readings of a file, stored whole or not at all: complete months at once as sealed files.

Years of readings would else be written to the hot tier only to be sealed and deleted there. A seal
speaks for all of its channels and month that arrived before it: a channel of which the hot tier
holds readings in that month goes there as well, and is sealed in due course.

Files first, each synced and read back, then one transaction with everything that leads to them.
`Archive.begin` says beforehand which files these are: what an interruption leaves is removed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection

from ...series import ImportedReadings
from ..hot.home import Home
from ..hot.name_table import NameTable
from ..hot.readings import HotTier, next_arrival
from ..rows import Columns, columns_of_series
from ..types import Batch
from .archive import AGE_NS, LOCK, Archive
from .month_file import ChannelFacts, Month, channel_facts, whole_and_days
from .months import month_of, month_span
from .unsealed import is_hot

LEAST = 20_000  # readings: smaller files would crowd the archive, and the hot tier takes few at once
AT_ONCE = 50_000  # readings of one hot batch: what goes to the driver are objects, half a kilobyte each

Span = tuple[str, int, int]  # room, from, to


class _LateReadings(Exception):
    """Readings of such a month reached the hot tier while its file was written."""


@dataclass(frozen=True)
class _File:
    """A file that stands, without its seal yet; arrivals in it are the numbers of its writer."""

    span: Span
    facts: dict[str, Any]
    channels: dict[str, ChannelFacts]
    batches: list[Batch]


class BulkLoader:
    """Stores the readings of a file. The caller makes sure that one import runs at a time."""

    def __init__(
        self, folder: Path, database: Home, names: NameTable, hot: HotTier, archive: Archive
    ) -> None:
        self._folder = folder
        self._database = database
        self._names = names
        self._hot = hot
        self._archive = archive

    def load(
        self, writer: str, series: Sequence[ImportedReadings], now_ns: int, room_of: Callable[[str], str]
    ) -> dict[str, list[ImportedReadings]]:
        """Store series, each ascending in time and of its own channel; gives what each sealed file holds."""
        with self._database.lock(LOCK, wait_s=5.0) as ours:
            months = self._months(series, now_ns, room_of) if ours else {}
            files = self._seal_months(writer, months, _remaining_parts(series, months)) if months else {}
            if files:
                return files
        with self._database.begin() as conn:
            self._append(conn, writer, series)
        return {}

    def _months(
        self, series: Sequence[ImportedReadings], now_ns: int, room_of: Callable[[str], str]
    ) -> dict[Span, list[ImportedReadings]]:
        """What of it makes whole files of its own: months that are over, and full enough."""
        before_ns, _ = month_span(*month_of(now_ns - AGE_NS))
        by_span: dict[Span, list[ImportedReadings]] = {}
        with self._database.read() as conn:
            for channel_series in series:
                number = self._names.number("channel", channel_series.channel)
                for from_ns, to_ns, part in _by_month(channel_series):
                    if to_ns <= before_ns and (number is None or not is_hot(conn, number, from_ns, to_ns)):
                        by_span.setdefault((room_of(channel_series.channel), from_ns, to_ns), []).append(part)
        return {
            span: parts
            for span, parts in sorted(by_span.items(), key=lambda item: item[0])
            if sum(len(part.taken_ns) for part in parts) >= LEAST
        }

    def _seal_months(
        self, writer: str, months: dict[Span, list[ImportedReadings]], others: Sequence[ImportedReadings]
    ) -> dict[str, list[ImportedReadings]]:
        """Files, then all that leads to them; none, with nothing changed, where readings came between."""
        with self._database.read() as conn:
            first = self._hot.read_next_seq(conn, writer)
        self._archive.reach()
        names = {span: self._archive.free_file(Month(*span, {})) for span in months}
        self._archive.note_begun(list(names.values()))
        try:
            files = self._files(writer, months, names, first)
            with self._database.begin() as conn:
                self._register_names(conn, [part for parts in months.values() for part in parts])
                self._record_files(conn, writer, first, files)
                self._append(conn, writer, others)
        except _LateReadings:
            return {}
        finally:
            self._archive.remove_unfinished()
        return {names[span]: parts for span, parts in months.items()}

    def _files(
        self, writer: str, months: dict[Span, list[ImportedReadings]], names: dict[Span, str], first: int
    ) -> list[_File]:
        """All files, two at a time: most of the work is done where another thread may run."""
        with ThreadPoolExecutor(2, "stillroom-seal") as pool:
            coming = []
            for span, parts in months.items():
                coming.append(pool.submit(self._file, names[span], span, writer, parts, first))
                first += sum(len(part.taken_ns) for part in parts)
            return [file.result() for file in coming]

    def _file(
        self, file: str, span: Span, writer: str, parts: Sequence[ImportedReadings], first: int
    ) -> _File:
        """Write one file; what reads back is compared with the readings, numbered once more."""
        batches: list[Batch] = []

        def facts_of(columns: Columns) -> ChannelFacts:
            whole, days = whole_and_days(columns)
            batches.append(Batch(0, writer, int(columns.seq[0]), int(columns.seq[-1]), whole))
            return channel_facts(columns, days)

        channels = self._archive.write(file, _number_channels(writer, parts, first), facts_of)
        facts = self._archive.settle(file, channels, _number_channels(writer, parts, first))
        return _File(span, facts, channels, batches)

    def _register_names(self, conn: Connection, series: Sequence[ImportedReadings]) -> None:
        """List what sealed readings name, as it is of hot ones."""
        self._names.numbers(conn, "source", [part.source for part in series])
        self._names.numbers(conn, "boot", [""])

    def _record_files(self, conn: Connection, writer: str, first: int, files: Sequence[_File]) -> None:
        """Batches and seals of the files, in a transaction in which nothing stands against them."""
        if self._hot.next_seq(conn, writer) != first:
            raise _LateReadings
        number = self._names.numbers(conn, "writer", [writer])[writer]
        shift = next_arrival(conn) - first  # from the numbers of the writer to arrivals
        numbers = self._names.numbers(conn, "channel", (key for file in files for key in file.channels))
        perhaps_hot = _perhaps_hot(conn, numbers.values(), files)
        for file in files:
            channels = {key: numbers[key] for key in file.channels}
            if any(is_hot(conn, channel, *file.span[1:]) for channel in perhaps_hot & {*channels.values()}):
                raise _LateReadings
            for batch in file.batches:
                self._hot.chain_batch(conn, number, batch, batch.first + shift)
            sealed = {
                key: replace(facts, last_arrival=facts.last_arrival + shift)
                for key, facts in file.channels.items()
            }
            month, upto = Month(*file.span, channels), file.batches[-1].last + shift
            self._archive.record_seal(conn, month, upto, file.facts, sealed)

    def _append(self, conn: Connection, writer: str, series: Sequence[ImportedReadings]) -> None:
        for channel_series in series:
            for n in range(0, len(channel_series.taken_ns), AT_ONCE):
                part = columns_of_series(writer, channel_series.part(slice(n, n + AT_ONCE)))
                self._hot.append_columns(writer, part, conn)


def _perhaps_hot(conn: Connection, channels: Iterable[int], files: Sequence[_File]) -> set[int]:
    """Which channels have hot readings anywhere between the ends of all files: as a rule none.

    One question a channel, where one a channel and month takes a third of the transaction.
    """
    from_ns, to_ns = min(file.span[1] for file in files), max(file.span[2] for file in files)
    return {channel for channel in channels if is_hot(conn, channel, from_ns, to_ns)}


def _by_month(series: ImportedReadings) -> Iterator[tuple[int, int, ImportedReadings]]:
    """UTC months of ascending readings: first instant, first instant after it, those of it."""
    begin = 0
    while begin < len(series.taken_ns):
        from_ns, to_ns = month_span(*month_of(int(series.taken_ns[begin])))
        end = int(np.searchsorted(series.taken_ns, to_ns))
        yield from_ns, to_ns, series.part(slice(begin, end))
        begin = end


def _remaining_parts(
    series: Sequence[ImportedReadings], months: dict[Span, list[ImportedReadings]]
) -> list[ImportedReadings]:
    """What goes into no sealed file, in the order of the imported file."""
    in_files = {(part.channel, span[1]) for span, parts in months.items() for part in parts}
    return [
        part
        for channel_series in series
        for from_ns, _, part in _by_month(channel_series)
        if (channel_series.channel, from_ns) not in in_files
    ]


def _number_channels(writer: str, parts: Sequence[ImportedReadings], seq: int) -> Iterator[Columns]:
    """Each channel under its numbers, which stand for its arrivals as well."""
    for part in parts:
        plain = columns_of_series(writer, part)
        numbers = plain.seq + seq
        yield replace(plain, seq=numbers, arrival=numbers)
        seq += len(plain)
