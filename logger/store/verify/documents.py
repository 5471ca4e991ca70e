"""Setups, proposals, imported originals and issued records, against what the journal says of each."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select

from ..hot.setups import text_digest
from ..hot.tables import import_file, issue, meta, setup, setup_proposal, setup_refusal
from .claims import Claims
from .raw_rows import differs, stored


def check_papers(conn: Connection, claims: Claims, folder: Path) -> Iterator[str]:
    """A sentence for every row or file that is not what its entry says, is missing, or has no entry."""
    yield from _setups(conn, setup, claims.setups, "setup version")
    yield from _setups(conn, setup_proposal, claims.proposals, "proposed version")
    refused = {row["version"]: row for row in stored(conn, setup_refusal)}
    for version in _unlike(refused, claims.refusals):
        yield f"refusal of version {version}: its row is missing, altered, or without its journal entry"
    yield from _imports(conn, claims, folder)
    yield from _issued(conn, claims, folder)
    if {row.key: row.value for row in conn.execute(select(meta))} != dict(claims.founding):
        yield "table meta: does not say what journal entry 1 says about this record"


def _setups(
    conn: Connection, table: Table, told: Mapping[int, Mapping[str, Any]], called: str
) -> Iterator[str]:
    rows = {row["version"]: row for row in stored(conn, table)}
    altered = {version for version, row in rows.items() if _digest(row["texts"]) != row["digest"]}
    for version in sorted(_unlike(rows, told) | altered):
        yield f"{called} {version}: missing, altered, or without its journal entry"


def _digest(texts: Any) -> str:
    try:
        return text_digest(texts)
    except (TypeError, AttributeError):  # no JSON, or JSON of another shape
        return ""


def _imports(conn: Connection, claims: Claims, folder: Path) -> Iterator[str]:
    rows = {row["sha256"]: row for row in stored(conn, import_file)}
    for sha256 in sorted(_unlike(rows, claims.imports)):
        yield f"imported file {sha256}: its row is missing, altered, or without its journal entry"
    for sha256, told in claims.imports.items():
        if not _same(folder / told["original"], sha256):
            yield f"file {told['original']}: the imported original is missing or altered"


def _issued(conn: Connection, claims: Claims, folder: Path) -> Iterator[str]:
    rows = {row["number"]: row for row in stored(conn, issue)}
    for number in sorted(rows.keys() | claims.records.keys()):
        told = claims.records.get(number)
        if differs(rows.get(number), told and told["row"]):
            yield f"record {number}: its row is missing, altered, or without its journal entry"
        for name, sha256 in (told["files"] if told else {}).items():
            file = f"records/{number:06d}/{name}"
            if not _same(folder / file, sha256):
                yield f"file {file}: missing, or not as it was issued"


def _unlike(rows: Mapping[Any, Mapping[str, Any]], told: Mapping[Any, Mapping[str, Any]]) -> set[Any]:
    return {key for key in rows.keys() | told.keys() if differs(rows.get(key), told.get(key))}


def _same(path: Path, sha256: str) -> bool:
    return path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == sha256
