"""Complete months leave the hot tier for files that never change again.

Order, so that a fault at any moment loses nothing and shows nothing twice: write a temporary
file, sync it, give it its name at its place, read it back and compare, journal the seal,
and only in later transactions delete the hot rows. Until the seal stands, readers ignore the
file; from then on they ignore the hot rows under it. Late data makes a further file.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np
from sqlalchemy import Connection, func, select

from ...errors import StoreDamaged, StoreError
from ...series import Bool
from ..files import PART, plain_write_errors, sync_file, write_durably
from ..hot.batch_check import BatchCheck
from ..hot.home import Home
from ..hot.journal import Journal
from ..hot.name_table import NameTable
from ..hot.readings import HotTier
from ..hot.seals import all_seals, sealed_channel, under_seal
from ..hot.tables import reading, seal, seal_channel
from ..place import NOT_OF_THE_FILE, unopened_error
from ..rows import Columns, are_equal, digests, join_columns, sort_columns
from ..types import Seal
from .month_file import SEAL_FACTS, ChannelFacts, Month, channel_facts, days_of, seal_entry, seal_facts
from .months import DAY_NS, month_of, month_span
from .sealed_content import FOLDER, SealedContent
from .unsealed import unsealed_spans

if TYPE_CHECKING:
    from .parquet import ParquetReader

LOCK = "seal.lock"
AGE_NS = 2 * DAY_NS
BEGUN = "begun.json"
LARGE = 5_000_000  # hot rows: about 0.6 GB; then days are sealed before their month is over
DELETED_AT_ONCE = 20_000  # hot rows per transaction, so that polling never waits long


class Archive:
    """The sealed files of one data folder."""

    def __init__(
        self, folder: Path, database: Home, names: NameTable, hot: HotTier, journal: Journal
    ) -> None:
        self._folder = folder
        self._digests: dict[str, str] = {}  # of sealed files, which never change
        self.content = SealedContent(folder, self._sha256_of, read_only=database.read_only)
        self._database = database
        self._names = names
        self._hot = hot
        self._journal = journal
        self.simulated = False  # of the record, known once it was opened: its files say so themselves
        self.batches = BatchCheck(hot, names, self.rows_of)

    def seal(self, now_ns: int, room_of: Callable[[str], str]) -> list[Seal]:
        """Seal every UTC month that ended at least two days ago; gives the new seals.

        Where the hot tier is large (fast probes), every day that ended so long ago, a file for each run.
        Another process that is sealing is left to it: then the answer is empty.
        """
        before_ns, _ = month_span(*month_of(now_ns - AGE_NS))
        if self._hot.count() > LARGE:
            before_ns = (now_ns - AGE_NS) // DAY_NS * DAY_NS
        with self._database.lock(LOCK, wait_s=5.0) as ours:  # a start that tidies up is short
            if not ours:
                return []
            self.reach()
            self._tidy()
            return [self._seal_month(month) for month in self._months(before_ns, room_of)]

    def tidy(self) -> None:
        """Finish or remove what an interrupted seal left, unless somebody is sealing right now.

        A place elsewhere is not asked for it at every start: what lies there is looked at with each seal.
        """
        if not (self._folder / FOLDER).is_dir():
            return
        with self._database.lock(LOCK) as ours:
            if ours and self.content.is_own:
                self._tidy()
            elif ours:
                self._remove_parts()
                self._delete_sealed()

    @contextmanager
    def open(self, file: str, content: bytes | None = None) -> Iterator[ParquetReader]:
        """A sealed file (its bytes, when they were read already); StoreDamaged when it cannot be read."""
        from ..hot.journal_files import UNREADABLE
        from .parquet import ParquetReader

        try:
            with ParquetReader(self.content.read(file) if content is None else content) as reader:
                yield reader
        except UNREADABLE as error:
            if isinstance(error, OSError) and error.errno in NOT_OF_THE_FILE:
                raise unopened_error(Path(self.content.at(file)), error) from error
            why = "it is missing" if isinstance(error, FileNotFoundError) else error
            raise StoreDamaged(
                f"The sealed file {self.content.at(file)} cannot be read: {why}. Restore it from a "
                "backup; `stillroom verify` says what is proven."
            ) from error

    def seals(self, disposed: bool = True) -> list[Seal]:
        """Every seal, oldest first; with `disposed` those as well whose file was disposed of."""
        with self._database.read() as conn:
            return all_seals(conn, disposed)

    def reach(self) -> None:
        """Ask for the newest sealed file at its place; ArchiveAway where that does not answer."""
        if seals := self.seals(disposed=False):
            self.content.see(seals[-1].file)

    def sealed_rows(self, rows: Columns) -> Bool:
        """Mask, shape (n,), of the hot rows, also of an older copy of this record, that lie under a seal."""
        under = np.zeros(len(rows), np.bool_)
        with self._database.read() as conn:
            for code, channel in enumerate(rows.channel.table):
                number, mine = self._names.number("channel", channel), rows.channel.codes == code
                if number is not None:
                    seals = sealed_channel(conn, number)
                    under[mine] = under_seal(rows.taken_ns[mine], rows.arrival[mine], seals)
        return under

    def is_simulated(self, file: str, content: bytes) -> bool:
        """Whether the bytes of a sealed file say that nothing in it was measured."""
        with self.open(file, content) as reader:
            return reader.simulated

    def rows_in(self, file: str, content: bytes | None = None) -> Columns:
        """Everything in a sealed file, or in bytes that stand for it."""
        with self.open(file, content) as reader:
            return reader.columns([group for groups in reader.groups().values() for group in groups])

    def rows_of(self, writer: str, first: int, last: int) -> Columns | None:
        """Sealed readings first..last of a writer, in order of their numbers; None when there are none."""
        parts = [self._rows_in(file, writer, first, last) for file in self._files_of(writer, first, last)]
        filled = [part for part in parts if len(part)]
        if not filled:
            return None
        rows = join_columns(filled)
        return rows.part(np.argsort(rows.seq, kind="stable"))

    def leftovers(self) -> list[str]:
        """Files in the archive that no seal names, relative to the folder, but for those just being made."""
        unfinished = self._begun_files()  # before the seals are read: a file is named or sealed at any moment
        return [file for file in self._unsealed_files() if file not in unfinished]

    def note_begun(self, files: Sequence[str]) -> None:
        """Say which files are about to be made, so that they are known after any interruption."""
        write_durably(self._folder / FOLDER / BEGUN, json.dumps(list(files)).encode())

    def remove_unfinished(self) -> None:
        """Remove what was begun and is not sealed; the caller holds the lock."""
        unfinished = self._begun_files()
        for file in self._unsealed_files() if unfinished else ():
            if file in unfinished:
                self.content.forget(file)
        for part in (self._folder / FOLDER).rglob(f"*{PART}") if unfinished else ():
            if part.relative_to(self._folder).as_posix().removesuffix(PART) in unfinished:
                part.unlink()
        (self._folder / FOLDER / BEGUN).unlink(missing_ok=True)

    def _begun_files(self) -> frozenset[str]:
        """Files that were begun; none where the note cannot be read, so that they stay as evidence."""
        try:
            begun = json.loads((self._folder / FOLDER / BEGUN).read_bytes())
        except (OSError, ValueError, RecursionError):
            return frozenset()
        return frozenset(str(file) for file in begun) if isinstance(begun, list) else frozenset()

    def _unsealed_files(self) -> list[str]:
        files = self.content.files()
        with self._database.read() as conn:
            sealed = {month_seal.file for month_seal in all_seals(conn)}
        return [file for file in files if file.endswith(".parquet") and file not in sealed]

    def remove_disposed(self) -> None:
        """Remove files that were disposed of; the caller holds the lock."""
        with self._database.read() as conn:
            present = {month_seal.file for month_seal in all_seals(conn, disposed=False)}
            gone = [month_seal.file for month_seal in all_seals(conn) if month_seal.file not in present]
        there = frozenset(self.content.files()) if gone else frozenset()
        for file in gone:
            if file in there:
                self.content.remove(file)

    def is_in_hot_tier(self, file: str) -> bool:
        """Whether every reading of an unsealed file is in the hot tier: then the file adds nothing."""
        try:
            with self.open(file) as reader, self._database.read() as conn:
                return all(
                    self._equals_hot(conn, reader.columns(groups)) for groups in reader.groups().values()
                )
        except StoreDamaged:
            return False

    def _equals_hot(self, conn: Connection, columns: Columns) -> bool:
        number = self._names.number("channel", columns.channel[0])
        span = (
            reading.c.taken_ns >= int(columns.taken_ns[0]),
            reading.c.taken_ns <= int(columns.taken_ns[-1]),
        )
        hot = sort_columns(self._hot.select(conn, reading.c.channel == number, *span))
        keys = set(zip((columns.writer[at] for at in range(len(columns))), columns.seq.tolist(), strict=True))
        mask = [(hot.writer[at], int(hot.seq[at])) in keys for at in range(len(hot))]
        return digests(hot.part(np.array(mask, np.bool_)), [0]) == digests(columns, [0])

    def _files_of(self, writer: str, first: int, last: int) -> list[str]:
        files = []
        with self._database.read() as conn:
            present = {month_seal.number for month_seal in all_seals(conn, disposed=False)}
        for entry in self._journal.entries(kind="seal"):
            writers: Any = entry.what["writers"]
            low, high = writers.get(writer, (1, 0))
            if entry.number in present and low <= last and high >= first:
                files.append(str(entry.what["file"]))
        return files

    def _rows_in(self, file: str, writer: str, first: int, last: int) -> Columns:
        with self.open(file) as reader:
            rows = reader.columns(list(itertools.chain(*reader.groups().values())))
        if writer not in rows.writer.table:
            return rows.part(slice(0))
        mine = rows.writer.codes == rows.writer.table.index(writer)
        return rows.part(mine & (rows.seq >= first) & (rows.seq <= last))

    def _months(self, before_ns: int, room_of: Callable[[str], str]) -> list[Month]:
        channels = {
            key: number
            for key in self._names.all_texts("channel")
            if (number := self._names.number("channel", key))
        }
        months: dict[tuple[str, int, int], dict[str, int]] = {}
        with self._database.read() as conn:
            for key, number in channels.items():
                for span in unsealed_spans(conn, number, before_ns):
                    months.setdefault((room_of(key), *span), {})[key] = number
        return [Month(room, a, b, months[room, a, b]) for room, a, b in sorted(months)]

    def _seal_month(self, month: Month) -> Seal:
        with self._database.read() as conn:
            upto = conn.execute(select(func.max(reading.c.arrival))).scalar() or 0
            self._refuse_altered(conn, month)
            file = self.free_file(month)
            channels = self.write(
                file, (self._unsealed_rows(conn, n, month, upto) for n in month.channels.values())
            )
        facts = self.settle(file, channels)
        with self._database.begin() as conn:
            sealed = self.record_seal(conn, month, upto, facts, channels)
        self._delete(month, upto)
        return sealed

    def _refuse_altered(self, conn: Connection, month: Month) -> None:
        """A batch that was changed in the hot tier must not become a sealed truth."""
        span = (reading.c.taken_ns >= month.from_ns, reading.c.taken_ns < month.to_ns)
        within = (reading.c.channel.in_(month.channels.values()), *span)
        seqs = select(reading.c.writer, func.min(reading.c.seq), func.max(reading.c.seq)).where(*within)
        for writer, first, last in conn.execute(seqs.group_by(reading.c.writer)).all():
            for fault in self.batches.find_altered(conn, writer, first, last):
                raise StoreDamaged(
                    f"Not sealed: {fault}. Nothing was sealed; `stillroom verify` lists all that is wrong."
                )

    def write(
        self,
        file: str,
        channels: Iterable[Columns],
        facts_of: Callable[[Columns], ChannelFacts] = channel_facts,
    ) -> dict[str, ChannelFacts]:
        """Write one channel after the other, durably, without a name yet; gives what was written."""
        from .parquet import ParquetWriter

        part = self.content.part(file)
        facts = {}
        with plain_write_errors(part):
            part.parent.mkdir(parents=True, exist_ok=True)
            with ParquetWriter(part, self.simulated) as writer:
                for columns in channels:
                    if len(columns):
                        writer.write(columns)
                        facts[columns.channel[0]] = facts_of(columns)
            sync_file(part)
        return facts

    def settle(
        self, file: str, channels: Mapping[str, ChannelFacts], written: Iterable[Columns] | None = None
    ) -> dict[str, Any]:
        """Give a written file its name at its place and read it back; gives the facts for its seal.

        written: the readings once more, where they need not be remembered by their digests.
        """
        content = self.content.put(file)
        self.compare(file, content, channels, written)
        return seal_facts(file, content, channels)

    def compare(
        self,
        file: str,
        content: bytes,
        channels: Mapping[str, ChannelFacts],
        written: Iterable[Columns] | None = None,
    ) -> None:
        """Hold what came back against what was written, or against the digests of the channels' days.

        StoreError, and it is removed, where it differs.
        """
        if written is None:
            days = {key: dict(channel.days) for key, channel in channels.items()}
            same = self._day_digests(file, content) == days
        else:
            same = self._holds(file, content, written)
        if not same:
            self.content.forget(file)
            raise StoreError(
                f"{self.content.at(file)} did not read back as it was written, and was removed. Nothing was "
                "lost: what was to be sealed is still where it was. Check this disk, then try again."
            )

    def _holds(self, file: str, content: bytes, written: Iterable[Columns]) -> bool:
        """Whether a file reads back as these readings, channel by channel, and nothing besides."""
        with self.open(file, content) as reader:
            groups = reader.groups()
            return (
                all(
                    columns.channel[0] in groups
                    and are_equal(reader.columns(groups.pop(columns.channel[0])), columns)
                    for columns in written
                )
                and not groups
            )

    def _unsealed_rows(self, conn: Connection, channel: int, month: Month, upto: int) -> Columns:
        rows = self._hot.select(
            conn,
            reading.c.channel == channel,
            reading.c.taken_ns >= month.from_ns,
            reading.c.taken_ns < month.to_ns,
            reading.c.arrival <= upto,
        )
        seals = sealed_channel(conn, channel, month.from_ns, month.to_ns)
        return sort_columns(rows.part(~under_seal(rows.taken_ns, rows.arrival, seals)))

    def free_file(self, month: Month) -> str:
        """The name of the next file of that room and month."""
        year, number = month_of(month.from_ns)
        folder = f"{FOLDER}/room={quote(month.room, safe='')}/year={year}/month={number:02d}"
        with self._database.read() as conn:
            used = {month_seal.file for month_seal in all_seals(conn)}  # one that vanished keeps its name
        names = (f"{folder}/readings-{count:04d}.parquet" for count in itertools.count(1))
        return next(file for file in names if file not in used and self.content.is_free(file))

    def _day_digests(self, file: str, content: bytes) -> dict[str, dict[str, str]]:
        """Channel -> UTC day -> digest of its readings, as the file reads back."""
        with self.open(file, content) as reader:
            return {key: days_of(reader.columns(groups)) for key, groups in reader.groups().items()}

    def _sha256_of(self, file: str) -> str | None:
        """The SHA-256 in the seal of a file; None without one."""
        if file not in self._digests:
            with self._database.read() as conn:
                self._digests = {month_seal.file: month_seal.sha256 for month_seal in all_seals(conn)}
        return self._digests.get(file)

    def record_seal(
        self,
        conn: Connection,
        month: Month,
        upto: int,
        facts: Mapping[str, Any],
        channels: Mapping[str, ChannelFacts],
    ) -> Seal:
        """Let a file that was read back stand for all of its channels and month that arrived up to `upto`."""
        what, rows = seal_entry(month, upto, facts, channels)
        entry = self._journal.append("seal", "stillroom", what, conn=conn)
        conn.execute(seal.insert().values(number=entry.number, **{name: what[name] for name in SEAL_FACTS}))
        conn.execute(seal_channel.insert(), [{"number": entry.number, **row} for row in rows])
        fields: dict[str, Any] = {name: what[name] for name in SEAL_FACTS if name != "upto_arrival"}
        return Seal(number=entry.number, **fields)

    def _delete(self, month: Month, upto: int) -> None:
        for channel in month.channels.values():
            under = (
                reading.c.channel == channel,
                reading.c.taken_ns >= month.from_ns,
                reading.c.taken_ns < month.to_ns,
                reading.c.arrival <= upto,
            )
            chunk = select(reading.c.arrival).where(*under).limit(DELETED_AT_ONCE)
            gone = DELETED_AT_ONCE
            while gone == DELETED_AT_ONCE:
                with self._database.begin() as conn:
                    gone = conn.execute(reading.delete().where(reading.c.arrival.in_(chunk))).rowcount

    def _tidy(self) -> None:
        self._remove_parts()
        self.remove_unfinished()
        self.remove_disposed()
        for file in self.leftovers():
            # One that holds more than the hot tier is evidence (of an older database restored, for example).
            if self.is_in_hot_tier(file):
                self.content.forget(file)
        self._delete_sealed()

    def _remove_parts(self) -> None:
        for part in (self._folder / FOLDER).rglob(f"*{PART}"):
            part.unlink()

    def _delete_sealed(self) -> None:
        """Delete what is left of the hot rows under the newest seal."""
        with self._database.read() as conn:
            newest = conn.execute(select(seal).order_by(seal.c.number.desc()).limit(1)).first()
            within = select(seal_channel.c.channel).where(
                seal_channel.c.number == (newest.number if newest else 0)
            )
            numbers = {str(number): number for number in conn.execute(within).scalars()}
        if newest is not None:
            self._delete(Month(newest.room, newest.from_ns, newest.to_ns, numbers), newest.upto_arrival)
