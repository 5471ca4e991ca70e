"""What is set up: rooms, zones, positions, probes, certificates, rules, alarms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from ..errors import UnknownName
from .words import DERIVED, RuleKind


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
class Zone:
    """A part of a room that is judged as one; `bodies`, where declared, take the place of settling_s."""

    key: str
    name: str
    outline_m: tuple[float, float, float, float]  # x0, y0, x1, y1 in plan
    settling_s: int = 4 * 3600  # common practice, no source
    body_gap_s: int = 3600
    pre_window_s: int = 2 * 3600
    bodies: tuple[ThermalBody, ...] = ()


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
    flat_n: int = 0  # so many identical values are suspect while a neighbour moves; 0: test off


@dataclass(frozen=True)
class Probe:
    """An instrument with a serial number."""

    key: str
    serial: str
    description: str
    channels: tuple[str, ...]


@dataclass(frozen=True)
class Placement:
    """Which probe stood at which position, and when."""

    probe: str
    position: str
    from_ns: int
    to_ns: int | None = None


@dataclass(frozen=True)
class Certificate:
    """Calibration of one channel, in the channel's own unit.

    `corrections` are reference − indication (the error with its sign turned), at
    `indications`, ascending. `U` is the expanded uncertainty at those points with factor `k`.
    `drift` and `other_u`: declared rectangular half-width, and further standard uncertainty.
    `applied_by_instrument`: the instrument corrects itself by it, so that `corrections` are zero here.
    """

    number: str
    channel: str
    issuer: str
    accreditation: str
    calibrated_on: str  # ISO 8601 day
    valid_from_ns: int  # put in use
    due_ns: int | None  # end of the due day in the room's time zone
    indications: tuple[float, ...]
    corrections: tuple[float, ...]
    U: tuple[float, ...]
    k: float
    range: tuple[float, float]
    drift: float = 0.0
    other_u: float = 0.0
    withdrawn_ns: int | None = None
    applied_by_instrument: bool = False


@dataclass(frozen=True)
class Rule:
    """One requirement on one zone, in force over [from_ns, to_ns).

    `channels` empty means every channel of the zone that measures `quantity` in one of `media`.
    Limits, in `unit`: degC, %RH, Pa for kind "limit"; K for "span" and "difference"; K/h for
    "slope"; K/m for "gradient".
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


@dataclass(frozen=True)
class AlarmSpec:
    """What is told to whom when a rule is not met. No alarm without an action text."""

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


@dataclass(frozen=True)
class Mark:
    """An interval that a person or an event declared not to be trusted."""

    zone: str
    from_ns: int
    to_ns: int
    reason: str
    who: str


@dataclass(frozen=True)
class Setup:
    """Everything that was in force, as known at one moment. `digest` names its canonical text."""

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

    def zone(self, key: str) -> Zone:
        """The zone of that key, or UnknownName with those that there are."""
        if key not in self.zones:
            raise UnknownName("zone", key, self.zones)
        return self.zones[key]

    def rules_of(self, zone: str, activity: str = "") -> tuple[Rule, ...]:
        """Rules of a zone. Those of the activity replace the general one of the same name."""
        general = [r for r in self.rules if r.zone == zone and not r.activity]
        special = [r for r in self.rules if r.zone == zone and activity and r.activity == activity]
        replaced = {r.name for r in special}
        return tuple([r for r in general if r.name not in replaced] + special)

    def placements_of(self, channel: str) -> tuple[Placement, ...]:
        """Where the probe of a channel stood, in order of time."""
        probe = self.channels[channel].probe
        return tuple(sorted((p for p in self.placements if p.probe == probe), key=lambda p: p.from_ns))

    def certificates_of(self, channel: str) -> tuple[Certificate, ...]:
        """Certificates of a channel in the order in which they were put in use."""
        return tuple(
            sorted((c for c in self.certificates if c.channel == channel), key=lambda c: c.valid_from_ns)
        )

    def channels_of(self, rule: Rule) -> tuple[str, ...]:
        """Channels that a rule takes, at any time, in the order of their keys."""
        if rule.channels:
            return rule.channels
        places = {p.key for p in self.positions.values() if p.zone == rule.zone and p.medium in rule.media}
        probes = {p.probe for p in self.placements if p.position in places}
        found = {c.key: c.probe for c in self.channels.values() if c.quantity == rule.quantity}
        keys = [key for key, probe in found.items() if probe in probes]
        if rule.quantity in DERIVED:
            computed = [f"{probe}.{rule.quantity}" for probe in probes - set(found.values())]
            keys += [key for key in computed if self.inputs_of(key)]
        return tuple(sorted(keys))

    def inputs_of(self, key: str) -> tuple[str, ...]:
        """Channels that a derived one such as "P1.dew_point" is computed from, in the order of DERIVED.

        Empty for a measured channel, and where an input is missing or there are two to choose from.
        """
        probe, _, quantity = key.rpartition(".")
        if key in self.channels or quantity not in DERIVED or probe not in self.probes:
            return ()
        found = [self._inputs(probe, of) for of in DERIVED[quantity]]
        return tuple(keys[0] for keys in found) if all(len(keys) == 1 for keys in found) else ()

    def _inputs(self, probe: str, quantity: str) -> list[str]:
        own = [c.key for c in self.channels.values() if (c.probe, c.quantity) == (probe, quantity)]
        if own or quantity != "pressure":
            return own
        # 12 Pa a metre of height aside, pressure is the room's: the zone's first barometer serves.
        zones = {self.positions[p.position].zone for p in self.placements if p.probe == probe}
        near = {key for zone in zones for key in self.channels_in(zone)}
        return sorted(key for key in near if self.channels[key].quantity == "pressure")[:1]

    def channels_in(self, zone: str) -> tuple[str, ...]:
        """Channels that were in a zone at any time."""
        places = {p.key for p in self.positions.values() if p.zone == zone}
        probes = {p.probe for p in self.placements if p.position in places}
        return tuple(sorted(c.key for c in self.channels.values() if c.probe in probes))
