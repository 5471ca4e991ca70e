"""Which home the hot tier of a data folder has, by the files that are there."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

from ..files import sync_folder
from .database import FILE, Database
from .home import Home

STORE_FILE = "store.toml"  # of `store_file`, which is not imported where there is none


def holds_record(folder: Path) -> bool:
    """Whether a folder has a record: its database, or a file that says where that is."""
    return (folder / FILE).exists() or ((folder / STORE_FILE).exists() and _on_server(folder))


def open_home(folder: Path, read_only: bool = False) -> Home:
    """The home of a folder's hot tier, opened."""
    if (folder / STORE_FILE).exists() and _on_server(folder):
        return _open_server(folder, read_only)
    return Database(folder, read_only)


def _open_server(folder: Path, read_only: bool) -> Home:
    from ..store_file import hot_table
    from .server import ServerDatabase

    table = hot_table(folder)
    if table is None:  # pragma: no cover (asked just before)
        return Database(folder, read_only)
    if not read_only and (folder / FILE).exists():
        set_aside(folder)  # a move was interrupted after store.toml had changed
    return ServerDatabase(folder, table, read_only)


def set_aside(folder: Path) -> str:
    """Rename the embedded file, with what its database has beside it, to a name that is free; gives that."""
    names = (f"{FILE}.moved{tail}" for tail in itertools.chain(("",), map("-{}".format, itertools.count(2))))
    free_name = next(name for name in names if not (folder / name).exists())
    for tail in ("-wal", "-shm", ""):
        if (folder / (FILE + tail)).exists():
            os.replace(folder / (FILE + tail), folder / (free_name + tail))
    sync_folder(folder)
    return free_name


def _on_server(folder: Path) -> bool:
    from ..store_file import hot_table

    return hot_table(folder) is not None
