"""The only way in which a reading ever leaves: whole sealed files, by a recorded act of two people.

The journal entry comes first and holds what must be known without the file: its digest, what it
held, and which numbers of which writers, so that their absence is explained and not a fault. What
an interruption leaves standing after that is removed at the next start.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, exists, select

from ..errors import Refused, StoreInUse
from ..instants import NS, rfc3339
from ..model.roles import normalise_name
from .archive.archive import LOCK, Archive
from .archive.sealed_file import SealedFile, read_sealed
from .hot.home import Home
from .hot.journal import Journal, what_of
from .hot.name_table import NameTable
from .hot.seals import all_seals
from .hot.tables import batch, disposal, journal, reading
from .types import JSON, Seal
from .verify.verification import runs


@dataclass(frozen=True)
class DisposalRequest:
    """What two people ask for: everything sealed whose month ended by `before_ns`.

    against: why it may not be, where more is known than the store can see; losing: what rests on those
    readings, for the journal.
    """

    before_ns: int
    who: str
    approver: str
    why: str
    against: str = ""
    losing: Mapping[str, JSON] = field(default_factory=dict)


@dataclass(frozen=True)
class Disposal:
    """What was let go by journal entry `number`; 0 where nothing was."""

    number: int
    files: tuple[str, ...]
    readings: int


class Disposals:
    """Disposal of sealed files of one data folder."""

    def __init__(
        self, folder: Path, database: Home, names: NameTable, archive: Archive, journal: Journal
    ) -> None:
        self._folder = folder
        self._database = database
        self._names = names
        self._archive = archive
        self._journal = journal

    def dispose(
        self, request: DisposalRequest, now_ns: int, keep_years: int | None, *, dry_run: bool = False
    ) -> Disposal:
        """Let whole sealed files go as the retention rule allows; without authority Refused, journalled."""
        if reason := _authority_fault(request, now_ns, keep_years) or request.against:
            self._refuse(request, reason)
        with self._database.lock(LOCK, wait_s=5.0) as ours:
            if not ours:
                raise StoreInUse(
                    f"{self._folder} is being sealed just now; nothing was disposed of. Try again."
                )
            with self._database.read() as conn:
                seals = [seal for seal in all_seals(conn, disposed=False) if seal.to_ns <= request.before_ns]
                files = [self._file_facts(conn, seal, request) for seal in seals]
            readings = sum(seal.rows for seal in seals)
            if dry_run or not seals:
                return Disposal(0, tuple(seal.file for seal in seals), readings)
            number = self._journal_disposal(request, files)
            self._archive.remove_disposed()
        return Disposal(number, tuple(seal.file for seal in seals), readings)

    def _file_facts(self, conn: Connection, month_seal: Seal, request: DisposalRequest) -> dict[str, JSON]:
        """What the entry keeps of a file; Refused where it cannot be let go."""
        entry = conn.execute(select(journal).where(journal.c.number == month_seal.number)).first()
        what = what_of(entry)
        file = read_sealed(self._archive, what)
        if file.faults:
            self._refuse(request, f"{month_seal.file} is not as it was sealed, and disposal would hide it")
        for writer, spans in _numbers(file):
            if self._partly_hot(conn, writer, spans):
                self._refuse(
                    request, f"{month_seal.file} shares a batch with readings that are not sealed yet"
                )
        return {
            "seal": month_seal.number,
            "file": month_seal.file,
            "sha256": month_seal.sha256,
            "rows": month_seal.rows,
            "from": rfc3339(month_seal.from_ns),
            "to": rfc3339(month_seal.to_ns),
            "channels": sorted(what["channels"]),
            "numbers": {writer: [list(span) for span in spans] for writer, spans in _numbers(file)},
        }

    def _partly_hot(self, conn: Connection, writer: str, spans: Sequence[Sequence[int]]) -> bool:
        """Whether a batch of these numbers has readings in the hot tier: its digest needs them all."""
        number = self._names.number("writer", writer)
        first, last = min(span[0] for span in spans), max(span[-1] for span in spans)
        b, r = batch.c, reading.c
        met = (b.writer == number, b.first_seq <= last, b.last_seq >= first)
        hot = exists().where(r.writer == b.writer, r.seq >= b.first_seq, r.seq <= b.last_seq)
        batches = conn.execute(select(b.first_seq, b.last_seq).where(*met, hot)).all()
        return any(a <= row.last_seq and z >= row.first_seq for row in batches for a, z in spans)

    def _journal_disposal(self, request: DisposalRequest, files: list[dict[str, JSON]]) -> int:
        what: dict[str, Any] = {
            "approver": request.approver,
            "before": rfc3339(request.before_ns),
            "files": files,
        }
        what |= {"losing": dict(request.losing)} if request.losing else {}
        with self._database.begin() as conn:
            entry = self._journal.append("disposal", request.who, what, request.why, conn)
            rows = [{"seal": seal["seal"], "number": entry.number} for seal in files]
            conn.execute(disposal.insert(), rows)
        return entry.number

    def _refuse(self, request: DisposalRequest, reason: str) -> None:
        what: dict[str, JSON] = {
            "approver": request.approver,
            "before": rfc3339(request.before_ns),
            "reason": reason,
        }
        self._journal.append("disposal-refused", request.who, what, request.why)
        raise Refused(f"Nothing was disposed of: {reason}. The attempt is in the journal.")


def _numbers(file: SealedFile) -> Iterator[tuple[str, list[list[int]]]]:
    for writer, seqs in sorted(file.seqs.items()):
        yield writer, runs(seqs).tolist()


def _authority_fault(request: DisposalRequest, now_ns: int, keep_years: int | None) -> str:
    """Why these two may not do this; empty where they may."""
    people = [normalise_name(name) for name in (request.who, request.approver)]
    if not all(people):
        return "it needs two people, one who requests it and one who approves it"
    if people[0] == people[1]:
        return f"it needs two different people, and {request.who.strip()} was named twice"
    if not request.why.strip():
        return "the reason is missing"
    if keep_years is None:
        return "the setup has no [retention] in service.toml, so everything stays"
    until_ns = _years_before(now_ns, keep_years)
    if request.before_ns > until_ns:
        return f"[retention] keeps readings for {keep_years} years: all that came after {rfc3339(until_ns)}"
    return ""


def _years_before(now_ns: int, years: int) -> int:
    now = datetime.fromtimestamp(now_ns // NS, UTC)
    day = min(now.day, 28)  # of a leap day there is none in most years
    return int(now.replace(year=now.year - years, day=day).timestamp()) * NS
