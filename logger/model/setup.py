"""What is set up: rooms, zones, positions, probes, certificates, rules, alarms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from ..errors import UnknownName
from .ceilings import (
    LEAST_COMPLETENESS,
    WIDEST_CLOCK_S,
    clamp_field,
)
from .certificates import Certificate
from .groups import group_by
from .plate import Plate
from .room import Channel, HoursOfUse, Placement, Position, Probe, Room, Validity, Zone
from .words import DERIVED, RuleKind


@dataclass(frozen=True)
class Rule(Validity):
    """One requirement on one zone, in force over [from_ns, to_ns).

    `channels` empty means every channel of the zone that measures `quantity` in one of `media`.
    Limits, in `unit`: degC, %RH, Pa for kind "limit"; K for "span", "spread" and "difference"; K/h for
    "slope"; K/m for "gradient" and "plane"; um for "bending".
    """

    key: str  # "machine-bay.temperature"
    zone: str
    kind: RuleKind
    name: str  # as printed: "temperature", "span in 1 h", "vertical gradient"
    quantity: str
    unit: str
    lower: float | None
    upper: float | None
    basis: str
    from_ns: int
    to_ns: int | None = None
    media: tuple[str, ...] = ("air",)
    channels: tuple[str, ...] = ()
    need: int | None = None  # how many channels must give evidence; None: all
    window_s: int = 0
    direction: Literal["", "vertical", "horizontal", "pair"] = ""
    d_min_m: float = 0.3
    completeness: float = 0.95
    r: float = 1.0  # guard band w = r · U; 0 is simple acceptance
    disturbs: bool = False
    activity: str = ""  # empty: for all work in the zone
    approver: str = ""
    plate: Plate | None = None  # of kind "bending" alone

    def __post_init__(self) -> None:
        clamp_field(self, "completeness", least=LEAST_COMPLETENESS)
        clamp_field(self, "need", least=1)


@dataclass(frozen=True)
class AlarmSpec:
    """Whom an alarm of one rule notifies, when, and of what. No alarm without an action text."""

    key: str
    rule: str
    priority: Literal["low", "medium", "high"]
    consequence: str
    action: str
    on_delay_s: int = 300
    off_delay_s: int = 300
    deadband: float = 0.0
    routes: tuple[str, ...] = ("screen",)
    latching: bool = False  # stays until a person resets it, though the room came back by itself
    hours: HoursOfUse | None = None  # its own calendar; None: always
    in_hours_of_use: bool = False  # only while the zone is used
    escalate_after_s: int = 0  # not acknowledged for so long: escalate_to are notified; 0: never
    escalate_to: tuple[str, ...] = ()
    repeat_after_s: int = 0  # still out for so long: another notice; 0: never
    can_wait: bool = False  # in quiet hours its notices wait for their end
    screen_alone: str = ""  # why the screen is enough for one of high priority
    zone: str = ""  # of an alarm without a rule; "": the whole room
    watches: str = ""  # what an alarm without a rule looks at, as in `logger.core.alarms.system`


@dataclass(frozen=True)
class Mark:
    """An interval that a person or an event marked as not to be used."""

    zone: str
    from_ns: int
    to_ns: int
    reason: str
    who: str


@dataclass(frozen=True)
class Settings:
    """Zones and channels as they were set before `until_ns`: they carry no validity of their own."""

    until_ns: int
    zones: Mapping[str, Zone]
    channels: Mapping[str, Channel]


@dataclass(frozen=True)
class Correction:
    """A setup version that corrected an entry error and so reaches back before its approval."""

    version: int
    from_ns: int
    approved_ns: int
    author: str
    approver: str
    reason: str


@dataclass(frozen=True)
class Setup:
    """Everything that was in force, as recorded by one moment. `digest` identifies its canonical text.

    Zones and channels are the newest; `earlier` has those of before, ascending in time.
    """

    version: int
    digest: str
    room: Room
    zones: Mapping[str, Zone]
    positions: Mapping[str, Position]
    probes: Mapping[str, Probe]
    channels: Mapping[str, Channel]
    placements: tuple[Placement, ...]
    certificates: tuple[Certificate, ...]
    rules: tuple[Rule, ...]
    alarms: tuple[AlarmSpec, ...]
    clock_limit_s: float = 30.0
    step_s: int = 60
    earlier: tuple[Settings, ...] = ()
    corrections: tuple[Correction, ...] = ()
    bounded: tuple[str, ...] = ()  # settings beyond a ceiling, and by what they are judged instead

    def __post_init__(self) -> None:
        clamp_field(self, "clock_limit_s", most=WIDEST_CLOCK_S)

    def at(self, at_ns: int) -> Setup:
        """The setup with the zones and channels as they were set at an instant."""
        for settings in self.earlier:
            if at_ns < settings.until_ns:
                return replace(self, zones=settings.zones, channels=settings.channels, earlier=())
        return self._newest

    @cached_property
    def _newest(self) -> Setup:
        return replace(self, earlier=()) if self.earlier else self

    def by_settings(self) -> tuple[Setup, ...]:
        """The setup under each of its settings, oldest first."""
        return (*(self.at(s.until_ns - 1) for s in self.earlier), replace(self, earlier=()))

    def zones_now(self) -> tuple[Zone, ...]:
        """Zones that were not given up."""
        return tuple(zone for zone in self.zones.values() if zone.to_ns is None)

    def zone(self, key: str) -> Zone:
        """The zone of that key, or UnknownName with those that there are."""
        if key not in self.zones:
            raise UnknownName("zone", key, self.zones)
        return self.zones[key]

    @cached_property
    def rule_names(self) -> Mapping[str, str]:
        """Names of rules as printed, by key; of several rules with one key that of the newest."""
        return {rule.key: rule.name for rule in self.rules}

    def rules_of(self, zone: str, activity: str = "") -> tuple[Rule, ...]:
        """Rules of a zone; one of the activity replaces the general one of its name while it is in force."""
        general = [r for r in self.rules if r.zone == zone and not r.activity]
        special = [r for r in self.rules if r.zone == zone and activity and r.activity == activity]
        for replacement in special:
            general = [
                part
                for r in general
                for part in (_parts_outside(r, replacement) if r.name == replacement.name else (r,))
            ]
        return tuple(general + special)

    def placements_of(self, channel: str) -> tuple[Placement, ...]:
        """Where the probe of a channel stood, in order of time."""
        return self._placements_by_probe.get(self.channels[channel].probe, ())

    def position_at(self, channel: str, at_ns: int) -> Position | None:
        """Where the probe of a channel stood at an instant; None: at no position."""
        begun = [p for p in self.placements_of(channel) if p.from_ns <= at_ns]
        return self.positions.get(begun[-1].position) if begun and begun[-1].holds(at_ns) else None

    def in_zone(self, channel: str, zone: str, at_ns: int) -> bool:
        """Whether the probe of a channel stood in a zone at an instant."""
        position = self.position_at(channel, at_ns)
        return position is not None and position.zone == zone

    @cached_property
    def _placements_by_probe(self) -> Mapping[str, tuple[Placement, ...]]:
        """By probe, in order of time."""
        return group_by(sorted(self.placements, key=lambda p: p.from_ns), lambda p: p.probe)

    def certificates_of(self, channel: str) -> tuple[Certificate, ...]:
        """Certificates of a channel in the order in which they were put in use."""
        return self._certificates_by_channel.get(channel, ())

    @cached_property
    def _certificates_by_channel(self) -> Mapping[str, tuple[Certificate, ...]]:
        """By channel, in the order in which they were put in use."""
        return group_by(sorted(self.certificates, key=lambda c: c.valid_from_ns), lambda c: c.channel)

    def channels_of(self, rule: Rule) -> tuple[str, ...]:
        """Channels that a rule applies to, at any time, in the order of their keys."""
        if rule.channels:
            return rule.channels
        places = {p.key for p in self.positions.values() if p.zone == rule.zone and p.medium in rule.media}
        probes = {p.probe for p in self.placements if p.position in places}
        probe_of = {c.key: c.probe for c in self.channels.values() if c.quantity == rule.quantity}
        keys = [key for key, probe in probe_of.items() if probe in probes]
        if rule.quantity in DERIVED:
            computed = [f"{probe}.{rule.quantity}" for probe in probes - set(probe_of.values())]
            keys += [key for key in computed if self.inputs_of(key)]
        return tuple(sorted(keys))

    def inputs_of(self, key: str) -> tuple[str, ...]:
        """Channels that a derived one such as "P1.dew_point" is computed from, in the order of DERIVED.

        Empty for a measured channel, and where an input is missing or there are two to choose from.
        """
        if key not in self._inputs_by_channel:
            self._inputs_by_channel[key] = self._search_inputs(key)
        return self._inputs_by_channel[key]

    @cached_property
    def _inputs_by_channel(self) -> dict[str, tuple[str, ...]]:
        """Answers of `inputs_of`: thousands of inspections ask for the same few."""
        return {}

    def _search_inputs(self, key: str) -> tuple[str, ...]:
        probe, _, quantity = key.rpartition(".")
        if key in self.channels or quantity not in DERIVED or probe not in self.probes:
            return ()
        candidates = [self._inputs(probe, of) for of in DERIVED[quantity]]
        return tuple(keys[0] for keys in candidates) if all(len(keys) == 1 for keys in candidates) else ()

    @cached_property
    def _channels_by_quantity(self) -> Mapping[tuple[str, str], tuple[Channel, ...]]:
        """By probe and quantity."""
        return group_by(self.channels.values(), lambda c: (c.probe, c.quantity))

    def _inputs(self, probe: str, quantity: str) -> list[str]:
        measured = [c.key for c in self._channels_by_quantity.get((probe, quantity), ())]
        if measured or quantity != "pressure":
            return measured
        # 12 Pa a metre of height aside, pressure is the room's: the zone's first barometer serves.
        zones = {self.positions[p.position].zone for p in self.placements if p.probe == probe}
        near = {key for zone in zones for key in self.channels_in(zone)}
        return sorted(key for key in near if self.channels[key].quantity == "pressure")[:1]

    def channels_in(self, zone: str) -> tuple[str, ...]:
        """Channels that were in a zone at any time."""
        places = {p.key for p in self.positions.values() if p.zone == zone}
        probes = {p.probe for p in self.placements if p.position in places}
        return tuple(sorted(c.key for c in self.channels.values() if c.probe in probes))


def _parts_outside(rule: Rule, other: Rule) -> tuple[Rule, ...]:
    """The parts of a rule's validity that lie before and after that of another."""
    parts = []
    if rule.from_ns < other.from_ns:
        parts.append(replace(rule, to_ns=_earlier(rule.to_ns, other.from_ns)))
    if other.to_ns is not None and (rule.to_ns is None or rule.to_ns > other.to_ns):
        parts.append(replace(rule, from_ns=max(rule.from_ns, other.to_ns)))
    return tuple(parts)


def _earlier(first: int | None, second: int) -> int:
    return second if first is None else min(first, second)
