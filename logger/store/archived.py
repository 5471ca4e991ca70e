"""A room that is over: its record is archived, to be read for as long as it is kept and never written again.

The last entry of its journal says who archived it and why; a file beside the database says so to every
program that would write. The folder may then lie on a disk that cannot be written at all.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import Refused, StoreError
from ..instants import rfc3339
from .files import sync_folder, write_durably

if TYPE_CHECKING:
    from .store import Store

MARKER = "archived.json"
KIND = "room"  # of the journal


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
            f"The room in {folder} was archived by {over.who} on {over.at}: {over.why}. It can be read "
            "and is not written any more. Nothing was changed. To use it again: `stillroom room reopen`."
        )


def archive_room(store: Store, who: str, why: str, now_ns: int) -> Archived:
    """Write the last entry of the journal, then the file that closes the folder to writers."""
    _require(who, why)
    store.journal.append(KIND, who, {"act": "archived"}, why)
    number, sha256 = store.journal.head()
    over = Archived(rfc3339(now_ns // 10**9 * 10**9), who, why, f"{number} {sha256}")
    write_durably(store.folder / MARKER, (json.dumps(vars(over), indent=1) + "\n").encode())
    return over


def reopen_room(folder: Path) -> Archived:
    """Take the mark away, so that the record can be written again; Refused where there is none."""
    over = archived(folder)
    if over is None:
        raise Refused(f"The room in {folder} is not archived; nothing was changed.")
    (folder / MARKER).unlink()
    sync_folder(folder)
    return over


def journal_reopening(store: Store, over: Archived, who: str, why: str) -> None:
    """The journal says that the record goes on, and since when it was archived."""
    _require(who, why)
    store.journal.append(KIND, who, {"act": "reopened", "archived": over.at, "by": over.who}, why)


def _require(who: str, why: str) -> None:
    if not who.strip() or not why.strip():
        raise Refused("Say who does this and why (--who, --why); nothing was changed.")
