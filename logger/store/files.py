"""Files that appear whole or not at all."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import StoreError
from ..processes.waits import moved

PART = ".part"
CHUNK = 1 << 20


@contextmanager
def plain_write_errors(path: Path) -> Iterator[None]:
    """Turn what the file system says into a sentence for a person; the cause stays attached."""
    try:
        yield
    except OSError as error:
        raise StoreError(
            f"{path} could not be written: {error.strerror or error}. Nothing was lost; check the free "
            "space and the permissions on this disk, then try again."
        ) from error


def write_durably(path: Path, content: bytes) -> None:
    """Write a file so that after any interruption it is there whole, or not there."""
    part = path.with_name(path.name + PART)
    with plain_write_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        publish(part, path)


def copy_durably(source: Path, path: Path) -> None:
    """Copy a file so that after any interruption it is there whole, or not there."""
    part = path.with_name(path.name + PART)
    with plain_write_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        copy_synced(source, part)
        publish(part, path)


def copy_synced(source: Path, path: Path) -> None:
    """Copy a file; its bytes are on the disk when this returns."""
    with source.open("rb") as reading, path.open("wb") as writing:
        while chunk := reading.read(CHUNK):
            writing.write(chunk)
        writing.flush()
        os.fsync(writing.fileno())


def publish(part: Path, path: Path) -> None:
    """Give a synced file its final name, durably."""
    os.replace(part, path)
    sync_folder(path.parent)


def sync_file(path: Path) -> None:
    """Have a file's bytes on the disk when this returns."""
    handle = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk. Windows opens no folders; NTFS journals names itself."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file in bounded memory."""
    sha = hashlib.sha256()
    with path.open("rb", buffering=0) as file:
        while chunk := file.read(CHUNK):
            sha.update(chunk)
            moved()
    return sha.hexdigest()
