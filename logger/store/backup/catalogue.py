"""What stands in a folder of backups.

    stillroom-backup.json         of which record these are
    files/<2 digits>/<SHA-256>    sealed files, originals and issued records, each once
    000012-20261026T034000Z/      one backup, by number and time
        stillroom.db              the database as it was, complete in itself
        manifest.json             every file with its SHA-256, and the head of the chain; written last
        report.json               what restoring it into a scratch place showed

A backup without its manifest was interrupted and does not count; one whose report says that it
was restored and found intact is a good one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...errors import StoreError
from ..files import sha256_of
from ..hot.database import FILE
from .folder import plain_target_errors, read_json

MARKER = "stillroom-backup.json"
FORMAT = "stillroom backup 1"
FILES = "files"
MANIFEST = "manifest.json"
REPORT = "report.json"
SHA256 = re.compile(r"[0-9a-f]{64}")
NAME = re.compile(r"(\d{6})-\d{8}T\d{6}Z")


@dataclass(frozen=True)
class Generation:
    """One backup. `manifest` is empty where it cannot be read; `report` empty where it was never restored."""

    folder: Path
    manifest: Mapping[str, Any]
    report: Mapping[str, Any]

    @property
    def name(self) -> str:
        """Its folder's name: number and time."""
        return self.folder.name

    @property
    def number(self) -> int:
        """Counted from 1 in this folder."""
        return int(self.name[:6])

    @property
    def readable(self) -> bool:
        """Whether the manifest is there, and is the one that the report speaks of."""
        return bool(self.manifest)

    @property
    def good(self) -> bool:
        """Whether it was restored and found intact."""
        return self.readable and self.report.get("intact") is True

    @property
    def at_ns(self) -> int:
        """When the snapshot was taken."""
        return int(self.manifest["at_ns"])

    @property
    def head(self) -> tuple[int, str]:
        """Number and digest of the newest journal entry in it."""
        head = self.manifest["head"]
        return int(head["number"]), str(head["sha256"])

    @property
    def files(self) -> dict[str, tuple[str, int]]:
        """Path below the data folder -> SHA-256 and bytes."""
        return {name: (facts["sha256"], facts["bytes"]) for name, facts in self.manifest["files"].items()}

    @property
    def database(self) -> Path:
        """The database of this backup."""
        return self.folder / FILE

    def object(self, sha256: str) -> Path:
        """Where the file with this digest lies."""
        return object_path(self.folder.parent, sha256)


def object_path(target: Path, sha256: str) -> Path:
    """Where a folder of backups keeps the file with this digest."""
    return target / FILES / sha256[:2] / sha256


def folders(target: Path) -> list[Path]:
    """Folders of all backups, interrupted ones too, oldest first."""
    with plain_target_errors(target):
        return sorted(path for path in target.iterdir() if NAME.fullmatch(path.name) and path.is_dir())


def generations(target: Path) -> list[Generation]:
    """Every backup that came to its end, oldest first."""
    with plain_target_errors(target):
        return [_generation(folder) for folder in folders(target) if (folder / MANIFEST).is_file()]


def is_target(folder: Path) -> bool:
    """Whether a folder holds backups."""
    with plain_target_errors(folder):
        return (read_json(folder / MARKER) or {}).get("format") == FORMAT


def newest_good(target: Path) -> Generation | None:
    """The newest backup that was restored and found intact."""
    good = [generation for generation in generations(target) if generation.good]
    return good[-1] if good else None


def choose_generation(target: Path, name: str | None) -> Generation:
    """A backup by its name or number, or the newest good one; StoreError with what there is."""
    present = generations(target)
    if name is None:
        if good := [generation for generation in present if generation.good]:
            return good[-1]
        raise StoreError(
            f"No backup in {target} was restored and found intact; there are: {_list_names(present)}. "
            "Name one with --generation to try it all the same."
        )
    for generation in present:
        if name in {generation.name, str(generation.number)} and generation.readable:
            return generation
    raise StoreError(
        f"There is no backup {name!r} in {target} that can be read; there are: {_list_names(present)}."
    )


def heads(target: Path) -> list[tuple[int, str]]:
    """Heads of the chain that these backups hold."""
    return [generation.head for generation in generations(target) if generation.readable]


def _generation(folder: Path) -> Generation:
    manifest, report = read_json(folder / MANIFEST) or {}, read_json(folder / REPORT) or {}
    expected = report.get("manifest_sha256")
    if expected is not None and expected != sha256_of(folder / MANIFEST):
        manifest = {}
    return Generation(folder, manifest if _is_manifest(manifest) else {}, report)


def _is_manifest(facts: Mapping[str, Any]) -> bool:
    """Whether every fact that is used has its form; a backup folder is a place where others write, too."""
    head, files, database = (facts.get(name) for name in ("head", "files", "database"))
    return (
        facts.get("format") == FORMAT
        and _is_count(facts.get("at_ns"))
        and isinstance(facts.get("newest_reading"), str | None)
        and isinstance(head, dict)
        and _is_count(head.get("number"))
        and isinstance(head.get("sha256"), str)
        and _is_file_entry(database)
        and isinstance(files, dict)
        and all(_is_file_entry(entry) and _is_count(entry.get("bytes")) for entry in files.values())
    )


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**63


def _is_file_entry(entry: Any) -> bool:
    return isinstance(entry, dict) and bool(SHA256.fullmatch(str(entry.get("sha256"))))


def _list_names(present: list[Generation]) -> str:
    return ", ".join(generation.name for generation in present) or "none"
