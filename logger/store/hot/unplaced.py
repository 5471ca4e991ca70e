"""Readings that an unsure clock stamped and that have no place in time yet, by the boot that took them.

Whatever was recorded of a clock, what counts is what is stored: a service that was killed between marking a
reading and recording why leaves readings that no doubt names.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from ..rows import Columns
from .clocks import EVER_NS, Clocks, Doubt

UNRECORDED = "readings were marked as unsure, and the service ended before it recorded why"


class Stored(Protocol):
    """What this needs of a store."""

    @property
    def clocks(self) -> Clocks: ...

    def channels(self) -> list[str]: ...

    def columns(self, channel: str, from_ns: int, to_ns: int) -> Columns: ...


@dataclass(frozen=True)
class Unplaced:
    """Readings of one boot that wait for a correction; `taken_ns`: when the first was, by that clock."""

    boot: str
    readings: int
    taken_ns: int
    base_ns: int  # UTC less monotonic, as that clock showed it
    monotonic_ns: int  # of the first


def unplaced(store: Stored) -> dict[str, Unplaced]:
    """By boot; every channel is read, where any reading was ever marked."""
    found: dict[str, Unplaced] = {}
    if not store.clocks.ever_unsure():
        return found
    for channel in store.channels():
        for one in _of_channel(store, channel):
            known = found.get(one.boot)
            first = one if known is None or one.monotonic_ns < known.monotonic_ns else known
            found[one.boot] = replace(first, readings=one.readings + (known.readings if known else 0))
    return found


def _of_channel(store: Stored, channel: str) -> Iterator[Unplaced]:
    rows = store.columns(channel, -EVER_NS, EVER_NS)
    _, known = store.clocks.instants(channel, rows)
    waiting = rows.part(np.asarray(~known, np.bool_))
    for code, boot in enumerate(waiting.boot.table):
        at = np.flatnonzero(waiting.boot.codes == code)
        if len(at):
            first = int(at[np.argmin(waiting.monotonic_ns[at])])
            base_ns = int(waiting.received_ns[first] - waiting.monotonic_ns[first])
            yield Unplaced(
                boot, len(at), int(waiting.taken_ns[first]), base_ns, int(waiting.monotonic_ns[first])
            )


def waiting_boots(store: Stored) -> dict[str, Doubt]:
    """Boots whose stamps wait for a correction: by a recorded doubt, or because such readings are stored."""
    doubts = store.clocks.unsure_boots()
    others = {boot: one for boot, one in unplaced(store).items() if boot and boot not in doubts}
    return doubts | {
        boot: Doubt(boot, one.base_ns, one.taken_ns, UNRECORDED, 0, one.monotonic_ns)
        for boot, one in others.items()
    }


def record_doubts(store: Stored) -> None:
    """Record a doubt for each boot that has such readings and no doubt."""
    known = store.clocks.unsure_boots()
    for boot, doubt in waiting_boots(store).items():
        if boot not in known:
            store.clocks.doubt(boot, doubt.base_ns, doubt.why, doubt.monotonic_ns)
