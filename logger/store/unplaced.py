"""Readings that an unsure clock stamped and that have no place in time yet, by the boot that took them.

Whatever was recorded of a clock, what counts is what is stored: a service that was killed between marking a
reading and recording why leaves readings that no doubt names.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from .hot.clocks import EVER_NS, Doubt

if TYPE_CHECKING:
    from .store import Store

UNRECORDED = "readings were marked as unsure, and the service ended before it recorded why"


@dataclass(frozen=True)
class UnplacedReadings:
    """Readings of one boot that wait for a correction; `taken_ns`: when the first was, by that clock."""

    boot: str
    readings: int
    taken_ns: int
    base_ns: int  # UTC less monotonic, as that clock showed it
    monotonic_ns: int  # of the first


def unplaced_readings(store: Store) -> dict[str, UnplacedReadings]:
    """By boot; every channel is read, where any reading was ever marked."""
    by_boot: dict[str, UnplacedReadings] = {}
    if not store.clocks.ever_unsure():
        return by_boot
    for channel in store.readings.channels():
        for part in _of_channel(store, channel):
            before = by_boot.get(part.boot)
            first = part if before is None or part.monotonic_ns < before.monotonic_ns else before
            by_boot[part.boot] = replace(first, readings=part.readings + (before.readings if before else 0))
    return by_boot


def _of_channel(store: Store, channel: str) -> Iterator[UnplacedReadings]:
    rows = store.readings.columns(channel, -EVER_NS, EVER_NS)
    _, certain = store.clocks.true_instants(channel, rows)
    waiting = rows.part(np.asarray(~certain, np.bool_))
    for code, boot in enumerate(waiting.boot.table):
        at = np.flatnonzero(waiting.boot.codes == code)
        if len(at):
            first = int(at[np.argmin(waiting.monotonic_ns[at])])
            base_ns = int(waiting.received_ns[first] - waiting.monotonic_ns[first])
            yield UnplacedReadings(
                boot, len(at), int(waiting.taken_ns[first]), base_ns, int(waiting.monotonic_ns[first])
            )


def waiting_boots(store: Store) -> dict[str, Doubt]:
    """Boots whose stamps wait for a correction: by a recorded doubt, or because such readings are stored."""
    doubts = store.clocks.unsure_boots()
    others = {
        boot: readings for boot, readings in unplaced_readings(store).items() if boot and boot not in doubts
    }
    return doubts | {
        boot: Doubt(boot, readings.base_ns, readings.taken_ns, UNRECORDED, 0, readings.monotonic_ns)
        for boot, readings in others.items()
    }


def record_doubts(store: Store) -> None:
    """Record a doubt for each boot that has such readings and no doubt."""
    recorded = store.clocks.unsure_boots()
    for boot, doubt in waiting_boots(store).items():
        if boot not in recorded:
            store.clocks.record_doubt(boot, doubt.base_ns, doubt.why, doubt.monotonic_ns)
