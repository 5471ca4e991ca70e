"""A consistent copy of the whole record in another folder, proven by restoring it.

The database is copied by SQLite's own online backup while the service goes on; what it names is
then copied beside it: sealed files, originals and issued records never change, so each is copied
once and kept under its SHA-256. The manifest comes last. Then the backup is restored into a
scratch place and verified there, and only a backup that passed counts as a good one.
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select

from ...errors import ArchiveAway, Refused, StoreError, StoreInUse
from ...instants import NS, rfc3339
from ...model.entry_forms import StudyReportEntry
from .. import lock
from ..files import PART, sha256_of
from ..hot.database import FILE
from ..hot.journal_files import journal_seals
from ..hot.tables import issue
from ..store import Store
from .catalogue import FILES, FORMAT, MANIFEST, MARKER, REPORT, Generation, folders, generations, object_path
from .folder import copy_file, plain_target_errors, read_json, write_from, write_json
from .restore import Also, prove, unpack

LOCK = "backup.lock"
KEEP = 14


@dataclass(frozen=True)
class BackupReport:
    """What one backup did. `faults`: what restoring it showed; `removed`: older ones that were let go."""

    backup: str
    at_ns: int
    files: int
    copied: int
    copied_bytes: int
    readings: int
    newest_ns: int | None
    head: tuple[int, str]
    manifest_sha256: str
    faults: tuple[str, ...]
    removed: tuple[str, ...] = ()

    @property
    def intact(self) -> bool:
        """Whether it was restored and found to be what it must be."""
        return not self.faults


def backup(
    store: Store,
    target: Path,
    who: str,
    now_ns: int,
    *,
    keep: int = KEEP,
    anew: bool = False,
    also: Also | None = None,
) -> BackupReport:
    """Back the record up into an existing folder; journalled, and verified by restoring it.

    Keeps the newest `keep` good ones. A folder that held backups and now holds none is taken for one
    that is not mounted, unless `anew`. `also` finds faults that the store cannot see, in the restored copy:
    of verdicts, say. StoreError when the folder is full, gone or another record's.
    """
    if keep < 1:
        raise Refused(f"keep: expected 1 or more backups to keep, found {keep}.")
    with lock.try_lock(store.folder / LOCK) as ours:
        if not ours:
            raise StoreInUse(f"Another backup of {store.folder} is running; this one was not begun.")
        with plain_target_errors(target):
            _claim_target(store, target, anew)
            _remove_interrupted(target)
        return _make_backup(store, target, who, now_ns, keep, also)


def _make_backup(  # noqa: PLR0917 (what, where to, who, when: each is asked for by its place)
    store: Store, target: Path, who: str, now_ns: int, keep: int, also: Also | None
) -> BackupReport:
    with _scratch(store) as scratch:
        snapshot, restored = Path(scratch) / "snapshot", Path(scratch) / "restored"
        with plain_target_errors(Path(scratch)):
            snapshot.mkdir()
            restored.mkdir()
            store.snapshot(snapshot / FILE)
        with Store.open(snapshot, read_only=True) as frozen, plain_target_errors(target):
            report = _write_generation(store, frozen, target, now_ns)
        report = _prove(report, target, restored, also)
    _journal_backup(store, target, who, report)
    with plain_target_errors(target):
        removed = tuple(prune(target, keep))
    return BackupReport(**{**vars(report), "removed": removed})


def _scratch(store: Store) -> tempfile.TemporaryDirectory[str]:
    """Room for a snapshot and a restore; what a killed backup of the same folder left there goes first.

    The caller holds the lock of that folder: nobody is using it.
    """
    place = hashlib.sha256(str(store.folder.resolve()).encode()).hexdigest()[:16]
    prefix = f"stillroom-backup-{place}-"
    for left in Path(tempfile.gettempdir()).glob(f"{prefix}*"):
        shutil.rmtree(left, ignore_errors=True)  # a copy of the whole record each
    return tempfile.TemporaryDirectory(prefix=prefix)


def required_files(store: Store) -> dict[str, str]:
    """Every file that the record names, by its path below the data folder, with its SHA-256."""
    files = {seal.file: seal.sha256 for seal in store.archive.seals(disposed=False)}
    files |= {seal.original: seal.sha256 for seal in store.imports.all()}
    with store.read() as conn:
        rows = conn.execute(select(issue.c.folder, issue.c.body)).all()
        files |= {row.file: row.sha256 for row in journal_seals(conn)}
    for row in rows:
        files |= {f"{row.folder}/{name}": sha256 for name, sha256 in row.body["files"].items()}
    for entry in store.journal.entries(kind="study-report"):
        report = entry.read(StudyReportEntry)
        folder = f"studies/{report['report']:06d}"
        files |= {f"{folder}/{name}": sha256 for name, sha256 in report["files"].items()}
    return files


def _claim_target(store: Store, target: Path, anew: bool) -> None:
    """See that the folder is there and is this record's, and mark it as such."""
    if not target.is_dir():
        raise Refused(
            f"There is no folder {target}; nothing was backed up. Mount the share, or make the folder first: "
            "stillroom does not create it, so that an unmounted share is not mistaken for an empty disk."
        )
    if target.resolve().is_relative_to(store.folder.resolve()):
        raise Refused(f"{target} lies inside the data folder; a backup there would be lost together with it.")
    marker = read_json(target / MARKER)
    if marker is None and (target / MARKER).exists():
        raise StoreError(
            f"{target / MARKER} cannot be read, so nobody knows whose backups these are; nothing was "
            "written. Restore it from another copy, or name another folder."
        )
    if marker is not None and marker.get("record") != store.key:
        raise Refused(
            f"{target} holds the backups of another record; nothing was written. Name another folder."
        )
    if marker is None:
        if not anew and _has_backups(store, target):
            raise StoreError(
                f"{target} holds no backups, though some were made there: the share may not be mounted, and "
                "nothing was written. If this is a new disk, give --anew once."
            )
        write_json(target / MARKER, {"format": FORMAT, "record": store.key, "simulated": store.simulated})


def _has_backups(store: Store, target: Path) -> bool:
    return any(entry.what.get("folder") == str(target) for entry in store.journal.entries(kind="backup"))


def _remove_interrupted(target: Path) -> None:
    """Remove what interrupted backups left: they are not whole, and nobody waits for them."""
    for folder in folders(target):
        if not (folder / MANIFEST).is_file():
            _remove_generation(folder)
    for part in (target / FILES).glob(f"*/*{PART}"):
        part.unlink()


def _write_generation(store: Store, frozen: Store, target: Path, now_ns: int) -> BackupReport:
    numbers = [int(folder.name[:6]) for folder in folders(target)]
    stamp = datetime.fromtimestamp(now_ns // NS, UTC).strftime("%Y%m%dT%H%M%SZ")
    folder = target / f"{max(numbers, default=0) + 1:06d}-{stamp}"
    faults, files, fresh = [], {}, []
    for name, sha256 in sorted(required_files(frozen).items()):
        try:
            size, came = _copy_object(store, name, target, sha256)
        except _FileMismatch as fault:
            faults.append(f"file {name}: {fault}; it is not in this backup")
            continue
        files[name] = {"sha256": sha256, "bytes": size}
        fresh += [size] * came
    database = {"sha256": copy_file(frozen.folder / FILE, folder / FILE)}
    newest = frozen.readings.newest_ns()
    head = frozen.journal.head()
    manifest = {
        "format": FORMAT,
        "record": frozen.key,
        "simulated": frozen.simulated,
        "at": rfc3339(now_ns),
        "at_ns": now_ns,
        "head": {"number": head[0], "sha256": head[1]},
        "newest_reading": None if newest is None else rfc3339(newest),
        "database": {**database, "bytes": (folder / FILE).stat().st_size},
        "files": files,
    }
    sha256 = write_json(folder / MANIFEST, manifest)
    return BackupReport(
        folder.name, now_ns, len(files), len(fresh), sum(fresh), 0, newest, head, sha256, tuple(faults)
    )


class _FileMismatch(Exception):
    """A file of the record that is not what the record says."""


def _copy_object(store: Store, name: str, target: Path, sha256: str) -> tuple[int, bool]:
    """Bytes of the file with this digest in the target, and whether it had to be copied."""
    path = object_path(target, sha256)
    if path.is_file():
        return path.stat().st_size, False
    try:
        source = store.file(name)
        if isinstance(source, Path):
            with source.open("rb"):
                pass
    except OSError as error:
        raise _FileMismatch(f"missing or unreadable ({error.strerror or error})") from error
    except ArchiveAway as error:
        raise _FileMismatch(str(error)) from error
    if write_from(source, path) != sha256:
        path.unlink()
        raise _FileMismatch("altered")
    return path.stat().st_size, True


def _prove(report: BackupReport, target: Path, restored: Path, also: Also | None) -> BackupReport:
    """Restore the backup and verify it there; what is altered there goes, to be copied anew."""
    with plain_target_errors(target):
        generation = next(g for g in generations(target) if g.name == report.backup)
        lost = unpack(generation, restored)
        for sha256, _ in generation.files.values() if lost else ():
            path = generation.object(sha256)
            if path.is_file() and sha256_of(path) != sha256:
                path.unlink()  # the next backup copies it again
    verification = prove(generation, restored, also)
    faults = (*report.faults, *(fault.strip() for fault in lost), *verification.faults)
    tested = BackupReport(**{**vars(report), "faults": faults, "readings": verification.readings})
    with plain_target_errors(target):
        write_json(
            generation.folder / REPORT, {**report_dict(tested), "proven_by": "restoring into a scratch place"}
        )
    return tested


def report_dict(report: BackupReport) -> dict[str, Any]:
    """A report as plain data."""
    facts = asdict(report)
    facts["head"] = {"number": report.head[0], "sha256": report.head[1]}
    facts["at"] = rfc3339(report.at_ns)
    facts["newest_reading"] = None if report.newest_ns is None else rfc3339(report.newest_ns)
    return {**facts, "faults": list(report.faults), "removed": list(report.removed), "intact": report.intact}


def _journal_backup(store: Store, target: Path, who: str, report: BackupReport) -> None:
    what: dict[str, Any] = {"folder": str(target), **report_dict(report)}
    what["faults"] = what["faults"][:20]
    del what["removed"]
    store.journal.append("backup", who, what)


def prune(target: Path, keep: int) -> Iterator[str]:
    """Remove backups older than the newest `keep` good ones, then the files that none of the rest names."""
    present = generations(target)
    good = [generation for generation in present if generation.good]
    if len(good) <= keep:
        return
    rest = [generation for generation in present if generation.number >= good[-keep].number]
    for generation in present:
        if generation.number < good[-keep].number:
            _remove_generation(generation.folder)
            yield generation.name
    if all(generation.readable for generation in rest):
        _remove_unreferenced(target, rest)


def _remove_unreferenced(target: Path, rest: list[Generation]) -> None:
    referenced = {sha256 for generation in rest for sha256, _ in generation.files.values()}
    for path in (target / FILES).glob("*/*"):
        if path.name not in referenced:
            path.unlink()


def _remove_generation(folder: Path) -> None:
    """The manifest goes first: what is left of an interrupted removal must not be taken for a backup."""
    (folder / MANIFEST).unlink(missing_ok=True)
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()
