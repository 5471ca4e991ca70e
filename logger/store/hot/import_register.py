"""The register of imported files: what came, when and how much of it; the originals stand beside it."""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Row, select

from ...errors import StoreError
from ..files import copy_durably, sha256_of, write_durably
from ..types import JSON, ImportedFile
from .home import Home
from .journal import Journal
from .tables import import_file


class ImportRegister:
    """Files that were imported, each original stored as it came."""

    def __init__(self, database: Home, journal: Journal, folder: Path) -> None:
        self._database = database
        self._journal = journal
        self._folder = folder

    def find(self, sha256: str) -> ImportedFile | None:
        """The entry of the file with this digest; None when it never came."""
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
        content: bytes | Path,
        summary: Mapping[str, JSON],
        *,
        who: str = "import",
        at_ns: int | None = None,
    ) -> None:
        """Store the original bit-identical under originals/ and journal the import.

        A file that is registered already changes nothing. `content`: its bytes, or where it lies.
        """
        actual = sha256_of(content) if isinstance(content, Path) else hashlib.sha256(content).hexdigest()
        if actual != sha256:
            raise StoreError(
                f"The content of {name} has SHA-256 {actual}, not {sha256}; it was not recorded."
            )
        if self.find(sha256) is not None:
            return
        original = f"originals/{sha256[:12]}-{_safe_name(name)}"
        if isinstance(content, Path):
            copy_durably(content, self._folder / original)
        else:
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


def _safe_name(name: str) -> str:
    """A file name that every file system takes, still readable."""
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", os.path.basename(name.replace("\\", "/")))
    return stem.strip(".")[-80:] or "file"


def _imported_file(row: Row[Any]) -> ImportedFile:
    return ImportedFile(row.sha256, row.name, row.at_ns, row.original, row.summary)
