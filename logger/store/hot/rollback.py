"""Back to the older program: the record as it was kept before an upgrade, in a folder of its own.

Before a newer program changes the tables, it keeps a copy of the database beside it. That copy with the files
that it names is the older record, digest for digest. What came after it is in the newer record alone. The
older record is an embedded one, also where the newer one is on a database server.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from ...errors import Refused
from ...model.figures import number_of
from .address import STORE_FILE, open_home
from .database import FILE
from .head_seen import FILE as HEAD_SEEN
from .home import Home

_OWN = (FILE, "archived.json", HEAD_SEEN)


@dataclass(frozen=True)
class RollBack:
    """From which schema back to which; what the older record lacks: counts, and since when in ns."""

    schema: str
    newer: str
    readings: int
    entries: int
    since_ns: int | None
    versions: int

    def lines(self) -> list[str]:
        """What is lost, in words."""
        return [
            f"The record of schema {self.newer} as the program of schema {self.schema} left it.",
            f"It lacks {number_of(self.readings, 'reading')}, "
            f"{number_of(self.entries, 'entry', 'entries')} of the journal and "
            f"{number_of(self.versions, 'version')} of the setup that came after the upgrade.",
            "They stay in the newer folder, which was not changed; export them from there.",
        ]


def kept_copies(folder: Path) -> dict[str, Path]:
    """Schema -> the database that was kept before an upgrade from it, oldest first."""
    return {path.name.rpartition("-")[2]: path for path in sorted(folder.glob(f"{FILE}.schema-*"))}


def roll_back(folder: Path, schema: str, out: Path, *, dry_run: bool = False) -> RollBack:
    """Write the older record into the new folder `out`; Refused where no copy was kept or `out` holds files.

    dry_run: only say what it would lack. The folder itself stays as it is.
    """
    copies = kept_copies(folder)
    if schema not in copies:
        there = ", ".join(copies) or "none"
        raise Refused(f"{folder} keeps no database of schema {schema!r}; kept are: {there}.")
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refused(f"{out} is not an empty folder; nothing was written. Name another one with --out.")
    with closing(open_home(folder, read_only=True)) as home, home.lock_service():
        with _as_file(folder, home) as newer:
            lost = _lost(copies[schema], newer, schema)
        if not dry_run:
            shutil.copytree(folder, out, dirs_exist_ok=True, ignore=_left_out)
            shutil.copyfile(copies[schema], out / FILE)
            _take_home(out)
    return lost


@contextmanager
def _as_file(folder: Path, home: Home) -> Iterator[Path]:
    """The newer database as a file of the embedded kind."""
    if (folder / FILE).exists():
        yield folder / FILE
        return
    with tempfile.TemporaryDirectory(prefix="stillroom-") as scratch:
        home.snapshot(Path(scratch) / FILE)
        yield Path(scratch) / FILE


def _take_home(folder: Path) -> None:
    """What says where the parts of a record lie no longer names a database server."""
    if (folder / STORE_FILE).exists():
        from ..store_file import replace_table

        replace_table(folder, "hot", None)


def _left_out(_folder: str, names: list[str]) -> set[str]:
    """The newer database with what belongs to it, and the copies."""
    beside = (f"{FILE}-", f"{FILE}.schema-", f"{FILE}.moved")
    return {name for name in names if name in _OWN or name.startswith(beside)}


def _lost(older: Path, newer: Path, schema: str) -> RollBack:
    with closing(_open(older)) as old, closing(_open(newer)) as new:
        return RollBack(
            schema,
            str(_number(new, "SELECT version_num FROM alembic_version")),
            _stored(new) - _stored(old),
            _number(new, "SELECT max(number) FROM journal") - _number(old, "SELECT max(number) FROM journal"),
            _number(old, "SELECT max(at_ns) FROM journal"),
            _number(new, "SELECT count(*) FROM setup") - _number(old, "SELECT count(*) FROM setup"),
        )


def _open(path: Path) -> sqlite3.Connection:
    """A database that is only read; without a WAL it is taken as it lies: no file appears beside it."""
    wal = path.with_name(f"{path.name}-wal")
    how = "mode=ro" if wal.exists() and wal.stat().st_size else "mode=ro&immutable=1"
    return sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True)


def _number(connection: sqlite3.Connection, query: str) -> int:
    return connection.execute(query).fetchone()[0] or 0


def _stored(connection: sqlite3.Connection) -> int:
    """Readings that were ever stored, by the numbers of their batches."""
    return _number(connection, "SELECT sum(last_seq - first_seq + 1) FROM batch")
