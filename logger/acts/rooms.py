"""Acts on a room as a whole: its record is archived, or used again. The journal keeps both as kind `room`."""

from __future__ import annotations

from ..instants import rfc3339
from ..store import Store
from ..store.archived import Archived, mark_archived
from .required import required_person, required_text

KIND = "room"


def archive_room(store: Store, who: str, why: str, now_ns: int) -> Archived:
    """Write the last entry of the journal, then the file that closes the folder to writers."""
    who, why = required_person(who), required_text(why, "reason")
    store.journal.append(KIND, who, {"act": "archived"}, why)
    number, sha256 = store.journal.head()
    over = Archived(rfc3339(now_ns // 10**9 * 10**9), who, why, f"{number} {sha256}")
    mark_archived(store.folder, over)
    return over


def journal_reopening(store: Store, over: Archived, who: str, why: str) -> None:
    """The journal says that the record goes on, and since when it was archived."""
    what = {"act": "reopened", "archived": over.at, "by": over.who}
    store.journal.append(KIND, required_person(who), what, required_text(why, "reason"))
