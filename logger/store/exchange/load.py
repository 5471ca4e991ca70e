"""A record begun anew from an export: same readings under the same numbers, same originals, own journal."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ...errors import Refused, StoreDamaged
from ...instants import rfc3339
from ..backup.folder import inside, plain_target_errors, write_file
from ..backup.restore import RestoreResult, refuse_occupied
from ..files import sha256_of
from ..hot.database import RESTORING
from ..hot.journal import FIRST, digest
from ..rows import Columns, join_columns
from ..store import Store
from ..types import Verification
from .export import FORMAT, IMPORTS, JOURNAL, MANIFEST, VERSIONS, day_digests, manifest_digest
from .outside import check_parquet, confined, json_in, parsed

_NOTHING = "nothing was made. Take another copy of the export, or restore a backup"
AT_ONCE = 50_000  # readings of one batch


def is_export(folder: Path) -> bool:
    """Whether a folder holds an export of a whole record."""
    return _manifest(folder).get("format") == FORMAT


def _manifest(folder: Path) -> dict[str, Any]:
    """What an export says of itself; nothing where there is none. Refused for JSON made to do harm."""
    path = folder / MANIFEST
    facts = json_in(path) if path.is_file() else {}
    return facts if isinstance(facts, dict) else {}


def load_export(source: Path, data: Path, who: str, now_ns: int) -> RestoreResult:
    """Make a new record of an export in a new or empty folder; its digests must be those of the old one.

    The journal of the old record is not continued: it is in the export, and the new one names its head.
    """
    manifest = _manifest(source)
    refuse_occupied(data)
    if not manifest.get("complete"):
        raise Refused(
            f"{source} lacks readings that were disposed of, so its numbers have holes: nothing was made. A "
            "backup of that record can be restored; an export of it can be read."
        )
    _check_export(source, manifest)
    with plain_target_errors(data):
        _clear(data)
    with Store.open(data, create=True, simulated=bool(manifest["simulated"])) as store:
        with plain_target_errors(data):
            write_file(data / RESTORING, b"export\n")
        _fill(store, source, manifest, who)
        store.seal(now_ns)
        if day_digests(store) != manifest["days"]:
            raise StoreDamaged(
                f"What was read from {source} has other digests than it says; {data} must not be used."
            )
        what = {"export": manifest["at"], "head": manifest["head"], "record": manifest["record"]}
        store.journal.append("restore", who, what, "begun from an export")
        verification: Verification = store.verify()
        newest_ns = store.readings.newest_ns()
    with plain_target_errors(data):
        (data / RESTORING).unlink()
    return RestoreResult(
        f"export of {rfc3339(manifest['at_ns'])}", manifest["at_ns"], newest_ns, verification
    )


def _check_export(source: Path, manifest: Mapping[str, Any]) -> None:
    """Compare every file of the export with its digest before anything is made; gives the manifest."""
    if manifest.get("sha256") != manifest_digest(manifest):
        raise StoreDamaged(
            f"{source / MANIFEST} is altered: its SHA-256 is not the one that it names; {_NOTHING}"
        )
    for name, sha256 in manifest["files"].items():
        path = inside(source, name)
        if not path.is_file() or sha256_of(path) != sha256:
            raise StoreDamaged(
                f"{path} is missing or altered: the export is not as it was written; {_NOTHING}"
            )
    if JOURNAL not in manifest["files"]:
        raise StoreDamaged(f"{source / JOURNAL}: is not listed in the export; {_NOTHING}")
    if fault := confined(source / JOURNAL, _chain_fault, source, manifest):
        raise StoreDamaged(f"{source / JOURNAL}: {fault}; {_NOTHING}")
    for path in (source / VERSIONS, source / IMPORTS):
        json_in(path)
    for name in manifest["files"]:
        if name.endswith(".parquet"):
            check_parquet(inside(source, name))


def _chain_fault(source: Path, manifest: Mapping[str, Any]) -> str:
    return next(_chain_faults(source, manifest), "")


def _chain_faults(source: Path, manifest: Mapping[str, Any]) -> Iterator[str]:
    """The chain of the old record, read from its beginning: it says which record this is, and whose kind."""
    number, previous = FIRST
    founding: dict[str, Any] = {}
    with inside(source, JOURNAL).open(encoding="utf-8") as lines:
        for line in lines:
            entry = parsed(line, source / JOURNAL)
            fields = {name: entry[name] for name in ("number", "at_ns", "kind", "who", "what", "why")}
            if entry["number"] != number + 1 or digest(**fields, previous=previous) != entry["sha256"]:
                yield f"entry {number + 1} was altered, or is missing"
                return
            number, previous = entry["number"], entry["sha256"]
            founding = founding or parsed(entry["what"], source / JOURNAL)
            if number == manifest["head"]["number"] and previous != manifest["head"]["sha256"]:
                yield f"entry {number} is not the head that {MANIFEST} names"
    if number < manifest["head"]["number"]:
        yield f"ends with entry {number}, before the head that {MANIFEST} names"
    if (founding.get("id"), founding.get("simulated")) != (
        manifest["record"],
        json.dumps(manifest["simulated"]),
    ):
        yield f"its first entry is of another record, or of another kind of room, than {MANIFEST} says"


def _clear(data: Path) -> None:
    """Take away what an interrupted attempt left; the marker says that nothing else is there."""
    if (data / RESTORING).is_file():
        shutil.rmtree(data)


def _fill(store: Store, source: Path, manifest: Mapping[str, Any], who: str) -> None:
    for version in json_in(source / VERSIONS):
        store.setups.put(
            version["texts"], version["who"], version["why"], version["approver"], version["at_ns"]
        )
    for file in json_in(source / IMPORTS):
        content = inside(source, file["original"]).read_bytes()
        store.imports.record(
            file["sha256"], file["name"], content, file["summary"], who=who, at_ns=file["at_ns"]
        )
    files = [name for name in manifest["files"] if name.endswith(".parquet")]
    spans = {name: _spans(store, source, name) for name in files}
    for writer in sorted({writer for span in spans.values() for writer in span}):
        for rows in _in_order(store, source, spans, writer):
            store.append(writer, rows.rows())


def _rows(store: Store, source: Path, name: str) -> Columns:
    content = inside(source, name).read_bytes()
    if store.archive.is_simulated(name, content) and not store.simulated:
        raise StoreDamaged(f"{source / name} holds simulated readings, in the export of a real room.")
    return store.archive.rows_in(name, content)


def _spans(store: Store, source: Path, name: str) -> dict[str, tuple[int, int]]:
    """Writer -> first and last of its numbers in a file."""
    rows, spans = _rows(store, source, name), {}
    for code, writer in enumerate(rows.writer.table):
        seq = rows.seq[rows.writer.codes == code]
        if len(seq):
            spans[writer] = (int(seq.min()), int(seq.max()))
    return spans


def _in_order(
    store: Store, source: Path, spans: Mapping[str, Mapping[str, tuple[int, int]]], writer: str
) -> Iterator[Columns]:
    """All readings of a writer, ascending in their numbers, in blocks."""
    mine = {name: span[writer] for name, span in spans.items() if writer in span}
    last = max(high for _, high in mine.values())
    loaded: dict[str, Columns] = {}
    for first in range(1, last + 1, AT_ONCE):
        names = [name for name, (low, high) in mine.items() if low < first + AT_ONCE and high >= first]
        loaded = {name: loaded[name] if name in loaded else _rows(store, source, name) for name in names}
        parts = []
        for rows in loaded.values():
            here = rows.writer.codes == rows.writer.table.index(writer)
            parts.append(rows.part(here & (rows.seq >= first) & (rows.seq < first + AT_ONCE)))
        block = join_columns(parts)
        yield block.part(np.argsort(block.seq, kind="stable"))
