"""The whole record in open formats, complete enough to begin again from it elsewhere.

export.json               every file with its SHA-256; per channel and UTC day a digest of its readings
README.txt                every column described
archive/room=…/…          sealed files as they are; what is not sealed yet beside them, same columns
originals/                imported files, bit for bit, with imports.json
setup/versions.json       every version of the setup with its files and who put it in force
journal.jsonl             every entry of the chain, one a line, in order
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from ...errors import Refused
from ...instants import rfc3339
from ..archive.month_file import days_of
from ..archive.months import DAY_NS, month_of, month_span
from ..archive.sealed_content import FOLDER
from ..backup.folder import copy_file, plain_target_errors, write_file, write_from, write_json
from ..files import sha256_of
from ..hot.journal import canonical
from ..rows import Columns, sort_columns
from ..store import Store

FORMAT = "stillroom export 1"
MANIFEST = "export.json"
JOURNAL = "journal.jsonl"
IMPORTS = "imports.json"
VERSIONS = "setup/versions.json"
Days = dict[str, dict[str, str]]

README = """The record of a measuring room, written by stillroom{simulated}.

Readings are in archive/, one folder a month (UTC), as Parquet; any program that reads Parquet reads them:

    import pandas
    pandas.read_parquet("archive")

{columns}
Values are as they came, in the probe's own unit; corrections are in the certificates, which are in
setup/versions.json with everything else that was in force. journal.jsonl has every act; each entry has
the SHA-256 of
    {{"at_ns":…,"kind":…,"number":…,"previous":"<that of the entry before>","what":…,"who":…,"why":…}}
in UTF-8 without white space, keys in this order, `what` exactly as it stands in the line's field `what`.
originals/ are imported files bit for bit; imports.json says what each was. `proven`, `author_proven` and
`approver_proven` say whether an account proved the name: true, false, or null where no person acted.
export.json has the SHA-256 of every file, one of the readings of each channel and day, and one of itself: of
its facts but `sha256`, as JSON without white space, keys sorted.
"""


@dataclass(frozen=True)
class ExportSummary:
    """What an export holds."""

    files: tuple[str, ...]
    readings: int


@dataclass(frozen=True)
class ProvenNames:
    """Whether an account proved who acted: of each version, and of each imported file by its SHA-256."""

    versions: Mapping[int, Mapping[str, bool | None]] = field(default_factory=dict)
    imports: Mapping[str, bool | None] = field(default_factory=dict)


def export(store: Store, out: Path, now_ns: int, proven: ProvenNames | None = None) -> ExportSummary:
    """Write everything into a new or empty folder; the manifest comes last."""
    proven = proven or ProvenNames()
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise Refused(f"{out} is not an empty folder; nothing was written. Name another one with --out.")
    with plain_target_errors(out):
        out.mkdir(parents=True, exist_ok=True)
        head = store.journal.head()
        files = (
            dict(_copy_sealed(store, out))
            | dict(_write_unsealed(store, out))
            | dict(_copy_originals(store, out, proven))
        )
        files |= dict(_write_texts(store, out, proven))
        days, readings = _digest_readings(store)
        manifest = {
            "format": FORMAT,
            "record": store.key,
            "simulated": store.simulated,
            "at": rfc3339(now_ns),
            "at_ns": now_ns,
            "head": {"number": head[0], "sha256": head[1]},
            "complete": len(store.archive.seals()) == len(store.archive.seals(disposed=False)),
            "readings": readings,
            "files": dict(sorted(files.items())),
            "days": days,
        }
        write_json(out / MANIFEST, {**manifest, "sha256": manifest_digest(manifest)})
    return ExportSummary((*sorted(files), MANIFEST), readings)


def manifest_digest(manifest: Mapping[str, Any]) -> str:
    """SHA-256 of all that an export says of itself but this digest: canonical JSON, as in the journal."""
    facts = {name: value for name, value in manifest.items() if name != "sha256"}
    return hashlib.sha256(canonical(facts).encode()).hexdigest()


def day_digests(store: Store) -> Days:
    """Channel -> UTC day -> SHA-256 over all its readings of that day, however many files hold them."""
    return _digest_readings(store)[0]


def _digest_readings(store: Store) -> tuple[Days, int]:
    days: Days = {}
    readings = 0
    for rows in _months(store):
        days.setdefault(rows.channel[0], {}).update(days_of(rows))
        readings += len(rows)
    return days, readings


def _months(store: Store) -> Iterator[Columns]:
    """The readings of each channel and month, in the order of the record."""
    hot = store.hot.all_rows()
    days = np.unique(hot.taken_ns // DAY_NS) * DAY_NS
    spans = {month_span(*month_of(at)) for at in days.tolist()}
    spans |= {(seal.from_ns, seal.to_ns) for seal in store.archive.seals(disposed=False)}
    for channel in store.readings.channels():
        for from_ns, to_ns in sorted(spans):
            rows = store.readings.columns(channel, from_ns, to_ns)
            if len(rows):
                yield rows


def _copy_sealed(store: Store, out: Path) -> Iterator[tuple[str, str]]:
    for seal in store.archive.seals(disposed=False):
        yield seal.file, write_from(store.file(seal.file), out / seal.file)


def _write_unsealed(store: Store, out: Path) -> Iterator[tuple[str, str]]:
    from ..archive.parquet import ParquetWriter

    hot = store.hot.all_rows()
    hot = hot.part(~store.archive.sealed_rows(hot))
    days, place = np.unique(hot.taken_ns // DAY_NS, return_inverse=True)
    starts = [month_span(*month_of(day * DAY_NS))[0] for day in days.tolist()]
    months = np.array(starts, np.int64)[place] if starts else np.empty(0, np.int64)
    for from_ns in np.unique(months).tolist():
        year, month = month_of(from_ns)
        folder = f"{FOLDER}/room={quote(store.setups.room_key(), safe='')}/year={year}/month={month:02d}"
        name, rows = f"{folder}/unsealed-0001.parquet", hot.part(months == from_ns)
        (out / folder).mkdir(parents=True, exist_ok=True)
        with ParquetWriter(out / name, store.simulated) as writer:
            for channel in sorted(set(rows.channel.table)):
                mine = rows.part(rows.channel.codes == rows.channel.table.index(channel))
                if len(mine):
                    writer.write(sort_columns(mine))
        yield name, sha256_of(out / name)


def _copy_originals(store: Store, out: Path, proven: ProvenNames) -> Iterator[tuple[str, str]]:
    listing = []
    for file in store.imports.all():
        yield file.original, copy_file(store.folder / file.original, out / file.original)
        facts = {"sha256": file.sha256, "name": file.name, "at": rfc3339(file.at_ns), "at_ns": file.at_ns}
        facts |= {"proven": proven.imports.get(file.sha256, False)}
        listing.append({**facts, "original": file.original, "summary": dict(file.summary)})
    yield IMPORTS, _write_list(out / IMPORTS, listing)


def _write_texts(store: Store, out: Path, proven: ProvenNames) -> Iterator[tuple[str, str]]:
    from ..archive import parquet

    versions = [
        {
            "version": version.version,
            "who": version.who,
            "approver": version.approver,
            "author_proven": proven.versions.get(version.version, {}).get("author_proven", False),
            "approver_proven": proven.versions.get(version.version, {}).get("approver_proven", False),
            "why": version.why,
            "at": rfc3339(version.at_ns),
            "at_ns": version.at_ns,
            "digest": version.digest,
            "texts": dict(version.texts),
        }
        for version in store.setups.versions()
    ]
    yield VERSIONS, _write_list(out / VERSIONS, versions)
    lines = "".join(
        json.dumps(_entry(version), ensure_ascii=False) + "\n" for version in store.journal.entries()
    )
    yield JOURNAL, write_file(out / JOURNAL, lines.encode())
    columns = (parquet.__doc__ or "").partition("\n\n")[2]
    simulated = " (SIMULATED: no measured data)" if store.simulated else ""
    text = README.format(simulated=simulated, columns=columns)
    yield "README.txt", write_file(out / "README.txt", text.encode())


def _entry(entry: Any) -> dict[str, Any]:
    facts = {name: getattr(entry, name) for name in ("number", "at_ns", "kind", "who", "why", "sha256")}
    return {**facts, "what": canonical(entry.what)}


def _write_list(path: Path, facts: list[dict[str, Any]]) -> str:
    return write_file(path, (json.dumps(facts, indent=1, ensure_ascii=False) + "\n").encode())
