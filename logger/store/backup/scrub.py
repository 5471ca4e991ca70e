"""Backups read again, byte by byte: a restore is a bad time to learn that a disk forgot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..files import sha256_of
from .catalogue import Generation, generations, stored
from .folder import plain_target_errors

PARTS = 7  # a service reads one of them each day


@dataclass(frozen=True)
class Scrubbed:
    """What was read, and by name of each backup what is wrong; `damaged`: files that they share."""

    files: int
    size_bytes: int
    faults: dict[str, tuple[str, ...]]
    damaged: tuple[Path, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every fault with the backup that it is in."""
        return tuple(f"backup {name}: {fault}" for name, faults in self.faults.items() for fault in faults)


def scrubbed(target: Path, part: int | None = None) -> Scrubbed:
    """Read every file of every backup in a folder, or the part with this number of PARTS, each once."""
    with plain_target_errors(target):
        there = generations(target)
        wrong = {path.name: fault for path, fault in _objects(target, there, part)}
        read = [path for one in there for path in _paths(one, part)]
        faults = {one.name: tuple(_faults(one, wrong, part)) for one in there}
        distinct = {path: path.stat().st_size for path in read if path.is_file()}
    damaged = tuple(stored(target, sha) for sha in sorted(wrong))
    named = {name: told for name, told in faults.items() if told}
    return Scrubbed(len(distinct), sum(distinct.values()), named, damaged)


def _paths(one: Generation, part: int | None) -> Iterator[Path]:
    if one.readable and _in_part(one.number, part):
        yield one.database
    yield from (
        one.object(sha) for sha, _ in (one.files if one.readable else {}).values() if _mine(sha, part)
    )


def _objects(target: Path, there: list[Generation], part: int | None) -> Iterator[tuple[Path, str]]:
    """Files that backups share, under the digest they are named by, that do not have it."""
    wanted = {sha for one in there if one.readable for sha, _ in one.files.values() if _mine(sha, part)}
    for sha in sorted(wanted):
        path = stored(target, sha)
        if not path.is_file():
            yield path, "missing"
        elif sha256_of(path) != sha:
            yield path, "altered"


def _faults(one: Generation, wrong: dict[str, str], part: int | None) -> Iterator[str]:
    if not one.readable:
        yield "its manifest cannot be read, or is not the one that was proven"
        return
    if _in_part(one.number, part):
        path, wanted = one.database, one.manifest["database"]["sha256"]
        if not path.is_file():
            yield f"file {path.name}: missing"
        elif sha256_of(path) != wanted:
            yield f"file {path.name}: altered"
    for name, (sha, _) in sorted(one.files.items()):
        if sha in wrong:
            yield f"file {name}: {wrong[sha]}"


def _mine(sha: str, part: int | None) -> bool:
    return part is None or not sha or int(sha[:8], 16) % PARTS == part


def _in_part(number: int, part: int | None) -> bool:
    return part is None or number % PARTS == part
