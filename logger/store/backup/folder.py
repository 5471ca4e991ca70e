"""A folder that is not ours to rely on: a file share, a disk that may be full, gone or slow.

No links, no locks, no renaming but inside one folder; a folder that cannot be synced (some shares
refuse it) is no fault, because every file is read back and compared before it counts.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from ...errors import StoreError
from ...processes.waits import moved, waiting_for
from ..files import CHUNK, PART, sync_folder

LARGEST_JSON = 64 << 20  # bytes; the list of ten years of files is a hundredth of it


@contextmanager
def plain_target_errors(folder: Path) -> Iterator[None]:
    """Turn what the system says about the folder into a sentence for a person; the cause stays attached.

    A folder that does not answer is named by `waits.lasting`.
    """
    try:
        with waiting_for(f"the folder {folder}"):
            yield
    except OSError as error:
        named = f" ({error.filename})" if error.filename else ""
        raise StoreError(
            f"{folder} could not be used: {error.strerror or error}{named}. What was there whole before is "
            "untouched. Check that the folder exists, has free space, and may be written by this account."
        ) from error


def copy_file(source: Path, path: Path) -> str:
    """Copy a file so that it is there whole or not at all; gives the SHA-256 of what was read."""
    sha, part = hashlib.sha256(), path.with_name(path.name + PART)
    path.parent.mkdir(parents=True, exist_ok=True)
    with source.open("rb") as reading, part.open("wb") as writing:
        while chunk := reading.read(CHUNK):
            sha.update(chunk)
            writing.write(chunk)
            moved()
        _sync(writing.fileno())
    _rename(part, path)
    return sha.hexdigest()


def write_from(source: Path | bytes, path: Path) -> str:
    """Copy a file, or write the bytes that stand for it; gives the SHA-256 of what was read."""
    return write_file(path, source) if isinstance(source, bytes) else copy_file(source, path)


def write_file(path: Path, content: bytes) -> str:
    """Write a file so that it is there whole or not at all; gives its SHA-256."""
    part = path.with_name(path.name + PART)
    path.parent.mkdir(parents=True, exist_ok=True)
    with part.open("wb") as file:
        file.write(content)
        file.flush()
        _sync(file.fileno())
    _rename(part, path)
    return hashlib.sha256(content).hexdigest()


def write_json(path: Path, facts: Mapping[str, Any]) -> str:
    """Write plain data as JSON, one key a line; gives the SHA-256 of the file."""
    return write_file(path, (json.dumps(facts, indent=1, ensure_ascii=False) + "\n").encode())


def read_json(path: Path) -> dict[str, Any] | None:
    """The facts in a file; None where it is not there or holds none, whoever wrote it."""
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_JSON + 1)
        facts = json.loads(content) if len(content) <= LARGEST_JSON else None
    except (FileNotFoundError, IsADirectoryError, ValueError, RecursionError):
        return None
    return facts if isinstance(facts, dict) else None


def inside(folder: Path, name: str) -> Path:
    """A file below a folder by its name with slashes; StoreError for a name that leads out of it."""
    path = folder.joinpath(*name.split("/"))
    if not path.resolve().is_relative_to(folder.resolve()):
        raise StoreError(
            f"{name!r} leads out of {folder}; nothing was written. This is not a file list of stillroom."
        )
    return path


def _sync(handle: int) -> None:
    os.fsync(handle)


def _rename(part: Path, path: Path) -> None:
    os.replace(part, path)
    with suppress(OSError):  # some shares refuse to sync a folder
        sync_folder(path.parent)
