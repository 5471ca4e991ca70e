"""A room that is over: its record is archived, to be read for as long as it is kept and never written again.

The last entry of its journal says who archived it and why; a file beside the database says so to every
program that would write. The folder may then lie on a disk that cannot be written at all.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

from ..errors import Refused, StoreError
from .files import sync_folder, write_durably

MARKER = "archived.json"


@dataclass(frozen=True)
class Archived:
    """Who archived a room, when (RFC 3339 in UTC), why, and the head of its journal from then on."""

    at: str
    who: str
    why: str
    head: str


def archived(folder: Path) -> Archived | None:
    """What the folder says of itself; None where the room is in use."""
    try:
        return Archived(**json.loads((folder / MARKER).read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, OSError) as error:
        raise StoreError(f"{folder / MARKER} cannot be read: {error}. Nothing was changed.") from error


def is_for_reading_only(folder: Path) -> bool:
    """Whether nothing may or can be written into a folder: it is archived, or its disk refuses."""
    return (folder / MARKER).exists() or not os.access(folder, os.W_OK)


def refuse_archived(folder: Path) -> None:
    """StoreError where a room is archived and something would be written."""
    over = archived(folder)
    if over is not None:
        raise StoreError(
            f"The room in {folder} was archived by {over.who} on {over.at}: {over.why}. It can be read, "
            "but no longer written. Nothing was changed. To use it again: `stillroom room reopen`."
        )


def mark_archived(folder: Path, over: Archived) -> None:
    """Write the file that closes a folder to writers."""
    write_durably(folder / MARKER, (json.dumps(vars(over), indent=1) + "\n").encode())


def unmark_archived(folder: Path) -> Archived:
    """Take the mark away, so that the record can be written again; Refused where there is none."""
    over = archived(folder)
    if over is None:
        raise Refused(f"The room in {folder} is not archived; nothing was changed.")
    (folder / MARKER).unlink()
    sync_folder(folder)
    return over
