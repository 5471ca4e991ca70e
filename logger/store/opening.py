"""Whether a folder holds a record, or is a place to begin one."""

from __future__ import annotations

from pathlib import Path

from ..errors import StoreError
from .files import plain_write_errors
from .hot.database import FILE


def _refuse_foreign(folder: Path) -> None:
    """A folder with other people's files in it is no place to begin a record; hidden ones do not count."""
    if not folder.is_dir() or (folder / FILE).exists():
        return
    others = sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))
    if others:
        raise StoreError(
            f"{folder} holds other files, such as {others[0]!r}, and no record; nothing was changed. "
            "Name a new or empty folder with --data."
        )


def check_folder(folder: Path, create: bool) -> None:
    """See that a record is in the folder, or with `create` that one may begin there; else StoreError."""
    if folder.exists() and not folder.is_dir():
        raise StoreError(f"{folder} is a file; a record needs a folder. Name another one with --data.")
    if create:
        _refuse_foreign(folder)
        with plain_write_errors(folder):
            folder.mkdir(parents=True, exist_ok=True)
    elif not (folder / FILE).is_file():
        raise StoreError(
            f"There is no record in {folder}: wanted the file {FILE}, found none. "
            "Name the data folder with --data, or begin a record with `stillroom run` or `stillroom demo`."
        )
