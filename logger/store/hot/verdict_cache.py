"""What is kept beside the readings: judged pieces, newest statements, imported originals."""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, Table, select

from ...errors import StoreError
from ..files import write_durably
from ..types import JSON, ImportedFile
from .database import Database
from .journal import Journal
from .tables import import_file, live, piece


class VerdictTable:
    """Pieces and statements: a cache of what was judged, replaced at will."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put_days(
        self, zone: str, pieces: Mapping[int, tuple[str, str]], statement: str | None = None
    ) -> None:
        """Keep day -> (input digest, body) of a zone and its newest statement, all in one transaction."""
        with self._database.begin() as conn:
            if statement is not None:
                _replace(conn, live, {"zone": zone}, {"body": statement})
            for day, (key, body) in pieces.items():
                _replace(conn, piece, {"zone": zone, "day": day}, {"key": key, "body": body})

    def days(self, zone: str, first_day: int, end_day: int) -> dict[int, tuple[str, str]]:
        """Day -> (input digest, body) of those kept in [first_day, end_day)."""
        query = select(piece).where(piece.c.zone == zone, piece.c.day >= first_day, piece.c.day < end_day)
        with self._database.read() as conn:
            return {row.day: (row.key, row.body) for row in conn.execute(query.order_by(piece.c.day))}

    def drop_days(self, zone: str, days: Sequence[int]) -> None:
        """Forget what is kept of these days of a zone."""
        if days:
            with self._database.begin() as conn:
                conn.execute(piece.delete().where(piece.c.zone == zone, piece.c.day.in_(days)))

    def put_live(self, zone: str, body: str) -> None:
        """Keep the newest statement about a zone."""
        with self._database.begin() as conn:
            _replace(conn, live, {"zone": zone}, {"body": body})

    def live(self) -> dict[str, str]:
        """The newest statement about each zone."""
        with self._database.read() as conn:
            return {row.zone: row.body for row in conn.execute(select(live).order_by(live.c.zone))}


class Imports:
    """Files that were imported, each kept as it came."""

    def __init__(self, database: Database, journal: Journal, folder: Path) -> None:
        self._database = database
        self._journal = journal
        self._folder = folder

    def find(self, sha256: str) -> ImportedFile | None:
        """What is known of a file with this digest; None when it never came."""
        with self._database.read() as conn:
            row = conn.execute(select(import_file).where(import_file.c.sha256 == sha256)).first()
        return _imported_file(row) if row is not None else None

    def all(self) -> list[ImportedFile]:
        """Every imported file in order of time."""
        with self._database.read() as conn:
            return [
                _imported_file(row) for row in conn.execute(select(import_file).order_by(import_file.c.at_ns))
            ]

    def record(
        self,
        sha256: str,
        name: str,
        content: bytes,
        summary: Mapping[str, JSON],
        *,
        who: str,
        at_ns: int | None,
    ) -> None:
        """Keep the original under originals/ and journal the import. A second time changes nothing."""
        actual = hashlib.sha256(content).hexdigest()
        if actual != sha256:
            raise StoreError(
                f"The content of {name} has SHA-256 {actual}, not {sha256}; it was not recorded."
            )
        if self.find(sha256) is not None:
            return
        original = f"originals/{sha256[:12]}-{_safe_name(name)}"
        write_durably(self._folder / original, content)
        with self._database.begin() as conn:
            what: dict[str, JSON] = {
                "sha256": sha256,
                "name": name,
                "at_ns": time.time_ns() if at_ns is None else at_ns,
                "original": original,
                "summary": dict(summary),
            }
            self._journal.append("import", who, what, conn=conn)
            conn.execute(import_file.insert().values(**what))


def _replace(conn: Connection, table: Table, key: Mapping[str, Any], values: Mapping[str, Any]) -> None:
    match = [table.c[name] == value for name, value in key.items()]
    if conn.execute(table.update().where(*match).values(**values)).rowcount == 0:
        conn.execute(table.insert().values(**key, **values))


def _safe_name(name: str) -> str:
    """A file name that every file system takes, still readable."""
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", os.path.basename(name.replace("\\", "/")))
    return stem.strip(".")[-80:] or "file"


def _imported_file(row: Row[Any]) -> ImportedFile:
    return ImportedFile(row.sha256, row.name, row.at_ns, row.original, row.summary)
