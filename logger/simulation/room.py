"""A small physical model of one measuring room: where the simulated readings come from.

Lumped: the air of two zones, the walls, the air that is supplied, and two bodies (the scale
of the machine, the granite plate) that follow their air as first order systems; moisture and
barometric pressure beside them. The air handling holds the return air with a proportional and
a slow integral part, and switches its second stage inside a dead band. Seeded: the same seed,
start and disturbances give the same room, step for step, so that a record of the past and a
live room that started from the same instant fit together without a seam.

This is a teaching room, not a design tool: capacities and conductances are plausible figures of
our own for 9 m × 6 m × 3 m, chosen so that the room behaves as such rooms do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from ..instants import NS
from .climate import OutdoorClimate, outside

STEP_S = 10
_STEP_NS = STEP_S * NS
_WARM_UP_S = 24 * 3600  # run before the first instant that is shown, so that no start value is seen

SETPOINT_degC = 20.03
SETBACK_K = 0.05  # on weekends the air handling lets the room float a little warmer
CORRIDOR_degC = 23.6
WORKS_degC = 21.5  # the halls around the room
HUMIDITY_SETPOINT = 48.0

# Heat capacities in J/K, conductances and air streams in W/K.
_C_BAY, _C_BENCH, _C_SKIN, _C_WALL = 600e3, 260e3, 4e6, 25e6
_G_MIX = 260.0
_G_BAY_SKIN, _G_BENCH_SKIN, _G_SKIN_WALL = 600.0, 280.0, 300.0
_G_WALL_OUT, _G_WALL_WORKS = 25.0, 130.0
_FLOW_BAY, _FLOW_BENCH = 420.0, 190.0
_DOOR_FLOW = 330.0
_TAU_SCALE_S, _TAU_GRANITE_S = 5400.0, 10800.0
_TAU_SUPPLY_S, _TAU_RETURN_S, _TAU_PLUME_S = 100.0, 60.0, 90.0

_GAIN = 1.6  # K of supply per K of return air
_TRIM_PER_S = 1.0 / 2400
_STAGE_K = 0.30
_DEAD_BAND_K = 0.03

DisturbanceKind = Literal["air handling stopped", "door open", "valve hunting", "heater stuck"]


@dataclass(frozen=True)
class Disturbance:
    """A departure from normal running over [from_ns, to_ns); `to_ns` None: it lasts.

    strength: heat in W for "air handling stopped" and "heater stuck", swing of the supply in K for
    "valve hunting" (period `period_s`), opened share 0..1 for "door open".
    """

    kind: DisturbanceKind
    from_ns: int
    to_ns: int | None
    strength: float
    period_s: float = 720.0

    def at(self, now_ns: int) -> float:
        """Its strength at an instant, 0 outside its interval."""
        inside = self.from_ns <= now_ns and (self.to_ns is None or now_ns < self.to_ns)
        return self.strength if inside else 0.0


@dataclass
class State:
    """Temperatures in degC, humidity ratios in kg/kg, pressure in hPa."""

    bay: float = 20.0
    bench: float = 20.0
    skin: float = 20.0  # plaster, lining, furniture
    wall: float = 20.2
    supply: float = 18.5
    returned: float = 20.0
    scale: float = 20.0
    granite: float = 20.0
    plume: float = 0.0  # K above the bench air in the stream that enters by the door
    trim: float = 18.5  # slow part of the wanted supply temperature
    cooling: bool = False  # the stage that switches inside the dead band
    flow: float = 1.0  # share of the design air stream
    humidity_bay: float = 0.0072
    humidity_bench: float = 0.0072
    weather: float = 0.0  # K beside the season and the hour
    pressure: float = 962.0
    passing_s: float = 0.0  # how much longer a person passing holds the door open
    turbulence: dict[str, float] = field(default_factory=dict)


class SimulatedRoom:
    """The simulated room. `advance` moves it forward on a fixed grid of whole steps of UTC."""

    def __init__(self, seed: int, start_ns: int, disturbances: Sequence[Disturbance] = ()) -> None:
        self.state = State()
        self.outside: OutdoorClimate = outside(start_ns)
        self._disturbances = list(disturbances)
        self._random = Random(seed)
        self._now_ns = start_ns // _STEP_NS * _STEP_NS - _WARM_UP_S * NS
        self.advance(start_ns)

    @property
    def now_ns(self) -> int:
        """The instant that the state belongs to."""
        return self._now_ns

    @property
    def load(self) -> float:
        """How much is going on: 0 at rest, about 1 with three people at work."""
        return self.outside.people / 3

    def disturb(self, disturbance: Disturbance) -> None:
        """Adds a disturbance; it acts from its `from_ns` on."""
        self._disturbances.append(disturbance)

    def advance(self, to_ns: int) -> None:
        """Moves forward to the last whole step not after `to_ns`; never backward."""
        while self._now_ns + _STEP_NS <= to_ns:
            self._now_ns += _STEP_NS
            self._step()

    def turbulence(self, place: str, sigma_K: float) -> float:
        """Slow local eddies at a place, K: first order with 180 s."""
        return self.state.turbulence.get(place, 0.0) * sigma_K

    def _step(self) -> None:
        if self._now_ns % (60 * NS) < _STEP_NS:
            self.outside = outside(self._now_ns)
        self._weather()
        self._air_handling()
        self._heat()
        self._moisture()
        self._eddies()

    def _strength(self, kind: DisturbanceKind) -> float:
        return sum(d.at(self._now_ns) for d in self._disturbances if d.kind == kind)

    def _weather(self) -> None:
        """Outdoor temperature and pressure wander slowly; the pressure has its half-day tide too."""
        s, root = self.state, math.sqrt(STEP_S / 3600)
        s.weather += -s.weather * STEP_S / (40 * 3600) + 0.35 * root * self._random.gauss(0, 1)
        s.pressure += (962 - s.pressure) * STEP_S / (60 * 3600) + 0.55 * root * self._random.gauss(0, 1)

    def _air_handling(self) -> None:
        """Supply temperature and air stream; the trim rests while the fans stand."""
        s = self.state
        stopped = self._strength("air handling stopped") > 0
        wanted_flow = 0.0 if stopped else (0.7 if self.outside.setback else 1.0)
        s.flow += (wanted_flow - s.flow) * STEP_S / (240 if stopped else 2400)
        s.returned += (s.bay - s.returned) * STEP_S / _TAU_RETURN_S
        error = s.returned - SETPOINT_degC - (SETBACK_K if self.outside.setback else 0)
        if abs(error) > _DEAD_BAND_K / 2:
            s.cooling = error > 0
        if not stopped and not self._strength("heater stuck"):
            s.trim -= max(-0.1, min(0.1, error)) * STEP_S * _TRIM_PER_S
        target = s.trim - _GAIN * error + (-_STAGE_K if s.cooling else _STAGE_K) + self._hunting()
        s.supply += (target - s.supply) * STEP_S / _TAU_SUPPLY_S

    def _hunting(self) -> float:
        swing = self._strength("valve hunting")
        if not swing:
            return 0.0
        period_s = next(d.period_s for d in self._disturbances if d.kind == "valve hunting")
        return swing * math.sin(2 * math.pi * (self._now_ns / NS % period_s) / period_s)

    def _heat(self) -> None:
        """One explicit step of the heat balance of both zones, the walls and the bodies."""
        s, o = self.state, self.outside
        door = _DOOR_FLOW * self._door()
        extra = self._strength("air handling stopped") + self._strength("heater stuck")
        bay = _FLOW_BAY * s.flow * (s.supply - s.bay) + _G_BAY_SKIN * (s.skin - s.bay)
        bay += _G_MIX * (s.bench - s.bay) + 170 + 70 * o.people + 0.7 * extra
        bench = _FLOW_BENCH * s.flow * (s.supply - s.bench) + _G_BENCH_SKIN * (s.skin - s.bench)
        bench += _G_MIX * (s.bay - s.bench) + door * (CORRIDOR_degC - s.bench)
        bench += 80 + 45 * o.people + 90 * o.sun + 0.3 * extra
        inward = _G_SKIN_WALL * (s.wall - s.skin)
        skin = inward + _G_BAY_SKIN * (s.bay - s.skin) + _G_BENCH_SKIN * (s.bench - s.skin)
        outer = _G_WALL_OUT * (o.outdoor_degC + s.weather - s.wall)
        wall = outer + _G_WALL_WORKS * (WORKS_degC - s.wall) - inward
        s.bay += bay * STEP_S / _C_BAY
        s.bench += bench * STEP_S / _C_BENCH
        s.skin += skin * STEP_S / _C_SKIN
        s.wall += wall * STEP_S / _C_WALL
        s.scale += (s.bay - s.scale) * STEP_S / _TAU_SCALE_S
        s.granite += (s.bench - s.granite) * STEP_S / _TAU_GRANITE_S
        stream = 0.08 * (CORRIDOR_degC - s.bench) if door else 0.0
        s.plume += (stream - s.plume) * STEP_S / _TAU_PLUME_S

    def _door(self) -> float:
        """Share of this step in which the door stands open: planted, or somebody passing."""
        s = self.state
        s.passing_s = max(0.0, s.passing_s - STEP_S)
        if self._random.random() < self.outside.people * 1.2 * STEP_S / 3600:
            s.passing_s += self._random.uniform(4, 9)
        return max(min(s.passing_s / STEP_S, 1.0), min(self._strength("door open"), 1.0))

    def _moisture(self) -> None:
        """Humidity ratio of both zones; the supply is steered to the wanted relative humidity."""
        s, o = self.state, self.outside
        humid = humidity_ratio(s.returned, HUMIDITY_SETPOINT, s.pressure)
        drift = 0.00012 * math.sin(s.weather) + 0.00010 * math.sin(2 * math.pi * self._now_ns / NS / 86400)
        supplied = 2 * humid - s.humidity_bay + drift - 0.00008 * o.people
        exchange = STEP_S / 900 * s.flow
        gain = 0.012 * o.people * STEP_S / 3600 / 200  # about 36 g/h for three people at rest, 200 kg of air
        mixing = (s.humidity_bench - s.humidity_bay) * STEP_S / 1500
        s.humidity_bay += (supplied - s.humidity_bay) * exchange * 0.5 + gain + mixing
        s.humidity_bench += (supplied - s.humidity_bench) * exchange * 0.5 + gain - 2 * mixing
        if self._strength("door open"):
            s.humidity_bench += (0.0080 - s.humidity_bench) * STEP_S / 1200

    def _eddies(self) -> None:
        """Local turbulence with unit variance at each place of a probe."""
        keep = 1 - STEP_S / 180
        kick = math.sqrt(1 - keep * keep)
        for place in ("P1", "P2", "P4", "P6"):
            old = self.state.turbulence.get(place, 0.0)
            self.state.turbulence[place] = keep * old + kick * self._random.gauss(0, 1)


def saturation_hPa(temperature_degC: float) -> float:
    """Saturation vapour pressure over water, hPa, -45 to 60 degC. WMO-No. 8, annex 4.B.

    >>> round(saturation_hPa(20.0), 2)
    23.33
    """
    return 6.112 * math.exp(17.62 * temperature_degC / (243.12 + temperature_degC))


def humidity_ratio(temperature_degC: float, relative_humidity: float, pressure_hPa: float) -> float:
    """Mass of vapour by mass of dry air, kg/kg, from %RH and hPa. Ideal gases.

    >>> round(humidity_ratio(20.0, 50.0, 1013.25), 5)
    0.00724
    """
    vapour = relative_humidity / 100 * saturation_hPa(temperature_degC)
    return 0.62198 * vapour / (pressure_hPa - vapour)


def relative_humidity(temperature_degC: float, ratio: float, pressure_hPa: float) -> float:
    """Relative humidity in %RH of air with that humidity ratio: inverse of `humidity_ratio`.

    >>> round(relative_humidity(20.0, 0.00724, 1013.25), 1)
    50.0
    """
    vapour = pressure_hPa * ratio / (0.62198 + ratio)
    return 100 * vapour / saturation_hPa(temperature_degC)
