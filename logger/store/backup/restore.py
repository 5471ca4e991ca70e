"""A backup put into an empty place, and proven there."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ...errors import Refused, StoreDamaged
from ...instants import rfc3339
from ..files import PART, sha256_of
from ..hot.database import FILE, RESTORING
from ..store import Store
from ..types import Verification
from .catalogue import Generation, choose_generation, is_target
from .folder import copy_file, inside, plain_target_errors, write_file

Also = Callable[[Store], Iterable[str]]  # faults of a restored record that the store cannot see


@dataclass(frozen=True)
class RestoreResult:
    """What stands in the folder now. `newest_ns`: the newest reading in it; None without any."""

    generation: str
    at_ns: int
    newest_ns: int | None
    verification: Verification


def restore(source: Path, data: Path, who: str, generation: str | None = None) -> RestoreResult:
    """Restore a backup into a new or empty folder, verify it there, and journal that it was restored.

    Refused where `data` holds anything, unless it is what an interrupted restore left. The marker
    goes last: until then no service begins on half a record.
    """
    refuse_occupied(data)
    if not source.is_dir() or not is_target(source):
        raise Refused(f"{source} is not a backup folder; name the one given to `stillroom backup --to`.")
    chosen = choose_generation(source, generation)
    with plain_target_errors(data):
        data.mkdir(parents=True, exist_ok=True)
        write_file(data / RESTORING, f"{chosen.name}\n".encode())
    if faults := unpack(chosen, data):
        raise StoreDamaged(
            "\n".join([f"Backup {chosen.name} is not as it was written; do not use {data}:", *faults])
            + "\nChoose another one with --generation; `stillroom backup --list` names them."
        )
    verification = prove(chosen, data)
    with plain_target_errors(data):
        (data / RESTORING).unlink()
    return RestoreResult(
        chosen.name, chosen.at_ns, _journal_restore(chosen, data, who, verification), verification
    )


def refuse_occupied(data: Path) -> None:
    """Refused where something stands in the folder, or it is a file."""
    if data.exists() and not data.is_dir():
        raise Refused(f"{data} is a file; nothing was restored. Name a new or empty folder with --data.")
    names = {path.name for path in data.iterdir()} if data.is_dir() else set()
    if RESTORING not in names and not names <= {RESTORING + PART}:  # the latter: stopped at its first step
        raise Refused(f"{data} is not empty; nothing was restored. Name a new or empty folder with --data.")


def unpack(generation: Generation, data: Path) -> list[str]:
    """Copy every file of a backup, the database last; gives what does not agree with its digest."""
    faults = []
    for name, (sha256, _) in sorted(generation.files.items()):
        faults += _fetch(generation.object(sha256), inside(data, name), name, sha256)
    expected = str(generation.manifest["database"]["sha256"])
    return faults + _fetch(generation.database, data / FILE, FILE, expected)


def prove(generation: Generation, data: Path, also: Also | None = None) -> Verification:
    """Walk the restored record and compare its chain with the head in the manifest; and what `also` finds."""
    try:
        with Store.open(data, read_only=True) as store:
            verification = store.verify([generation.head])
            return (
                replace(verification, faults=(*verification.faults, *also(store))) if also else verification
            )
    except StoreDamaged as error:
        return Verification((str(error),), 0, 0, 0, 0, (0, ""))


def _fetch(source: Path, path: Path, name: str, expected: str) -> list[str]:
    try:
        with source.open("rb"):
            pass
    except OSError as error:
        return [f"  file {name}: missing from the backup or unreadable ({error.strerror or error})"]
    with plain_target_errors(path.parent):
        actual = copy_file(source, path)
        return [] if actual == expected == sha256_of(path) else [f"  file {name}: altered in the backup"]


def _journal_restore(generation: Generation, data: Path, who: str, verification: Verification) -> int | None:
    with Store.open(data) as store:
        newest_ns = store.readings.newest_ns()
        head = {"number": generation.head[0], "sha256": generation.head[1]}
        what: dict[str, Any] = {
            "backup": generation.name,
            "taken": rfc3339(generation.at_ns),
            "head": head,
            "intact": verification.intact,
        }
        store.journal.append("restore", who, what, "restored from a backup")
    return newest_ns


def try_restore(
    source: Path, scratch: Path, of: Path, who: str, generation: str | None = None
) -> RestoreResult:
    """Restore into a scratch folder and journal in the record `of` that this was tried, and how it went."""
    begin = time.monotonic()
    with Store.open(of) as store:
        result = restore(source, scratch, who, generation)
        what: dict[str, Any] = {
            "backup": result.generation,
            "intact": result.verification.intact,
            "readings": result.verification.readings,
            "newest": None if result.newest_ns is None else rfc3339(result.newest_ns),
            "seconds": round(time.monotonic() - begin, 1),
        }
        store.journal.append("restore-test", who, what, "restore test")
    return result
