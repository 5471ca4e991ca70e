"""A room and what is in it: zones, positions, probes with their channels, and where each was when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .ceilings import (
    LONGEST_INTERVAL_S,
    clamp_field,
    longest_age_s,
    longest_gap_s,
)


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
