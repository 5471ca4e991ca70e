"""Which interval an act is about, beside when it was done: records and packages choose by the former.

A decision of June on an inspection of March belongs to the record of March.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

from ..acts.inspections import inspections
from ..errors import IntervalError
from ..instants import parse, rfc3339

if TYPE_CHECKING:
    from ..store import JournalEntry, Store
    from .act_forms import ActIntervalFacts

UTC = ZoneInfo("UTC")
NEVER_NS = 2**62
# Acts that a record of their interval would have to say; numbers and revisions are the program's own.
SPEAKING = ("case", "mark", "inspection", "decision", "disposition-excursion", "disposition-inspection")


@dataclass(frozen=True)
class ActInterval:
    """The interval [from, to) that an act is about; `zones` empty: no zone in particular."""

    zones: tuple[str, ...]
    from_ns: int
    to_ns: int

    def overlaps(self, zone: str | None, from_ns: int, to_ns: int) -> bool:
        """Whether it is about a part of an interval of a zone, or of any zone."""
        ours = zone is None or not self.zones or zone in self.zones
        return ours and self.from_ns < to_ns and self.to_ns > from_ns

    def to_dict(self) -> ActIntervalFacts:
        """Plain data; an inspection that still runs has no end."""
        end = None if self.to_ns == NEVER_NS else rfc3339(self.to_ns)
        return {"from": rfc3339(self.from_ns), "to": end}


class ActTimes:
    """The intervals that acts of one record are about."""

    def __init__(self, store: Store) -> None:
        self._jobs = {
            j.key: ActInterval((j.zone,), j.from_ns, NEVER_NS if j.to_ns is None else j.to_ns)
            for j in inspections(store)
        }

    def about(self, entry: JournalEntry) -> ActInterval:
        """What an act is about; where it names no interval, the instant at which it was done."""
        what: Mapping[str, Any] = entry.what
        if entry.kind in ("inspection", "verdict-issue") and what.get("inspection") in self._jobs:
            return self._jobs[str(what["inspection"])]
        inner = what["about"] if isinstance(what.get("about"), Mapping) else what
        ends = _ends(inner)
        zones = inner.get("zones") or ([inner["zone"]] if inner.get("zone") else [])
        names = tuple(str(z["zone"] if isinstance(z, Mapping) else z) for z in zones)
        if ends is None:
            return ActInterval(names, entry.at_ns, entry.at_ns + 1)
        return ActInterval(names, *ends)


def _ends(what: Mapping[str, Any]) -> tuple[int, int] | None:
    """From and to as an entry names them: in ns, or as RFC 3339; of several instants the first and last."""
    if isinstance(what.get("from_ns"), int) and isinstance(what.get("to_ns"), int):
        return what["from_ns"], what["to_ns"]
    instants = [i["taken_ns"] for i in what.get("instants", ()) if isinstance(i, Mapping) and "taken_ns" in i]
    if instants:
        return min(instants), max(instants) + 1
    try:
        return parse(str(what["from"]), UTC), parse(str(what["to"]), UTC)
    except (KeyError, IntervalError):
        return None


class IssuedInterval(Protocol):
    """What is asked of a record: its number, and the interval of a zone that it is about."""

    @property
    def number(self) -> int: ...
    @property
    def zone(self) -> str: ...
    @property
    def from_ns(self) -> int: ...
    @property
    def to_ns(self) -> int: ...


def acts_since(store: Store, issue: IssuedInterval) -> list[JournalEntry]:
    """What people did about the interval of a record since it was issued, and it therefore does not say.

    A record that another one replaces is not asked for: the newer one says it.
    """
    entries = store.journal.entries(kind="record")
    issued = next((e.number for e in entries if e.what.get("record") == issue.number), 0)
    times = ActTimes(store)
    later = [e for kind in SPEAKING for e in store.journal.entries(after=issued, kind=kind)]
    return sorted(
        (
            e
            for e in later
            if e.who != "stillroom" and times.about(e).overlaps(issue.zone, issue.from_ns, issue.to_ns)
        ),
        key=lambda e: e.number,
    )
