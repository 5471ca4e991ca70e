"""Work that was stopped in a zone, and resumed, each with the authority for it (ISO/IEC 17025:2017, 7.10.1).

Both are entries of the journal: they stand as marks in charts and records, and no verdict changes by them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..errors import Refused
from ..instants import rfc3339
from ..model import Setup
from ..model.entry_forms import ZoneEntry
from ..model.roles import Act
from ..people.authority import refuse_without_authority
from ..store import Store

STOPPED, RESUMED = "work-stopped", "work-resumed"


@dataclass(frozen=True)
class Stop:
    """Work that is stopped in a zone."""

    zone: str
    at_ns: int
    who: str
    why: str


def stops_in_force(store: Store) -> dict[str, Stop]:
    """Zones in which work is stopped now."""
    stops: dict[str, Stop] = {}
    acts = [*store.journal.entries(kind=STOPPED), *store.journal.entries(kind=RESUMED)]
    for entry in sorted(acts, key=lambda e: e.number):
        zone = entry.read(ZoneEntry)["zone"]
        if entry.kind == STOPPED:
            stops[zone] = Stop(zone, entry.at_ns, entry.who, entry.why)
        else:
            stops.pop(zone, None)
    return stops


def stop_work(store: Store, setup: Setup, zone: str, *, who: str, why: str, now_ns: int) -> None:
    """Nobody is to measure in a zone until work is resumed. Whoever may measure may stop."""
    _act(store, setup, zone, (who, why), Act.INSPECT)
    if zone in stops_in_force(store):
        raise Refused(f"Work in zone {zone!r} was already stopped by {stops_in_force(store)[zone].who}.")
    store.journal.append(STOPPED, who.strip(), _what(zone, now_ns), why.strip())


def resume_work(store: Store, setup: Setup, zone: str, *, who: str, why: str, now_ns: int) -> None:
    """Measuring may go on: takes the authority to decide on what went wrong."""
    _act(store, setup, zone, (who, why), Act.DECIDE)
    if zone not in stops_in_force(store):
        raise Refused(f"Work in zone {zone!r} is not stopped.")
    store.journal.append(RESUMED, who.strip(), _what(zone, now_ns), why.strip())


def _act(store: Store, setup: Setup, zone: str, texts: tuple[str, str], act: Act) -> None:
    setup.zone(zone)
    for text, what in zip(texts, ("the name of the person who does this", "the reason"), strict=True):
        if not text.strip():
            raise Refused(f"Enter {what}. Nothing was changed.")
    refuse_without_authority(store, texts[0], act)


def _what(zone: str, now_ns: int) -> dict[str, Any]:
    return {"zone": zone, "at": rfc3339(now_ns)}
