"""What is set up: rooms, zones, positions, probes, certificates, rules, alarms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from ..errors import UnknownName
from .ceilings import (
    LEAST_COMPLETENESS,
    LONGEST_INTERVAL_S,
    WIDEST_CLOCK_S,
    clamp_field,
    longest_age_s,
    longest_gap_s,
)
from .certificates import Certificate
from .groups import group_by
from .plate import Plate
from .words import DERIVED, RuleKind


class Validity:
    """What is in force over [from_ns, to_ns); `to_ns` None: still."""

    if TYPE_CHECKING:

        @property
        def from_ns(self) -> int: ...
        @property
        def to_ns(self) -> int | None: ...

    def holds(self, at_ns: int) -> bool:
        """Whether it is in force at an instant.

        >>> stay = Placement("P1", "bench", 10, 20)
        >>> stay.holds(9), stay.holds(10), stay.holds(20), Placement("P1", "bench", 10).holds(20)
        (False, True, False, True)
        """
        return self.from_ns <= at_ns and (self.to_ns is None or at_ns < self.to_ns)


@dataclass(frozen=True)
class Room:
    """A room; `size_m` is its extent along x, y and z."""

    key: str
    name: str
    site: str
    timezone: str
    size_m: tuple[float, float, float]
    custodian: str
    simulated: bool = False
    door_m: tuple[float, float, float, float] | None = None  # x0, y0, x1, y1 of the opening in plan
    single_person: bool = False  # one person may approve own proposals; printed in every record


@dataclass(frozen=True)
class ThermalBody:
    """A body that follows the air of its zone with time constant `tau_s`; limits of its temperature in degC.

    `u_tau_s` is the standard uncertainty of the time constant. `channels` empty: the mean of the
    zone's air temperatures.
    """

    key: str  # "machine-bay.granite"
    name: str
    tau_s: float
    u_tau_s: float
    lower: float
    upper: float
    channels: tuple[str, ...] = ()


@dataclass(frozen=True)
class HoursOfUse:
    """When a zone is used for measuring, in the room's local time.

    `weekly`: (day of the week from Monday = 0, first minute, end minute) since local midnight, end up to
    2880 for a shift over midnight. `holidays`: ISO 8601 days on which no such time begins.
    """

    weekly: tuple[tuple[int, int, int], ...]
    holidays: tuple[str, ...] = ()


@dataclass(frozen=True)
class Zone:
    """A part of a room that is judged as one; `bodies`, where declared, take the place of settling_s.

    `hours_of_use` None: always. `to_ns`: when the zone was given up; its past can still be asked.
    """

    key: str
    name: str
    outline_m: tuple[float, float, float, float]  # x0, y0, x1, y1 in plan
    settling_s: int = 4 * 3600  # common practice, no source
    body_gap_s: int = 3600
    pre_window_s: int = 2 * 3600
    case_gap_s: int | None = None  # excursions closer than this are one case; None: by the settling time
    bodies: tuple[ThermalBody, ...] = ()
    hours_of_use: HoursOfUse | None = None
    agree_K: float | None = None  # a probe further from its neighbours, which agree, is suspect
    agree_dew_point_K: float | None = None  # for humidity: by its dew point
    to_ns: int | None = None

    def __post_init__(self) -> None:
        longest_s = longest_gap_s(self.settling_s, [body.tau_s for body in self.bodies])
        clamp_field(self, "body_gap_s", most=None if longest_s is None else int(longest_s))


@dataclass(frozen=True)
class Position:
    """A place with a medium. `u_m` is the standard uncertainty of each coordinate."""

    key: str
    name: str
    zone: str
    medium: str
    xyz_m: tuple[float, float, float]
    u_m: float = 0.02


@dataclass(frozen=True)
class Channel:
    """One quantity of one probe. Spans, resolution and noise in `unit`, the probe's own unit."""

    key: str  # "P1.temperature"
    probe: str
    quantity: str
    unit: str
    interval_s: float
    max_age_s: float
    resolution: float
    noise: float
    probe_span: tuple[float, float]
    user_span: tuple[float, float] | None = None
    spike: float | None = None  # a single departure larger than this is suspect
    rate: float | None = None  # a change within 5 min larger than this is suspect
    flat_n: int = 0  # so many identical values are suspect while a neighbour moves; 0: test off
    response_s: float = 0.0  # response time (63 %) of the probe where it stands; 0: not declared

    @property
    def stale_after_s(self) -> float:
        """From which age its value is not shown as one of now any more: three intervals, at least 30 s."""
        return max(3 * self.interval_s, 30.0)

    def __post_init__(self) -> None:
        clamp_field(self, "interval_s", most=LONGEST_INTERVAL_S)
        clamp_field(self, "max_age_s", most=longest_age_s(self.interval_s))


@dataclass(frozen=True)
class Probe:
    """An instrument with a serial number."""

    key: str
    serial: str
    description: str
    channels: tuple[str, ...]
    firmware: str = ""


@dataclass(frozen=True)
class Placement(Validity):
    """Which probe stood at which position, and when."""

    probe: str
    position: str
    from_ns: int
    to_ns: int | None = None


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
