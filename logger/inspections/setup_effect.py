"""What a proposed setup does to the room, before anybody approves it: rules, zones, shares, inspections.

Nothing is stored. The share of the last 30 days "with it" is judged as if what holds after the change had
held all that time: its limits, and only channels that still have a successor.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ..core.rules import channels
from ..core.rules.finding import demand
from ..core.validity.timeline import first_affected
from ..errors import Refused
from ..instants import NS, rfc3339, wall
from ..model import REASONS, VERDICT_OF, Placement, Rule, Setup
from ..model.figures import percent
from ..store import Store
from ..verdicts.verdicts import Verdicts
from .setup_impact import ChangedVerdict, changed_verdicts

DAYS = 30
DAY_NS = 86_400 * NS
PAIRS = ("gradient", "spread", "difference", "condensation", "bending")  # rules that compare two
OWN_MEDIA = ("difference", "condensation", "bending")  # these look at one medium against another
GOODNESS = {"stable": 2, "not shown": 1, "not stable": 0}
LEAST_LOSS = 0.0005  # of a share: less is not a loss that anybody could see in 30 days


@dataclass(frozen=True)
class Support:
    """What a rule rests on at an instant: channels placed, those with evidence, and how many it takes."""

    placed: int
    evident: int
    least: int

    @property
    def enough(self) -> bool:
        """Whether the rule can be shown to be met."""
        return self.evident >= self.least


@dataclass(frozen=True)
class RuleLoss:
    """A rule that rests on fewer channels from an instant on, or on too few."""

    rule: str
    zone: str
    from_ns: int
    was: Support
    becomes: Support
    timezone: str

    @property
    def since(self) -> str:
        """From when on, as people of the room read it."""
        return wall(self.from_ns, ZoneInfo(self.timezone))

    @property
    def not_shown(self) -> bool:
        """Whether the rule, and with it the zone, is not shown from then on, and could be before."""
        return self.was.enough and not self.becomes.enough

    @property
    def sentence(self) -> str:
        """The loss in one sentence."""
        name, since = f"{self.rule} in zone {self.zone}", f"from {self.since} on"
        if self.not_shown:
            has, least = self.becomes.evident, self.becomes.least
            return f"{name} is not shown {since}: evidence of {has} of the {least} channels it requires."
        return f"{name} rests on {self.becomes.evident} of {self.was.evident} channels {since}."


@dataclass(frozen=True)
class ShareChange:
    """How much of the last 30 days a zone was stable, and would have been; None: no record."""

    zone: str
    before: float | None
    after: float | None

    @property
    def worse(self) -> bool:
        """Whether less of the time would have been stable."""
        return self.before is not None and (self.after or 0.0) < self.before - LEAST_LOSS

    @property
    def sentence(self) -> str:
        """The change in one sentence."""
        return f"Zone {self.zone}, stable in the last {DAYS} days: {_percent(self.before)}, with it " + (
            f"{_percent(self.after)}."
        )


@dataclass(frozen=True)
class SetupEffect:
    """Everything that a proposed setup does to the room."""

    losses: tuple[RuleLoss, ...]
    shares: tuple[ShareChange, ...]
    verdicts: tuple[ChangedVerdict, ...]

    @property
    def not_shown(self) -> dict[str, int]:
        """Zone -> instant in ns from which it is not shown."""
        zones: dict[str, int] = {}
        for loss in self.losses:
            if loss.not_shown:
                zones[loss.zone] = min(loss.from_ns, zones.get(loss.zone, loss.from_ns))
        return zones

    def _zones_lost(self) -> list[str]:
        """A sentence for each zone that is not shown from an instant on."""
        first = {
            loss.zone: loss.since
            for loss in sorted(self.losses, key=lambda loss: -loss.from_ns)
            if loss.not_shown
        }
        return [
            f"Zone {zone} is not shown from {first[zone]} on, until it has the channels it lacks."
            for zone in self.not_shown
        ]

    @property
    def other_verdicts(self) -> list[ChangedVerdict]:
        """Inspections and records with another verdict or reason."""
        return [v for v in self.verdicts if v.is_other_verdict]

    @property
    def other_figures(self) -> list[ChangedVerdict]:
        """Inspections whose verdict stays, with another error or U."""
        return [v for v in self.verdicts if not v.is_other_verdict]

    @property
    def worse(self) -> list[str]:
        """What gets worse, a sentence each; empty where nothing does."""
        shares = [s.sentence for s in self.shares if s.worse]
        verdicts = [v.sentence + "." for v in self.verdicts if is_worse(v)]
        return [*self._zones_lost(), *(loss.sentence for loss in self.losses), *shares, *verdicts]

    @property
    def sentences(self) -> list[str]:
        """Zones, rules and shares in sentences; the changed verdicts have a table of their own."""
        judged = [s.sentence for s in self.shares if s.before is not None or s.after is not None]
        return [*self._zones_lost(), *(loss.sentence for loss in self.losses), *judged]

    def to_dict(self) -> dict[str, Any]:
        """Plain data for programs."""
        return {
            "rules": [
                {"rule": x.rule, "zone": x.zone, "from": rfc3339(x.from_ns), "not_shown": x.not_shown}
                | {"channels_before": x.was.evident, "channels_after": x.becomes.evident}
                | {"channels_required": x.becomes.least}
                for x in self.losses
            ],
            "not_shown": {zone: rfc3339(at_ns) for zone, at_ns in self.not_shown.items()},
            "stable_last_30_days": [
                {"zone": s.zone, "before": s.before, "after": s.after} for s in self.shares
            ],
            "worse": self.worse,
        }


def is_worse(changed: ChangedVerdict) -> bool:
    """Whether a verdict becomes a worse one; stable is better than not shown, that than not stable."""
    was, becomes = (GOODNESS.get(text.split(" (")[0], 1) for text in (changed.was, changed.becomes))
    return becomes < was


def _percent(share: float | None) -> str:
    return "no record" if share is None else percent(share)


def effect_if_approved(
    store: Store, texts: Mapping[str, str], who: str, now_ns: int, *, correction: bool = False
) -> SetupEffect:
    """What these files do to the room if they are approved now; nothing for the first version."""
    from ..config import in_force
    from ..store import SetupVersion

    versions = store.setups.versions()
    if not versions:
        return SetupEffect((), (), ())
    number = versions[-1].version + 1
    new = SetupVersion(number, now_ns, who, who, "", texts, "", now_ns, correction)
    return setup_effect(store, in_force(versions).setup, in_force([*versions, new]).setup, now_ns)


def refuse_unconfirmed(effect: SetupEffect, *, yes: bool, how: str) -> None:
    """Refused, with everything that gets worse, where it was not confirmed; `how`: what confirms it."""
    if effect.worse and not yes:
        worse = [f"  {sentence}" for sentence in effect.worse]
        raise Refused(
            "\n".join(["Nothing was changed, as this gets worse:", *worse, f"{how} if that is meant."])
        )


def setup_effect(store: Store, before: Setup, after: Setup, now_ns: int) -> SetupEffect:
    """What `after` does to the room if it is put in force now; judges, so it may take seconds."""
    losses = tuple(rule_losses(before, after, now_ns))
    zones = [z.key for z in after.zones_now() if z.key in before.zones]
    touched = [z for z in zones if first_affected(before, after, z) is not None]
    shares = tuple(_share_change(store, before, after, zone, now_ns) for zone in touched)
    verdicts = changed_verdicts(store, before, after, now_ns) if touched else []
    return SetupEffect(losses, shares, tuple(verdicts))


def rule_losses(before: Setup, after: Setup, now_ns: int) -> Iterator[RuleLoss]:
    """Rules that have fewer channels with evidence, from now or from a later instant of the change on."""
    listed: set[tuple[str, int]] = set()
    for at_ns in _instants(before, after, now_ns):
        for rule in after.rules:
            if not rule.holds(at_ns):
                continue
            was, becomes = (support(setup, rule, at_ns) for setup in (before, after))
            lost = becomes.evident < was.evident or (was.enough and not becomes.enough)
            if lost and (rule.key, becomes.evident) not in listed:
                listed.add((rule.key, becomes.evident))
                since = _since(before, after, rule, at_ns)
                yield RuleLoss(rule.name, rule.zone, since, was, becomes, after.room.timezone)


def support(setup: Setup, rule: Rule, at_ns: int) -> Support:
    """What a rule rests on at an instant; without a number of its own it takes every channel placed."""
    placed = [key for key in channels(rule, setup) if _is_placed(setup, rule, key, at_ns)]
    evident = [key for key in placed if _has_evidence(setup, key, at_ns)]
    least = demand(rule) or max(2 if rule.kind in PAIRS else 1, len(placed))
    return Support(len(placed), len(evident), least)


def _instants(before: Setup, after: Setup, now_ns: int) -> list[int]:
    """Now, and each later instant at which a placement or a rule of either setup begins or ends."""
    edges = {
        ns
        for setup in (before, after)
        for thing in (*setup.placements, *setup.rules)
        for ns in (thing.from_ns, thing.to_ns)
        if ns is not None and ns > now_ns
    }
    return sorted({now_ns, *edges})


def _since(before: Setup, after: Setup, rule: Rule, at_ns: int) -> int:
    """When the loss begins: the newest end of a stay that only the new setup has, else `at_ns`."""
    old = {(p.probe, p.position, p.to_ns) for p in before.placements}
    ends = [
        p.to_ns
        for p in after.placements
        if p.to_ns is not None
        and p.to_ns <= at_ns
        and (p.probe, p.position, p.to_ns) not in old
        and after.positions[p.position].zone == rule.zone
    ]
    return max(ends, default=at_ns)


def _is_placed(setup: Setup, rule: Rule, key: str, at_ns: int) -> bool:
    """Whether the probe of a channel stands where a rule looks for it."""
    probe = key.rpartition(".")[0]
    stays = [p for p in setup.placements if p.probe == probe and p.holds(at_ns)]
    here = [setup.positions[p.position] for p in stays if setup.positions[p.position].zone == rule.zone]
    if rule.channels or rule.kind in OWN_MEDIA:
        return bool(here)
    return any(position.medium in rule.media for position in here)


def _has_evidence(setup: Setup, key: str, at_ns: int) -> bool:
    """Whether a channel, or each that it is computed from, has a certificate that holds."""
    return all(_is_certified(setup, part, at_ns) for part in setup.inputs_of(key) or (key,))


def _is_certified(setup: Setup, channel: str, at_ns: int) -> bool:
    """Whether a channel exists and the certificate in use at an instant is neither overdue nor withdrawn."""
    if channel not in setup.channels:
        return False
    used = [c for c in setup.certificates_of(channel) if c.valid_from_ns <= at_ns]
    if not used:
        return False
    ends = (used[-1].due_ns, used[-1].withdrawn_ns)
    return all(end is None or at_ns < end for end in ends)


def _share_change(store: Store, before: Setup, after: Setup, zone: str, now_ns: int) -> ShareChange:
    """Both shares are judged in the same way, so that nothing but the setup differs."""
    return ShareChange(
        zone,
        _stable_share(store, as_if_always(before, now_ns), zone, now_ns),
        _stable_share(store, as_if_always(after, _instants(before, after, now_ns)[-1]), zone, now_ns),
    )


def _stable_share(store: Store, setup: Setup, zone: str, now_ns: int) -> float | None:
    record = Verdicts(store, setup).record(zone)
    begin_ns = now_ns - DAYS * DAY_NS if record is None else max(record[0], now_ns - DAYS * DAY_NS)
    if record is None or record[1] <= begin_ns:
        return None
    judgement = Verdicts(store, setup).judgement(zone, begin_ns, now_ns, now_ns, alone=True)
    cells = judgement.reason[max(0, begin_ns // judgement.grid.step_ns - judgement.grid.first) :]
    stable = [i for i, reason in enumerate(REASONS) if VERDICT_OF[reason] == "stable"]
    return float(np.isin(cells, stable).mean()) if len(cells) else None


def as_if_always(setup: Setup, end_ns: int) -> Setup:
    """What holds at an instant, as if it had held for ever: its limits, and the channels that stand then.

    A probe that has left its place counts only by quantities of the probe that stands there instead, whose
    readings then speak for the place, or where it stands elsewhere in the same zone.
    """
    rules = tuple(replace(r, from_ns=0, to_ns=None) for r in setup.rules if r.holds(end_ns))
    standing = [p for p in setup.placements if p.holds(end_ns)]
    remaining, lost_channels = list(standing), set[str]()
    for stay in setup.placements:
        if stay.holds(end_ns):
            continue
        quantities = _successor_quantities(setup, stay, standing, end_ns)
        lost = {k for k in setup.probes[stay.probe].channels if setup.channels[k].quantity not in quantities}
        if not any(p.probe == stay.probe for p in standing):
            lost_channels |= lost
        if quantities:
            remaining.append(stay)
    named = {key for rule in rules for key in rule.channels}  # these stay, without evidence
    channels_left = {key: c for key, c in setup.channels.items() if key not in lost_channels or key in named}
    certificates = tuple(c for c in setup.certificates if c.channel not in lost_channels)
    setup = replace(setup, rules=rules, placements=tuple(remaining), earlier=())
    return replace(setup, channels=channels_left, certificates=certificates)


def _successor_quantities(
    setup: Setup, stay: Placement, standing: Sequence[Placement], end_ns: int
) -> set[str]:
    """Quantities by which an earlier stay still speaks for the place or zone."""
    zone = setup.positions[stay.position].zone
    same = [p for p in standing if p.probe == stay.probe and setup.positions[p.position].zone == zone]
    heirs = same or [p for p in standing if p.position == stay.position]
    keys = [key for p in heirs for key in setup.probes[p.probe].channels]
    return {setup.channels[key].quantity for key in keys if _is_certified(setup, key, end_ns)}
