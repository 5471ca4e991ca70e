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
from .raw_rows import differs, read_rows


def check_documents(conn: Connection, claims: Claims, folder: Path) -> Iterator[str]:
    """A sentence for every row or file that is not what its entry says, is missing, or has no entry."""
    yield from _check_setups(conn, setup, claims.setups, "setup version")
    yield from _check_setups(conn, setup_proposal, claims.proposals, "proposed version")
    refused = {row["version"]: row for row in read_rows(conn, setup_refusal)}
    for version in _differing_keys(refused, claims.refusals):
        yield f"refusal of version {version}: its row is missing, altered, or without its journal entry"
    yield from _check_imports(conn, claims, folder)
    yield from _check_issued(conn, claims, folder)
    yield from _check_reports(claims, folder)
    if {row.key: row.value for row in conn.execute(select(meta))} != dict(claims.founding):
        yield "table meta: does not say what journal entry 1 says about this record"


def _check_setups(
    conn: Connection, table: Table, claimed: Mapping[int, Mapping[str, Any]], called: str
) -> Iterator[str]:
    rows = {row["version"]: row for row in read_rows(conn, table)}
    altered = {version for version, row in rows.items() if _digest(row["texts"]) != row["digest"]}
    for version in sorted(_differing_keys(rows, claimed) | altered):
        yield f"{called} {version}: missing, altered, or without its journal entry"


def _digest(texts: Any) -> str:
    try:
        return text_digest(texts)
    except (TypeError, AttributeError, LookupError):  # no JSON, or JSON of another shape
        return ""


def _check_imports(conn: Connection, claims: Claims, folder: Path) -> Iterator[str]:
    rows = {row["sha256"]: row for row in read_rows(conn, import_file)}
    for sha256 in sorted(_differing_keys(rows, claims.imports)):
        yield f"imported file {sha256}: its row is missing, altered, or without its journal entry"
    for sha256, claim in claims.imports.items():
        if not _same(folder / claim["original"], sha256):
            yield f"file {claim['original']}: the imported original is missing or altered"


def _check_issued(conn: Connection, claims: Claims, folder: Path) -> Iterator[str]:
    rows = {row["number"]: row for row in read_rows(conn, issue)}
    for number in sorted(rows.keys() | claims.records.keys()):
        claim = claims.records.get(number)
        if differs(rows.get(number), claim and claim["row"]):
            yield f"record {number}: its row is missing, altered, or without its journal entry"
        for name, sha256 in (claim["files"] if claim else {}).items():
            file = f"records/{number:06d}/{name}"
            if not _same(folder / file, sha256):
                yield f"file {file}: missing, or not as it was issued"


def _check_reports(claims: Claims, folder: Path) -> Iterator[str]:
    for number, files in claims.reports.items():
        for name, sha256 in files.items():
            file = f"studies/{number:06d}/{name}"
            if not _same(folder / file, sha256):
                yield f"file {file}: missing, or not as it was issued"
    named = {f"{number:06d}" for number in claims.reports}
    for path in sorted((folder / "studies").glob("*")):
        if path.name not in named:
            yield f"folder studies/{path.name}: has no entry in the journal"


def _differing_keys(
    rows: Mapping[Any, Mapping[str, Any]], claimed: Mapping[Any, Mapping[str, Any]]
) -> set[Any]:
    return {key for key in rows.keys() | claimed.keys() if differs(rows.get(key), claimed.get(key))}


def _same(path: Path, sha256: str) -> bool:
    return path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == sha256
