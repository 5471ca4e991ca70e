"""Rescue files: readings and events that could not be stored before the end, for the next start.

They lie beside the record, or where the data folder takes nothing, in a folder of state: one that systemd
names, else `$XDG_STATE_HOME/stillroom` or `~/.local/state/stillroom`. Their names hold the key of the record,
so that they enter no other one. One transaction stores them with an entry of the journal that has their
SHA-256: whatever ends this program in between, nothing is stored twice.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from ..errors import StoreError
from ..instants import rfc3339
from ..model import Row
from ..processes.deadline import Attempt
from ..store import Store
from ..store.files import publish
from ..store.hot.journal import canonical
from ..store.hot.tables import reading
from ..store.types import JSON

log = logging.getLogger(__name__)

KIND = "rescue"
FORMAT = "stillroom rescued readings 1"
EACH_S = 0.6  # a place that takes no file within this is passed over: the process has to end
OWNER_ALONE = 0o600
NEWEST_EVENTS = 1000  # among which those of a file may stand already


@dataclass(frozen=True)
class Remainder:
    """What was in memory at the end, oldest first; events as the journal has them."""

    rows: Sequence[Row]
    events: Sequence[Mapping[str, Any]]

    def __bool__(self) -> bool:
        return bool(self.rows or self.events)


def places(folder: Path, *, its_own: bool = True) -> list[Path]:
    """Folders that rescue files may lie in, best first; without the data folder where it is not `its_own`."""
    state = [Path(place) for place in os.environ.get("STATE_DIRECTORY", "").split(os.pathsep) if place]
    home = os.environ.get("XDG_STATE_HOME") or os.path.expanduser("~/.local/state")
    inside = folder.absolute()
    others = [place for place in (*state, Path(home) / "stillroom") if not place.is_relative_to(inside)]
    return [folder, *others] if its_own else others


def write(store: Store, remainder: Remainder, now_ns: int) -> str:
    """Write what is left into the first place that takes it; a sentence that says where, or why nowhere."""
    content = _content(store.key, remainder)
    name = f"rescued-{store.key}-{now_ns}-{os.getpid()}.json"
    refusals = []
    for place in places(store.folder, its_own=_is_there(store)):
        attempt = Attempt("write rescue file", partial(_write, place / name, content))
        try:
            if attempt.wait(EACH_S):
                attempt.result()
                return f"They are in {place / name} and are taken in at the next start."
            refusals.append(f"{place} does not answer")
        except OSError as error:
            refusals.append(f"{place}: {error.strerror or error}")
    return f"They are lost: no folder took them ({'; '.join(refusals) or 'none is known'})."


def take_in(store: Store) -> None:
    """Store what rescue files of this record hold, once, and delete them. Raises what the store raises."""
    for place in places(store.folder):
        try:
            files = sorted(place.glob(f"rescued-{store.key}-*.json")) if store.key else []
        except OSError:  # a folder of state that is not ours to look into
            continue
        for path in files:
            _take_in(store, path)


def _is_there(store: Store) -> bool:
    """Whether the data folder is the one that was opened: on a place where its disk was, a file is hidden."""
    try:
        store.check_place()
    except StoreError:
        return False
    return True


def _content(key: str, remainder: Remainder) -> bytes:
    body = {
        "format": FORMAT,
        "record": key,
        "rows": [astuple(row) for row in remainder.rows],
        "events": list(remainder.events),
    }
    text = json.dumps(body, separators=(",", ":"))
    return f"{text}\n{hashlib.sha256(text.encode()).hexdigest()}\n".encode()


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, OWNER_ALONE), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        publish(part, path)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def _take_in(store: Store, path: Path) -> None:
    try:
        text, _, sha = path.read_text("utf-8").rstrip("\n").rpartition("\n")
        if hashlib.sha256(text.encode()).hexdigest() != sha:
            raise ValueError("its digest is not that of its content")
        body = json.loads(text)
        rows, events = [Row(*row) for row in body["rows"]], list(body["events"])
    except (OSError, ValueError, TypeError, KeyError) as error:
        log.error(
            "%s holds readings of an earlier run and cannot be read: %s. Nothing of it was stored; keep "
            "it, and have it examined.", path, error,
        )  # fmt: skip
        return
    if any(entry.what["sha256"] == sha for entry in store.journal.entries(kind=KIND)):
        path.unlink(missing_ok=True)  # it ended before the file was deleted
        return
    newest = store.journal.entries(kind="event", newest_first=True, limit=NEWEST_EVENTS)
    written = {canonical(entry.what) for entry in newest}
    with store.begin() as conn:
        new = _not_stored(store, conn, rows)
        store.append("poll", new, conn)
        for event in events:
            if canonical(event) not in written:
                store.journal.append("event", "service", event, conn=conn)
        taken = sorted(row.taken_ns for row in rows)
        extent: list[JSON] = [rfc3339(taken[0]), rfc3339(taken[-1])] if taken else []
        what: dict[str, JSON] = {"file": path.name, "sha256": sha, "readings": len(new), "taken": extent}
        store.journal.append(KIND, "service", what, conn=conn)
    path.unlink(missing_ok=True)
    log.warning("%d readings that an earlier run could not store are stored now, from %s", len(new), path)


def _not_stored(store: Store, conn: Connection, rows: Sequence[Row]) -> list[Row]:
    """Rows without those that were stored after all, while the file was written."""
    if not rows:
        return []
    taken = [row.taken_ns for row in rows]
    within = reading.c.taken_ns.between(min(taken), max(taken))
    stored = {_identity(row) for row in store.hot.select(conn, within).rows()}
    return [row for row in rows if _identity(row) not in stored]


def _identity(row: Row) -> tuple[object, ...]:
    """What makes a poll that poll."""
    return row.channel, row.taken_ns, row.received_ns, row.monotonic_ns, row.value
