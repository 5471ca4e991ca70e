"""The whole record verified: what the store holds, the signing key, and verdicts judged anew.

What was compared with what, and what was not, is told with the outcome: a verification that is
silent about its limits would be taken for more than it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.exc import DatabaseError

from ..errors import StillroomError
from ..instants import rfc3339
from ..store.backup.compare import verify_record
from ..store.types import Verification
from ..verdicts.verdicts import Verdicts
from .signatures import check_keys, restored_without

if TYPE_CHECKING:
    from ..model import Setup
    from ..store import Store

# What a row that was altered may raise where it is read: named by the walk, and no reason to stop.
UNREADABLE = (StillroomError, ValueError, TypeError, KeyError, AttributeError, DatabaseError)
_NEVER = (
    "the newest statement of each zone, which the service writes anew every minute; notices that wait or were"
    " sent; sessions and settings of the pages; numbers of messages that nodes sent",
)


def verified(
    store: Store,
    told: Sequence[tuple[int, str]] = (),
    target: Path | None = None,
    *,
    verdicts: bool = True,
) -> Verification:
    """Walk the record, hold it against heads and backups, and with `verdicts` judge everything anew."""
    found = verify_record(store, told, target)
    faults, compared, left_out = list(found.faults), list(_held(found)), []
    try:
        faults += check_keys(store)
        if restored_without(store):
            left_out.append("the signing key: this record was restored, and no backup holds the key")
    except UNREADABLE as error:
        faults.append(f"signing key: its entries in the journal cannot be read: {error}")
    compared += found.compared
    if verdicts:
        for fault, line, rest in _judged_anew(store):
            faults += fault
            compared += line
            left_out += rest
    else:
        left_out.append("stored verdicts, by your choice: without --no-verdicts they are judged anew")
    return replace(
        found,
        faults=tuple(faults),
        compared=tuple(compared),
        left_out=(*left_out, *found.left_out, *_NEVER),
    )


def altered_verdicts(store: Store) -> Iterator[str]:
    """A sentence for every stored verdict that is not what its evidence gives."""
    for faults, _, _ in _judged_anew(store):
        yield from faults


def _held(found: Verification) -> Iterator[str]:
    yield (
        f"{found.entries} journal entries, each with the one before it; {found.readings} readings and "
        f"{found.files} archive files with the digests in the journal"
    )
    yield (
        "setups, originals, issued records, inspections, marks, alarms, decisions, clocks, accounts and"
        " tokens with their entries; tables, indexes and triggers with those of the program; overviews of"
        " charts with the archive; the signing key with the journal"
    )


def _judged_anew(store: Store) -> Iterator[tuple[list[str], list[str], list[str]]]:
    """By zone: faults, what was compared, what was left out."""
    try:
        setup = _setup(store)
    except UNREADABLE as error:
        yield [], [], [f"stored verdicts: the setup cannot be read, by which they would be judged: {error}"]
        return
    if setup is None:
        yield [], [], ["stored verdicts: the record has no setup by which anything could be judged"]
        return
    for zone in setup.zones:
        yield _zone(Verdicts(store, setup), zone)


def _setup(store: Store) -> Setup | None:
    from ..config import in_force

    versions = store.setups()
    return in_force(versions).setup if versions else None


def _zone(verdicts: Verdicts, zone: str) -> tuple[list[str], list[str], list[str]]:
    try:
        found = verdicts.compare_stored(zone)
    except UNREADABLE as error:
        return [], [], [f"stored verdicts of zone {zone}: {error}"]
    faults = [
        f"verdicts of zone {zone}, {day}: not what their readings, setup and marks give"
        for day in found.altered_days
    ]
    if not found.until_ns:
        return faults, [], [f"stored verdicts of zone {zone}: there are none that would be believed"]
    span = f"from {rfc3339(found.from_ns)} to {rfc3339(found.until_ns)}"
    since = f"verdicts of zone {zone} since {rfc3339(found.until_ns)}: provisional, or to be judged again"
    return faults, [f"verdicts of zone {zone} {span}, judged anew from the readings"], [since]
