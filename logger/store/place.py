"""Where a record lies: whether its file is still the one that was opened, and what the system refuses there.

A file that was deleted while it is open goes on taking what is written, and all of it is lost. So the file at
the path is compared with the one that was opened before every transaction.
"""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from ..errors import StoreError, StoreGone

Identity = tuple[int, int]
# What a system refuses for reasons of its own: the bytes of the file are as they were.
NOT_OF_THE_FILE = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EACCES, errno.EPERM})
TOO_MANY = (
    "Too many open files: this process may not open more. Raise its limit (LimitNOFILE= in its systemd unit, "
    "`ulimit -n` in a shell), then start it again."
)


def file_identity(path: Path) -> Identity | None:
    """Which file is at a path: its device and number there; None where there is none."""
    try:
        status = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:  # a device that is gone answers with an error of its own
        raise gone_error(path, error.strerror or str(error)) from error
    return (status.st_dev, status.st_ino)


def gone_error(path: Path, why: str = "") -> StoreGone:
    """The sentence for a record that is not where it was opened."""
    folder = path.parent
    if why:
        what = f"{folder} cannot be read: {why}."
    elif not folder.is_dir():
        what = f"The data folder {folder} is gone: it was deleted or moved, or its disk was unmounted."
    else:
        what = f"{path.name} is gone from {folder}: it was deleted, or a disk is not mounted there."
    return StoreGone(
        f"{what} Mount the disk or put the folder back: readings wait in memory and are stored then. "
        "If it was deleted, restore the newest backup before the service is started again."
    )


def replaced_error(path: Path) -> StoreGone:
    """The sentence for a path at which another record lies, or an older copy."""
    return StoreGone(
        f"{path} was replaced while it was open: it is another record or an older copy, and lacks what was "
        "stored last. Put the right folder back: readings wait in memory and are stored then. To go on with "
        "what lies there, stop the service and start it again; the readings in memory wait in a file for "
        "their own record."
    )


class Witness:
    """A connection to the file that was opened: it can still be read when the file lost its name."""

    def __init__(self, path: Path) -> None:
        self.file = file_identity(path)
        self._connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro", uri=True, check_same_thread=False, isolation_level=None
        )

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def is_continued_by(self, path: Path) -> bool:
        """Whether the file at a path is this record with everything that its journal holds."""
        with (
            suppress(sqlite3.Error),
            closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as other,
        ):
            head = _first_row(
                self._connection, "SELECT number, sha256 FROM journal ORDER BY number DESC LIMIT 1"
            )
            same = _first_row(other, "SELECT number, sha256 FROM journal WHERE number = ?", head[0])
            keys = [
                _first_row(c, "SELECT value FROM meta WHERE key = 'id'") for c in (self._connection, other)
            ]
            return bool(same == head and keys[0] == keys[1])
        return False


def _first_row(connection: sqlite3.Connection, query: str, *values: Any) -> Any:
    return connection.execute(query, values).fetchone() or (0, "")


def refusal(folder: Path) -> str:
    """What the system refuses in a folder just now, with what to do; empty where nothing is seen."""
    return _folder_fault(folder) or _disk_fault(folder)


def _folder_fault(folder: Path) -> str:
    try:
        os.close(os.open(folder, os.O_RDONLY))
    except OSError as error:
        if error.errno in (errno.EMFILE, errno.ENFILE):
            return TOO_MANY
        return "" if error.errno == errno.ENOENT else f"{folder} cannot be opened: {error.strerror}."
    return ""


def _disk_fault(folder: Path) -> str:
    if not hasattr(os, "statvfs"):
        return ""
    try:
        disk = os.statvfs(folder)
    except OSError:
        return ""
    if disk.f_flag & os.ST_RDONLY:
        return f"The disk of {folder} is mounted read-only: look for disk errors, then mount it for writing."
    if disk.f_files and not disk.f_favail:
        return f"No inode is free on the disk of {folder}: delete files that do not belong to the record."
    full = f"The disk of {folder} is full: make room, and move what does not belong to the record."
    return "" if disk.f_bavail else full


def unopened_error(path: Path, error: OSError) -> StoreError:
    """The sentence for a file that the system did not open, though nothing is wrong with its bytes."""
    if error.errno in (errno.EMFILE, errno.ENFILE):
        return StoreError(f"{path} could not be opened. {TOO_MANY} Nothing is wrong with the file.")
    why = os.strerror(error.errno) if error.errno else str(error)
    return StoreError(f"{path} could not be opened: {why}. Check that this account may read it.")
