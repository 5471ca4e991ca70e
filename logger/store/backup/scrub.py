"""Backups read again, byte by byte: a restore is a bad time to learn that a disk forgot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..files import sha256_of
from .catalogue import Generation, generations, object_path
from .folder import plain_target_errors

PARTS = 7  # a service reads one of them each day


@dataclass(frozen=True)
class ScrubReport:
    """What was read, and by name of each backup what is wrong; `damaged`: files that they share."""

    files: int
    size_bytes: int
    faults: dict[str, tuple[str, ...]]
    damaged: tuple[Path, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every fault with the backup that it is in."""
        return tuple(f"backup {name}: {fault}" for name, faults in self.faults.items() for fault in faults)


def scrub(target: Path, part: int | None = None) -> ScrubReport:
    """Read every file of every backup in a folder, or the part with this number of PARTS, each once."""
    with plain_target_errors(target):
        present = generations(target)
        wrong = {path.name: fault for path, fault in _objects(target, present, part)}
        read = [path for generation in present for path in _paths(generation, part)]
        faults = {generation.name: tuple(_faults(generation, wrong, part)) for generation in present}
        distinct = {path: path.stat().st_size for path in read if path.is_file()}
    damaged = tuple(object_path(target, sha) for sha in sorted(wrong))
    named = {name: sentences for name, sentences in faults.items() if sentences}
    return ScrubReport(len(distinct), sum(distinct.values()), named, damaged)


def _paths(generation: Generation, part: int | None) -> Iterator[Path]:
    if generation.readable and _in_part(generation.number, part):
        yield generation.database
    yield from (
        generation.object(sha)
        for sha, _ in (generation.files if generation.readable else {}).values()
        if _object_in_part(sha, part)
    )


def _objects(target: Path, present: list[Generation], part: int | None) -> Iterator[tuple[Path, str]]:
    """Files that backups share, under the digest they are named by, that do not have it."""
    digests = {
        sha
        for generation in present
        if generation.readable
        for sha, _ in generation.files.values()
        if _object_in_part(sha, part)
    }
    for sha in sorted(digests):
        path = object_path(target, sha)
        if not path.is_file():
            yield path, "missing"
        elif sha256_of(path) != sha:
            yield path, "altered"


def _faults(generation: Generation, wrong: dict[str, str], part: int | None) -> Iterator[str]:
    if not generation.readable:
        yield "its manifest cannot be read, or is not the one that was proven"
        return
    if _in_part(generation.number, part):
        path, expected = generation.database, generation.manifest["database"]["sha256"]
        if not path.is_file():
            yield f"file {path.name}: missing"
        elif sha256_of(path) != expected:
            yield f"file {path.name}: altered"
    for name, (sha, _) in sorted(generation.files.items()):
        if sha in wrong:
            yield f"file {name}: {wrong[sha]}"


def _object_in_part(sha: str, part: int | None) -> bool:
    return part is None or not sha or int(sha[:8], 16) % PARTS == part


def _in_part(number: int, part: int | None) -> bool:
    return part is None or number % PARTS == part
