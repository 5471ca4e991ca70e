"""Mapping campaigns: planned, run and closed, each act an entry of the journal of kind `campaign`.

A campaign is its positions, each with the channel that stands there, its phases (side by side before, states
of the room, side by side after), and its close. Entries are never changed: a wrong phase is taken back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

from ..errors import Refused, UnknownName
from ..instants import NS, parse, rfc3339
from ..model import Setup
from ..model.entry_forms import CampaignEntry
from ..store import JournalEntry, Store
from ..store.types import JSON
from .required import check_interval, required_person, required_text

KIND = "campaign"
BEFORE, AFTER = "side by side before", "side by side after"
APART_M = 0.05  # nearer positions of one medium are one place
MOST = 200
UTC = ZoneInfo("UTC")


@dataclass(frozen=True)
class CampaignPosition:
    """A place of a campaign in m from the room's origin, its medium, and the channel that stands there."""

    name: str
    x_m: float
    y_m: float
    z_m: float
    channel: str
    medium: str = "air"

    @property
    def xyz_m(self) -> tuple[float, float, float]:
        """Its coordinates."""
        return self.x_m, self.y_m, self.z_m


@dataclass(frozen=True)
class CampaignPhase:
    """Side by side, or a state of the room, over [from_ns, to_ns); `to_ns` None: it goes on."""

    name: str
    from_ns: int
    to_ns: int | None
    number: int  # of its entry in the journal


@dataclass(frozen=True)
class PlannedCampaign:
    """A campaign as its acts tell it; `closed`: by whom, with which words and answers, or empty."""

    key: str
    zone: str
    name: str
    positions: tuple[CampaignPosition, ...]
    who: str
    at_ns: int
    phases: tuple[CampaignPhase, ...] = ()
    closed: Mapping[str, Any] = field(default_factory=dict)

    @property
    def states(self) -> tuple[CampaignPhase, ...]:
        """Phases in which probes stood at their positions."""
        return tuple(phase for phase in self.phases if phase.name not in (BEFORE, AFTER))

    @property
    def running(self) -> CampaignPhase | None:
        """The phase that goes on."""
        return next((phase for phase in self.phases if phase.to_ns is None), None)

    def phase(self, name: str) -> CampaignPhase | None:
        """The newest phase of that name."""
        return next((phase for phase in reversed(self.phases) if phase.name == name), None)

    @property
    def next_step(self) -> str:
        """What comes next, in words."""
        if self.closed:
            return "closed"
        if self.running is not None:
            return f"running: {self.running.name}"
        if self.phase(BEFORE) is None and not self.states:
            return "put all probes side by side in one bundle for 2 h"
        if not self.states:
            return "put each probe at its position and begin a state, 24 h or more"
        return "another state, or side by side after" if self.phase(AFTER) is None else "close it"


def plan_campaign(store: Store, setup: Setup, campaign: PlannedCampaign, who: str) -> PlannedCampaign:
    """Plan a campaign; Refused where a name is taken, a channel unknown, or two positions are one place."""
    who, key = required_person(who), required_text(campaign.key, "key of the campaign")
    setup.zone(campaign.zone)
    name = required_text(campaign.name, "name of the campaign")
    if key in {old.key for old in campaigns(store)}:
        raise Refused(f"There is already a campaign {key!r}; give this one another key. Nothing was changed.")
    check_positions(setup, campaign.positions)
    positions: list[JSON] = [dict(vars(p)) for p in campaign.positions]
    what: dict[str, JSON] = {"campaign": key, "act": "plan", "zone": campaign.zone, "name": name}
    store.journal.append(KIND, who, {**what, "positions": positions})
    return campaign_of(store, key)


def check_positions(setup: Setup, positions: Sequence[CampaignPosition]) -> None:
    """Refused, with what to enter instead, where positions cannot be those of a campaign."""
    if not 2 <= len(positions) <= MOST:
        raise Refused(f"A campaign has 2 to {MOST} positions; found {len(positions)}. Nothing was changed.")
    size = setup.room.size_m
    for number, p in enumerate(positions, start=1):
        required_text(p.name, f"name of position {number}")
        if p.channel not in setup.channels:
            raise UnknownName("channel", p.channel, setup.channels)
        if not all(math.isfinite(x) and -1 <= x <= side + 1 for x, side in zip(p.xyz_m, size, strict=True)):
            ends = " × ".join(f"{side:g}" for side in size)
            raise Refused(
                f"Position {p.name!r}: expected a position in the room of {ends} m, found "
                f"{p.x_m:g}, {p.y_m:g}, {p.z_m:g}. Nothing was changed."
            )
        for other in positions[: number - 1]:
            _refuse_twice(p, other)


def _refuse_twice(p: CampaignPosition, other: CampaignPosition) -> None:
    if p.name == other.name:
        raise Refused(f"Two positions have the name {p.name!r}. Name each once. Nothing was changed.")
    if p.channel == other.channel:
        raise Refused(
            f"{p.channel} is at {other.name!r} and at {p.name!r}: a probe has one position at a time. "
            "Nothing was changed."
        )
    if p.medium == other.medium and math.dist(p.xyz_m, other.xyz_m) < APART_M:
        raise Refused(
            f"Positions {other.name!r} and {p.name!r} are the same place (nearer than {APART_M:g} m). Leave "
            "one out, or correct its coordinates. Nothing was changed."
        )


def add_phase(store: Store, key: str, name: str, span: tuple[int, int | None], who: str) -> PlannedCampaign:
    """Write down a phase over [from, to), or one that begins and goes on (`to` None)."""
    campaign, who = _open(store, key), required_person(who)
    name, (from_ns, to_ns) = required_text(name, "name of the state"), span
    if to_ns is not None:
        check_interval(from_ns, to_ns)
    if campaign.running is not None:
        raise Refused(
            f"{campaign.running.name.capitalize()} is still running: end it first. Nothing was changed."
        )
    end = math.inf if to_ns is None else to_ns
    for old in campaign.phases:
        if from_ns < (old.to_ns or math.inf) and old.from_ns < end:
            begin = rfc3339(from_ns // NS * NS)
            raise Refused(
                f"From {begin} on the campaign was in {old.name!r}: probes are at one place "
                "at a time. Choose another interval, or take that phase back. Nothing was changed."
            )
    what: dict[str, JSON] = {"campaign": key, "act": "begin", "phase": name, "from": rfc3339(from_ns)}
    store.journal.append(KIND, who, what | {"to": None if to_ns is None else rfc3339(to_ns)})
    return campaign_of(store, key)


def end_phase(store: Store, key: str, at_ns: int, who: str) -> PlannedCampaign:
    """End the phase that goes on."""
    campaign, who = _open(store, key), required_person(who)
    running = campaign.running
    if running is None:
        raise Refused(f"No phase of campaign {key!r} is running. Nothing was changed.")
    check_interval(running.from_ns, at_ns)
    what: dict[str, JSON] = {"campaign": key, "act": "end", "entry": running.number, "to": rfc3339(at_ns)}
    store.journal.append(KIND, who, what)
    return campaign_of(store, key)


def take_back(store: Store, key: str, name: str, who: str, why: str) -> PlannedCampaign:
    """Leave out a phase that was written down wrongly; the entry stays in the journal, with the reason."""
    campaign, phase = _open(store, key), None
    phase = campaign.phase(name)
    if phase is None:
        raise UnknownName("phase", name, [p.name for p in campaign.phases])
    what: dict[str, JSON] = {"campaign": key, "act": "take back", "entry": phase.number}
    store.journal.append(KIND, required_person(who), what, required_text(why, "reason"))
    return campaign_of(store, key)


def close_campaign(store: Store, key: str, who: str, why: str, answers: Mapping[str, str]) -> PlannedCampaign:
    """Close a campaign with its answers, state -> digest of the study; then nothing is added to it."""
    campaign, who = _open(store, key), required_person(who)
    if campaign.running is not None:
        raise Refused(
            f"{campaign.running.name.capitalize()} is still running: end it first. Nothing was changed."
        )
    if not campaign.states:
        raise Refused(f"Campaign {key!r} has no state with probes at their positions. Nothing was changed.")
    closure = "known" if campaign.phase(BEFORE) and campaign.phase(AFTER) else "unknown"
    what: dict[str, JSON] = {"campaign": key, "act": "close", "closure": closure, "answers": dict(answers)}
    store.journal.append(KIND, who, what, why.strip())
    return campaign_of(store, key)


def _open(store: Store, key: str) -> PlannedCampaign:
    campaign = campaign_of(store, key)
    if campaign.closed:
        raise Refused(f"Campaign {key!r} was closed by {campaign.closed['who']}; nothing was changed.")
    return campaign


def campaign_of(store: Store, key: str) -> PlannedCampaign:
    """The campaign of a key; UnknownName where there is none."""
    by_key = {campaign.key: campaign for campaign in campaigns(store)}
    if key not in by_key:
        raise UnknownName("campaign", key, by_key)
    return by_key[key]


def campaigns(store: Store, zone: str | None = None) -> list[PlannedCampaign]:
    """Every campaign, in the order in which they were planned."""
    by_key: dict[str, PlannedCampaign] = {}
    for entry in store.journal.entries(kind=KIND):
        _read(entry, by_key)
    return [campaign for campaign in by_key.values() if zone in (None, campaign.zone)]


def _read(entry: JournalEntry, by_key: dict[str, PlannedCampaign]) -> None:
    what = entry.read(CampaignEntry)
    key, act = what["campaign"], what["act"]
    if act == "plan":
        places = tuple(CampaignPosition(**position) for position in what["positions"])
        by_key[key] = PlannedCampaign(key, what["zone"], what["name"], places, entry.who, entry.at_ns)
        return
    old = by_key[key]
    if act == "begin":
        end_ns = None if what["to"] is None else parse(what["to"], UTC)
        phase = CampaignPhase(what["phase"], parse(what["from"], UTC), end_ns, entry.number)
        phases = tuple(sorted((*old.phases, phase), key=lambda p: p.from_ns))
        by_key[key] = replace(old, phases=phases)
    elif act == "end" and what["to"] is not None:
        to_ns = parse(what["to"], UTC)
        phases = tuple(replace(p, to_ns=to_ns) if p.number == what["entry"] else p for p in old.phases)
        by_key[key] = replace(old, phases=phases)
    elif act == "take back":
        by_key[key] = replace(old, phases=tuple(p for p in old.phases if p.number != what["entry"]))
    elif act == "close":
        about = {"who": entry.who, "at": rfc3339(entry.at_ns), "why": entry.why}
        by_key[key] = replace(old, closed={**about, "closure": what["closure"], "answers": what["answers"]})
