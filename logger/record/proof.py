"""The whole record verified: what the store holds, the signing key, and verdicts judged anew.

The result lists what was compared with what, and what was not: a verification that is silent about
its limits would be trusted too far.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.exc import DatabaseError

from ..errors import StillroomError
from ..instants import rfc3339
from ..store.backup.compare import verify_record as verify_stored
from ..store.types import Verification
from ..verdicts.verdicts import Verdicts
from .signatures import check_keys, restored_without

if TYPE_CHECKING:
    from ..model import Setup
    from ..store import Store

# Errors that an altered row may raise when read: reported by the verification, no reason to stop.
UNREADABLE = (StillroomError, ValueError, TypeError, KeyError, AttributeError, DatabaseError)
_NEVER = (
    "the newest statement of each zone, which the service writes anew every minute; notices that wait or were"
    " sent; sessions and settings of the pages; texts of cases that"
    " nobody has saved yet; numbers of messages that nodes sent",
)


def verify_record(
    store: Store,
    heads: Sequence[tuple[int, str]] = (),
    target: Path | None = None,
    *,
    verdicts: bool = True,
) -> Verification:
    """Verify the record against heads and backups; with `verdicts`, judge everything anew and compare."""
    stored = verify_stored(store, heads, target)
    faults, compared, left_out = list(stored.faults), list(_compared_lines(stored)), []
    try:
        faults += check_keys(store)
        if restored_without(store):
            left_out.append("the signing key: this record was restored, and no backup holds the key")
    except UNREADABLE as error:
        faults.append(f"signing key: its entries in the journal cannot be read: {error}")
    compared += stored.compared
    if verdicts:
        for fault, line, rest in _compare_verdicts(store):
            faults += fault
            compared += line
            left_out += rest
    else:
        left_out.append("stored verdicts, by your choice: without --no-verdicts they are judged anew")
    return replace(
        stored,
        faults=tuple(faults),
        compared=tuple(compared),
        left_out=(*left_out, *stored.left_out, *_NEVER),
    )


def altered_verdicts(store: Store) -> Iterator[str]:
    """A sentence for every stored verdict that is not what its evidence gives."""
    for faults, _, _ in _compare_verdicts(store):
        yield from faults


def _compared_lines(verification: Verification) -> Iterator[str]:
    yield (
        f"{verification.entries} journal entries, each with the one before it; {verification.readings} "
        f"readings and {verification.files} archive files with the digests in the journal"
    )
    yield (
        "setups, originals, issued records, inspections, marks, alarms, decisions, clocks, accounts and"
        " tokens with their entries; tables, indexes and triggers with those of the program; overviews of"
        " charts with the archive; the signing key with the journal"
    )


def _compare_verdicts(store: Store) -> Iterator[tuple[list[str], list[str], list[str]]]:
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
        yield _compare_zone(Verdicts(store, setup), zone)


def _setup(store: Store) -> Setup | None:
    from ..config import in_force

    versions = store.setups.versions()
    return in_force(versions).setup if versions else None


def _compare_zone(verdicts: Verdicts, zone: str) -> tuple[list[str], list[str], list[str]]:
    try:
        comparison = verdicts.compare_stored(zone)
    except UNREADABLE as error:
        return [], [], [f"stored verdicts of zone {zone}: {error}"]
    faults = [
        f"verdicts of zone {zone}, {day}: not what their readings, setup and marks give"
        for day in comparison.altered_days
    ]
    if not comparison.until_ns:
        return faults, [], [f"stored verdicts of zone {zone}: there are none that would be believed"]
    span = f"from {rfc3339(comparison.from_ns)} to {rfc3339(comparison.until_ns)}"
    since = (
        f"verdicts of zone {zone} since {rfc3339(comparison.until_ns)}: provisional, or to be judged again"
    )
    return faults, [f"verdicts of zone {zone} {span}, judged anew from the readings"], [since]
