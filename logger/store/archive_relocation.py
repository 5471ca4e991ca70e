"""The sealed files of a record taken to another place, and back; nothing is deleted where they were.

Every file is read, compared with its seal, put, fetched again and compared; then the journal says where
they are, and `store.toml` comes last. Whatever interrupts that: the files are read where they were, and
the next attempt skips what is at the new place already.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import Refused, StoreDamaged, StoreInUse
from .archive.archive import LOCK
from .archive.file_place import FolderPlace, Place, place_at
from .archive.sealed_content import FOLDER, name_of
from .files import write_durably
from .store import Store
from .store_file import archive_table, replace_table
from .types import JSON, Seal

TABLE = "archive"


@dataclass(frozen=True)
class ArchiveRelocation:
    """How many sealed files there are, and how many of them had to be copied, with their bytes."""

    source: str
    target: str
    files: int
    copied: int
    copied_bytes: int


def relocate_archive(store: Store, address: str, endpoint: str, who: str) -> ArchiveRelocation:
    """Copy all sealed files to a place and read them there from then on; "" is the data folder itself.

    The caller makes sure that no service runs. Refused where they lie there already, where files of another
    record do, or where there is no room; StoreDamaged where a file is not what was sealed.
    """
    content = store.archive.content
    own = FolderPlace(store.folder / FOLDER, own=True)
    target = place_at(address, endpoint) if address else own
    if _same(target.address, content.place.address):
        raise Refused(f"The sealed files lie in {target.address} already; nothing was changed.")
    if address and _same(target.address, own.address):
        raise Refused(f"{address} is the archive of the data folder itself: give --to embedded.")
    with store.lock(LOCK) as ours:
        if not ours:
            raise StoreInUse(f"{store.folder} is being sealed just now; nothing was changed. Try again.")
        seals = store.archive.seals(disposed=False)
        _refuse_others(store, target, seals)
        copied = [seal.size_bytes for seal in seals if _copy(store, target, seal)]
        result = ArchiveRelocation(
            content.place.address, target.address, len(seals), len(copied), sum(copied)
        )
        facts: dict[str, JSON] = {"from": result.source, "to": result.target, "files": result.files}
        facts |= {"copied": result.copied, "bytes": result.copied_bytes}
        store.journal.append("archive-moved", who, facts)
        replace_table(store.folder, TABLE, _keys(store, address, endpoint))
    return result


def _keys(store: Store, address: str, endpoint: str) -> dict[str, str] | None:
    """What store.toml is to say; files that lay in the data folder stay there as copies for charts."""
    if not address:
        return None
    before = archive_table(store.folder)
    copies = FOLDER if before is None else before.copy_folder
    keys = {"at": address, "endpoint": endpoint, "copy": copies}
    return {key: value for key, value in keys.items() if value}


def _refuse_others(store: Store, target: Place, seals: Sequence[Seal]) -> None:
    """See that nothing of another record lies there, and that there is room."""
    there = set(target.names())
    named = {name_of(seal.file) for seal in store.archive.seals()}
    others = sorted(name for name in there - named if name.endswith(".parquet"))
    if others and target.address != str(store.folder / FOLDER):
        raise Refused(
            f"{target.address} holds files that are not of this record, such as {others[0]!r}; nothing was "
            "changed. Give each room a folder or a prefix of its own."
        )
    missing = sum(seal.size_bytes for seal in seals if name_of(seal.file) not in there)
    free = target.free()
    if free is not None and free < missing:
        raise Refused(
            f"{target.address}: {missing / 1e6:.0f} MB are to be copied and {free / 1e6:.0f} MB are free; "
            "nothing was changed."
        )


def _copy(store: Store, target: Place, seal: Seal) -> bool:
    """See that the target holds a file as it was sealed; whether it had to be copied."""
    name = name_of(seal.file)
    if target.holds(name):
        if _digest(target.get(name)) == seal.sha256:
            return False
        if not _same(target.address, str(store.folder / FOLDER)):
            raise Refused(
                f"{target.address}/{name} is another file than this record sealed; it was left as it is. "
                "Nothing was changed: give each room a place of its own, or remove what an attempt left."
            )
        target.remove(name)  # a copy that was damaged
    with tempfile.TemporaryDirectory(prefix="stillroom-archive-") as scratch:
        file = Path(scratch) / "sealed.parquet"
        try:
            content = store.archive.content.get(seal.file)
        except OSError as error:
            raise StoreDamaged(_altered(store, seal)) from error
        if _digest(content) != seal.sha256:
            raise StoreDamaged(_altered(store, seal))
        write_durably(file, content)
        target.put(name, file)
    if _digest(target.get(name)) != seal.sha256:
        target.remove(name)
        raise StoreDamaged(
            f"{target.address}/{name} did not read back as it was written, and was removed. Nothing was "
            "changed: check that place, then try again."
        )
    return True


def _altered(store: Store, seal: Seal) -> str:
    return (
        f"{store.archive.content.at(seal.file)} is missing or not what was sealed; nothing was changed. Put "
        "it back from a backup first; `stillroom verify` names all such files."
    )


def _same(address: str, other: str) -> bool:
    if "://" in address or "://" in other:
        return address == other
    return Path(address).resolve() == Path(other).resolve()


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
