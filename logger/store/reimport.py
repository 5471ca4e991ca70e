"""A record begun anew from an export: same readings under the same numbers, same originals, own journal."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import Refused, StoreDamaged
from ..instants import rfc3339
from .database import RESTORING
from .export import FORMAT, MANIFEST, day_digests
from .facts import Verification
from .restore import Restored, refuse_occupied
from .rows import Columns, joined
from .store import Store
from .target import inside, plain_target_errors, read_json, sha256_of, written

AT_ONCE = 50_000  # readings of one batch


def is_export(folder: Path) -> bool:
    """Whether a folder holds an export of a whole record."""
    return (read_json(folder / MANIFEST) or {}).get("format") == FORMAT


def begin_from(source: Path, data: Path, who: str, now_ns: int) -> Restored:
    """Make a new record of an export in a new or empty folder; its digests must be those of the old one.

    The journal of the old record is not continued: it is in the export, and the new one names its head.
    """
    manifest = read_json(source / MANIFEST) or {}
    refuse_occupied(data)
    if not manifest.get("complete"):
        raise Refused(
            f"{source} lacks readings that were disposed of, so its numbers have holes: nothing was made. A "
            "backup of that record can be restored; an export of it can be read."
        )
    _checked(source, manifest)
    with plain_target_errors(data):
        _cleared(data)
    with Store.open(data, create=True, simulated=bool(manifest["simulated"])) as store:
        with plain_target_errors(data):
            written(data / RESTORING, b"export\n")
        _filled(store, source, manifest, who)
        store.seal(now_ns)
        if day_digests(store) != manifest["days"]:
            raise StoreDamaged(
                f"What was read from {source} has other digests than it says; {data} is not to be used."
            )
        what = {"export": manifest["at"], "head": manifest["head"], "record": manifest["record"]}
        store.journal.append("restore", who, what, "begun from an export")
        verification: Verification = store.verify()
        newest_ns = store.newest_ns()
    with plain_target_errors(data):
        (data / RESTORING).unlink()
    return Restored(f"export of {rfc3339(manifest['at_ns'])}", manifest["at_ns"], newest_ns, verification)


def _checked(source: Path, manifest: Mapping[str, Any]) -> None:
    """Every file of the export against its digest, before anything is made."""
    for name, sha256 in manifest["files"].items():
        path = inside(source, name)
        if not path.is_file() or sha256_of(path) != sha256:
            raise StoreDamaged(
                f"{path} is missing or altered: the export is not as it was written; nothing was made."
            )


def _cleared(data: Path) -> None:
    """Take away what an interrupted attempt left; the marker says that nothing else is there."""
    if (data / RESTORING).is_file():
        shutil.rmtree(data)


def _filled(store: Store, source: Path, manifest: Mapping[str, Any], who: str) -> None:
    for version in json.loads((source / "setup" / "versions.json").read_bytes()):
        store.put_setup(
            version["texts"], version["who"], version["why"], version["approver"], version["at_ns"]
        )
    for one in json.loads((source / "imports.json").read_bytes()):
        content = inside(source, one["original"]).read_bytes()
        store.record_import(one["sha256"], one["name"], content, one["summary"], who=who, at_ns=one["at_ns"])
    files = [name for name in manifest["files"] if name.endswith(".parquet")]
    spans = {name: _spans(store, source, name) for name in files}
    for writer in sorted({writer for span in spans.values() for writer in span}):
        for rows in _in_order(store, source, spans, writer):
            store.append(writer, rows.rows())


def _rows(store: Store, source: Path, name: str) -> Columns:
    return store.rows_in(name, inside(source, name).read_bytes())


def _spans(store: Store, source: Path, name: str) -> dict[str, tuple[int, int]]:
    """Writer -> first and last of its numbers in a file."""
    rows, found = _rows(store, source, name), {}
    for code, writer in enumerate(rows.writer.table):
        seq = rows.seq[rows.writer.codes == code]
        if len(seq):
            found[writer] = (int(seq.min()), int(seq.max()))
    return found


def _in_order(
    store: Store, source: Path, spans: Mapping[str, Mapping[str, tuple[int, int]]], writer: str
) -> Iterator[Columns]:
    """All readings of a writer, ascending in their numbers, in blocks."""
    mine = {name: span[writer] for name, span in spans.items() if writer in span}
    last = max(high for _, high in mine.values())
    kept: dict[str, Columns] = {}
    for first in range(1, last + 1, AT_ONCE):
        wanted = [name for name, (low, high) in mine.items() if low < first + AT_ONCE and high >= first]
        kept = {name: kept[name] if name in kept else _rows(store, source, name) for name in wanted}
        parts = []
        for rows in kept.values():
            here = rows.writer.codes == rows.writer.table.index(writer)
            parts.append(rows.part(here & (rows.seq >= first) & (rows.seq < first + AT_ONCE)))
        block = joined(parts)
        yield block.part(np.argsort(block.seq, kind="stable"))
