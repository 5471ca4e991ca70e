"""Whether a folder holds a record, or is a place to begin one."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from ..errors import StoreError
from .files import plain_write_errors
from .hot.address import holds_record
from .hot.database import FILE

OWNER_ALONE = 0o700


def _refuse_foreign(folder: Path) -> None:
    """A folder with other people's files is no place to begin a record; hidden ones do not count.

    Nor does what a new file system has at its root.
    """
    if not folder.is_dir() or holds_record(folder):
        return
    others = sorted(p.name for p in folder.iterdir() if not p.name.startswith(".") and p.name != "lost+found")
    if others:
        raise StoreError(
            f"{folder} holds other files, such as {others[0]!r}, and no record; nothing was changed. "
            "Name a new or empty folder with --data."
        )


def _begin_for_owner_alone(folder: Path) -> None:
    """The folder and its database are for their owner alone from the first byte on, whatever the umask."""
    with suppress(PermissionError):  # a folder of somebody else; page Health says what is open
        folder.chmod(OWNER_ALONE)
    os.close(os.open(folder / FILE, os.O_CREAT | os.O_WRONLY, OWNER_ALONE & 0o600))


def open_to_others(folder: Path) -> bool:
    """Whether other accounts of this machine can look into a data folder. Windows has no such bits."""
    return os.name != "nt" and bool(folder.stat().st_mode & 0o077)


def check_folder(folder: Path, create: bool) -> None:
    """See that a record is in the folder, or with `create` that one may begin there; else StoreError."""
    if folder.exists() and not folder.is_dir():
        raise StoreError(f"{folder} is a file; a record needs a folder. Name another one with --data.")
    if create:
        _refuse_foreign(folder)
        with plain_write_errors(folder):
            folder.mkdir(mode=OWNER_ALONE, parents=True, exist_ok=True)
            if not holds_record(folder):
                _begin_for_owner_alone(folder)
    elif not holds_record(folder):
        raise StoreError(
            f"There is no record in {folder}: expected the file {FILE}, found none. "
            "Name the data folder with --data and mount its disk, or begin a record with `stillroom run "
            "--begin` or `stillroom demo`."
        )
