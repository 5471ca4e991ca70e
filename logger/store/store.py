"""The store of one data folder: the record of truth, behind one door."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from types import TracebackType

from sqlalchemy import Connection, select

from .. import __version__
from ..errors import StoreError, StoreInUse
from ..model import Row
from ..series import ImportedReadings
from .archive.archive import Archive
from .archive.bulk_load import BulkLoader
from .archive.journal_months import JournalSealing
from .archive.overview import Overviews
from .archive.sealed_content import FOLDER as ARCHIVE
from .archived import refuse_archived
from .disposal import Disposal, DisposalRequest, Disposals
from .folder_check import check_folder
from .hot import tables
from .hot.address import STORE_FILE, open_home
from .hot.clocks import Clocks
from .hot.database import FILE, RESTORING, upgrade_copy_path
from .hot.home import Home
from .hot.import_register import ImportRegister
from .hot.journal import Journal
from .hot.migrations import NEWEST
from .hot.name_table import NameTable
from .hot.readings import HotTier
from .hot.request_keys import RequestKeys
from .hot.setups import Setups
from .hot.studies import StudyTable
from .hot.value_decisions import ValueDecisions
from .hot.verdict_cache import VerdictTable
from .queries import ReadingQueries
from .types import JSON, Batch, Seal, Verification
from .verify.verification import Verifier

FORMAT = 1


class Store:
    """One data folder. One object per process; every method may be called from any thread.

    Each part of the record is an attribute: `readings` to read, `overviews` for charts, `journal`,
    `setups`, `imports`, `clocks`, `decisions`, `verdict_cache`, `studies`, `request_keys`; the tiers `hot`
    and `archive`.
    What needs several parts at once is a method: transactions, loading, sealing, disposal, verification.
    """

    def __init__(self, folder: Path, database: Home) -> None:
        self.folder = folder
        self._database = database
        self._names = NameTable(database)
        self.journal = Journal(database)
        self.hot = HotTier(database, self._names, self.journal)
        self.archive = Archive(folder, database, self._names, self.hot, self.journal)
        self.journal_sealing = JournalSealing(folder, database, self.journal)
        self._intake = BulkLoader(folder, database, self._names, self.hot, self.archive)
        self.clocks = Clocks(database, self.journal, self._names)
        self.decisions = ValueDecisions(database, self.journal)
        corrections = (self.clocks, self.decisions)
        self.readings = ReadingQueries(database, self._names, self.hot, self.archive, corrections)
        self.overviews = Overviews(folder, database, self._names, self.archive)
        self.setups = Setups(database, self.journal)
        self.verdict_cache = VerdictTable(database)
        self.imports = ImportRegister(database, self.journal, folder)
        self.studies = StudyTable(database)
        self.request_keys = RequestKeys(database)
        self.simulated = False
        self.key = ""  # of this record alone, given when it was founded

    @classmethod
    def open(
        cls, folder: Path, *, create: bool = False, simulated: bool | None = None, read_only: bool = False
    ) -> Store:
        """Open the store of a folder, or make one with `create`.

        `simulated` is recorded for ever when the store is made; asking for the other kind later
        raises StoreError, so that simulated readings never enter the record of a real room.
        `read_only` leaves every byte as it is. Raises StoreDamaged when the file is not whole.
        """
        folder = Path(folder)
        check_folder(folder, create and not read_only)
        if not read_only and (folder / RESTORING).exists():
            raise StoreError(
                f"A restore into {folder} was interrupted; nothing was changed. Repeat it: `stillroom "
                "restore --from DIR` goes over what it left, once the folder is named with --data."
            )
        if not read_only:
            refuse_archived(folder)
        store = cls(folder, open_home(folder, read_only))
        try:
            if read_only:
                store._database.check_tables()
            else:
                store._database.prepare(create, store._journal_upgrade)
            store._settle(simulated)
            store._find_archive()
            if not read_only:
                store.archive.tidy()
        except BaseException:
            store.close()
            raise
        return store

    def close(self) -> None:
        """Let go of the files."""
        self._database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def check_place(self) -> None:
        """Raise StoreGone where the folder is not the one that was opened."""
        self._database.check_place()

    @property
    def read_only(self) -> bool:
        """Whether every byte stays as it is."""
        return self._database.read_only

    def refuse_read_only(self) -> None:
        """StoreError where nothing may be written, before anything is written beside the database."""
        if self.read_only:
            refuse_archived(self.folder)
            raise StoreError(f"{self.folder} was opened for reading only; nothing was changed.")

    def lock_service(self) -> AbstractContextManager[None]:
        """Be the one service on this folder; StoreInUse names the process that already is."""
        return self._database.lock_service()

    def keep_lock(self) -> None:
        """Hold the lock of this service still; StoreTaken where another service was there meanwhile."""
        self._database.keep_lock()

    def stands(self, entry: tuple[int, str]) -> bool:
        """Whether an entry of the journal was committed after all; `entry`: that of a StoreUnanswered."""
        return self._database.stands(entry)

    def lock(self, name: str, wait_s: float = 5.0) -> AbstractContextManager[bool]:
        """Try for so long to hold a lock of this record against other processes; gives whether it is ours."""
        return self._database.lock(name, wait_s)

    def begin(self) -> AbstractContextManager[Connection]:
        """A writing transaction on the tables of `tables.py`: all of it or nothing."""
        return self._database.begin()

    def read(self) -> AbstractContextManager[Connection]:
        """A reading transaction on the tables of `tables.py`: one snapshot."""
        return self._database.read()

    # Readings

    def append(self, writer: str, rows: Sequence[Row], conn: Connection | None = None) -> Batch:
        """Store rows under the next numbers of their writer; on the disk when this or `conn` is done."""
        return self.hot.append(writer, rows, conn)

    def load_series(self, writer: str, series: Sequence[ImportedReadings], now_ns: int) -> None:
        """Store the readings of a file, one series a channel; inside `importing`, whole or not at all.

        Months that are over go into sealed files at once where it has many readings of them.
        """
        room = self.setups.room_key()
        if files := self._intake.load(writer, series, now_ns, lambda _: room):
            self.overviews.build([part.channel for part in series], files)

    # The archive and the proof

    def seal(self, now_ns: int, rooms: Mapping[str, str] | None = None) -> list[Seal]:
        """Seal every complete UTC month that ended two days ago or earlier; gives the new seals.

        `rooms` says of channels to which room they belong; without it, and for those it does not
        name, that is the room of the newest setup.
        """
        room = self.setups.room_key()
        sealed = self.archive.seal(now_ns, lambda channel: (rooms or {}).get(channel, room))
        if sealed:
            self.overviews.build(self.readings.channels())
        self.journal_sealing.seal()
        return sealed

    def dispose(
        self, request: DisposalRequest, now_ns: int, keep_years: int | None, *, dry_run: bool = False
    ) -> Disposal:
        """Let whole sealed files go by a recorded act of two people; Refused without authority."""
        where = (self.folder, self._database, self._names, self.archive, self.journal)
        return Disposals(*where).dispose(request, now_ns, keep_years, dry_run=dry_run)

    def file(self, name: str) -> Path | bytes:
        """A file that the record names, by its path below the data folder: where it lies, or its bytes."""
        sealed = name.startswith(f"{ARCHIVE}/")
        return self.archive.content.origin(name) if sealed else self.folder / name

    def snapshot(self, path: Path) -> None:
        """The database as it is now, as one new file; the service goes on meanwhile."""
        self._database.snapshot(path)

    def verify(self, heads: Sequence[tuple[int, str]] = ()) -> Verification:
        """Walk the whole record and name everything altered, missing or out of order.

        `heads` are (number, digest) of journal heads that left this machine, on a record, say.
        """
        return Verifier(self._database, self._names, self.archive, self.overviews, self.folder).verify(heads)

    @contextmanager
    def importing(self) -> Iterator[None]:
        """Be the one import on this folder: what is stored does not change between comparing and adding."""
        with self._database.lock("import.lock", wait_s=600.0) as ours:
            if not ours:
                raise StoreInUse(f"Another import into {self.folder} has been running for ten minutes.")
            yield

    def _journal_upgrade(self, conn: Connection, old_schema: str) -> None:
        """The journal says from when on a newer program keeps this record, and where the old tables are."""
        copy_name = upgrade_copy_path(self.folder / FILE, old_schema).name
        what: dict[str, JSON] = {"from": old_schema, "to": NEWEST, "kept": copy_name, "program": __version__}
        why = "a newer program; validate it before its verdicts are relied on"
        self.journal.append("schema", "stillroom", what, why, conn)

    def _settle(self, simulated: bool | None) -> None:
        """Learn whether this record is simulated; decide it when the store is new."""
        facts = _meta(self)
        if not facts and not self._database.read_only:
            facts = self._create_record(bool(simulated))
        self.simulated, self.key = facts.get("simulated") == "true", facts.get("id", "")
        self.archive.simulated = self.simulated
        if simulated is not None and simulated != self.simulated:
            actual, expected = ("simulated" if kind else "real" for kind in (self.simulated, simulated))
            raise StoreError(
                f"{self.folder} holds the record of a {actual} room; expected that of a {expected} room."
            )

    def _find_archive(self) -> None:
        """Learn where the sealed files are: without store.toml in this folder, and nothing is imported."""
        if not (self.folder / STORE_FILE).exists():
            return
        from .archive.file_place import place_at
        from .store_file import archive_table

        if table := archive_table(self.folder):
            copies = self.folder / table.copy_folder if table.copy_folder else None
            self.archive.content.use(place_at(table.at, table.endpoint), copies)

    def _create_record(self, simulated: bool) -> dict[str, str]:
        facts = {"format": str(FORMAT), "id": uuid.uuid4().hex, "simulated": json.dumps(simulated)}
        with self.begin() as conn:
            if not conn.execute(select(tables.meta)).first():  # another process may have been faster
                self.journal.append("store", "stillroom", dict(facts), "the record begins", conn)
                conn.execute(tables.meta.insert(), [{"key": k, "value": v} for k, v in facts.items()])
        return _meta(self)


def _meta(store: Store) -> dict[str, str]:
    with store.read() as conn:
        return {row.key: row.value for row in conn.execute(select(tables.meta))}
