"""What page Rooms shows: the rooms that need attention, the worst first, and the quiet ones in few words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from logger.instants import local
from logger.rooms.sightings import RoomState, custodians, sites
from logger.rooms.words import clock, clock_words, state_words

from ..data.words import in_read_units, parse_ns

DUE_DAYS = 30


@dataclass(frozen=True)
class Choice:
    """Which rooms a person wants to see: words that name or zone hold, a site, a custodian."""

    text: str = ""
    site: str = ""
    custodian: str = ""

    def takes(self, state: RoomState) -> bool:
        """Whether a room is among them."""
        zones = " ".join(str(zone["name"]) for zone in state.zones)
        all_words = f"{state.key} {state.name} {state.site} {state.custodian} {zones}".casefold()
        return (
            all(word in all_words for word in self.text.casefold().split())
            and self.site in ("", state.site)
            and self.custodian in ("", state.custodian)
        )


@dataclass(frozen=True)
class RoomRow:
    """A room that needs attention. `level`: where its mark stands; `lines`: what is said, the worst first."""

    key: str
    name: str
    where: str
    level: str
    verdict: str
    lines: tuple[tuple[str, str], ...]
    notes: str
    loud: bool


@dataclass(frozen=True)
class QuietSite:
    """Quiet rooms of one site: (key, name, since when)."""

    site: str
    rooms: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class Overview:
    """The whole page."""

    rows: tuple[RoomRow, ...]
    quiet: tuple[QuietSite, ...]
    sentence: str
    sites: tuple[str, ...]
    custodians: tuple[str, ...]
    shown: int
    at: str


def overview(states: Sequence[RoomState], choice: Choice, now_ns: int) -> Overview:
    """The page for rooms in the order of `Sightings.look`."""
    chosen = [state for state in states if choice.takes(state)]
    loud = [state for state in chosen if not state.quiet]
    quiet = [state for state in chosen if state.quiet]
    by_site: dict[str, list[RoomState]] = {}
    for state in quiet:
        by_site.setdefault(state.site, []).append(state)
    return Overview(
        tuple(_row(state, now_ns) for state in loud),
        tuple(
            QuietSite(site, tuple((s.key, s.name, _since(s, now_ns)) for s in rooms))
            for site, rooms in sorted(by_site.items())
        ),
        sentence(chosen, len(states)),
        tuple(sites(states)),
        tuple(custodians(states)),
        len(chosen),
        looked_at(chosen, now_ns),
    )


def looked_at(states: Sequence[RoomState], now_ns: int) -> str:
    """When the rooms were looked at: by their own clock where all have one zone of time.

    >>> room = RoomState("a", "A", "", "", "", "", "stable", timezone="Europe/Vienna")
    >>> looked_at([room], 0)
    '01:00:00 +01:00'
    >>> looked_at([], 0)
    "00:00:00 UTC. Times are each room's own"
    """
    zones = {state.timezone for state in states}
    if len(zones) != 1:
        return f"{local(now_ns, ZoneInfo('UTC')):%H:%M:%S} UTC. Times are each room's own"
    at = local(now_ns, ZoneInfo(zones.pop()))
    return f"{at:%H:%M:%S} {at.isoformat()[-6:]}"


def sentence(chosen: Sequence[RoomState], count: int) -> str:
    """How many rooms need attention, in one line.

    >>> sentence([], 0)
    'There is no room yet: stillroom rooms add KEY --data DIR.'
    """
    if not count:
        return "There is no room yet: stillroom rooms add KEY --data DIR."
    if not chosen:
        return f"None of the {count} rooms has this name."
    loud = sum(not state.quiet for state in chosen)
    rooms = f"{len(chosen)} room{'s' if len(chosen) != 1 else ''}"
    if not loud:
        return f"All of {rooms} stable, no alarm." if len(chosen) > 1 else "The room is stable, no alarm."
    return f"{loud} of {rooms} need{'s' if loud == 1 else ''} attention."


def _row(state: RoomState, now_ns: int) -> RoomRow:
    where = ", ".join(part for part in (state.site, state.custodian) if part)
    alarming = bool(state.trouble in ("back", "forged") or state.waiting)
    lines = tuple(_lines(state, now_ns))
    level = {"not stable": "low", "not shown": "middle", "stable": "high"}[state.verdict]
    return RoomRow(state.key, state.name, where, level, state.verdict, lines, _notes(state), alarming)


def _lines(state: RoomState, now_ns: int) -> Iterator[tuple[str, str]]:
    """(verdict and what it is of, reason and next step) of all that is not stable."""
    if state.trouble:
        words = state_words(state, now_ns)
        head, _, why = words.partition(": ")
        yield head.capitalize(), f"{why[:1].upper()}{why[1:].rstrip('.')}."
        return
    order = ("not stable", "not shown", "stable")
    zones = sorted(state.zones, key=lambda zone: order.index(zone["verdict"]))
    loud = [zone for zone in zones if zone["verdict"] != "stable"]
    for zone in loud or zones[:1]:
        yield _zone_line(zone, state, now_ns)


def _zone_line(zone: Mapping[str, Any], state: RoomState, now_ns: int) -> tuple[str, str]:
    since = f" since {clock(parse_ns(zone['since']), now_ns, state.timezone)}" if zone.get("since") else ""
    statement = in_read_units(str(zone["sentence"])).rstrip(".")
    return f"{statement}{since}", in_read_units(str(zone.get("next_step") or ""))


def _notes(state: RoomState) -> str:
    """Alarms, silent probes, certificates that come due, a doubtful clock."""
    notes = []
    if state.active:
        waits = f", {state.waiting} not acknowledged" if state.waiting else ""
        notes.append(f"{state.active} alarm{'s' if state.active != 1 else ''}{waits}")
    if state.silent_probes:
        notes.append(f"no reading from {', '.join(state.silent_probes[:4])}{_more(state.silent_probes)}")
    overdue = [due for due in state.due if due["status"] == "overdue"]
    if overdue:
        notes.append(f"{len(overdue)} certificate{'s' if len(overdue) != 1 else ''} overdue")
    if words := clock_words(state):
        notes.append(words)
    return "; ".join(notes)


def _more(names: Sequence[str]) -> str:
    return f" and {len(names) - 4} more" if len(names) > 4 else ""


def _since(state: RoomState, now_ns: int) -> str:
    """Since when all zones of a room are stable."""
    since = [parse_ns(str(zone["since"])) for zone in state.zones if zone.get("since")]
    return f"since {clock(max(since), now_ns, state.timezone)}" if since else ""
