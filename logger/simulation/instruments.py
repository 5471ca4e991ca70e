"""The simulated probes: where each stands in the room, how it lags, errs and scatters.

Temperatures and humidities are indications: the true value less the correction that the probe's
certificate gives, rounded to its resolution. The corrections are those of the example certificates
at 20 degC, 50 %RH and 960 hPa.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from types import MappingProxyType

from ..instants import NS
from .room import STEP_S, SimulatedRoom, relative_humidity


@dataclass(frozen=True)
class Instrument:
    """One combined probe for temperature and humidity.

    place: which temperature of the room it follows. offset_K: its place against that mean;
    load_K: further with everybody at work (warm air gathers above). lag_s: first order response.
    correction_K, correction_RH: reference − indication.
    """

    key: str
    serial: str
    place: str
    offset_K: float
    load_K: float
    lag_s: float
    eddies_K: float
    noise_K: float
    correction_K: float
    correction_RH: float
    plume: float = 0.0


INSTRUMENTS: Mapping[str, Instrument] = MappingProxyType(
    {
        i.key: i
        for i in (
            Instrument("P1", "AG-0411", "bay", -0.05, 0.00, 45, 0.006, 0.006, -0.01, -0.25),
            Instrument("P2", "AG-0412", "bay", +0.06, 0.04, 45, 0.007, 0.006, +0.02, +0.4),
            Instrument("P3", "AG-0413", "scale", +0.02, 0.00, 60, 0.000, 0.004, -0.02, -0.3),
            Instrument("P4", "AG-0414", "bench", -0.02, 0.00, 45, 0.008, 0.006, -0.03, +0.3),
            Instrument("P5", "AG-0415", "granite", -0.01, 0.00, 90, 0.000, 0.004, +0.01, -0.05),
            Instrument("P6", "AG-0416", "bench", +0.03, 0.00, 45, 0.010, 0.007, +0.03, +0.3, plume=0.8),
        )
    }
)
BAROMETER, BAROMETER_SERIAL, BAROMETER_CORRECTION_HPA = "B1", "AG-0501", -0.1


class SimulatedProbes:
    """All probes of the room. Advances the room and gives what each probe indicates then."""

    def __init__(self, room: SimulatedRoom, seed: int) -> None:
        self.room = room
        self._random = Random(seed + 1)
        self._last_ns = room.now_ns
        self._lagged = {key: self._local_degC(i) for key, i in INSTRUMENTS.items()}

    def advance(self, to_ns: int) -> None:
        """Moves the room to that instant and lets every probe follow on the room's own steps."""
        while self.room.now_ns + STEP_S * NS <= to_ns:
            self.room.advance(self.room.now_ns + STEP_S * NS)
            dt_s = (self.room.now_ns - self._last_ns) / NS
            self._last_ns = self.room.now_ns
            for key, i in INSTRUMENTS.items():
                self._lagged[key] += (self._local_degC(i) - self._lagged[key]) * min(1.0, dt_s / i.lag_s)

    def indication(self, channel: str) -> float:
        """What the probe of that channel indicates now, in its own unit."""
        probe, _, quantity = channel.partition(".")
        if quantity == "temperature":
            return self.temperature(probe)
        return self.pressure() if quantity == "pressure" else self.relative_humidity(probe)

    def true_degC(self, key: str) -> float:
        """What a perfect probe with the same response time would show."""
        return self._lagged[key]

    def temperature(self, key: str) -> float:
        """Indicated temperature, degC, in steps of 0.01 K."""
        i = INSTRUMENTS[key]
        return round(self._lagged[key] - i.correction_K + self._random.gauss(0, i.noise_K), 2)

    def relative_humidity(self, key: str) -> float:
        """Indicated relative humidity, %RH, in steps of 0.1."""
        i, s = INSTRUMENTS[key], self.room.state
        ratio = s.humidity_bay if i.place in ("bay", "scale") else s.humidity_bench
        true = relative_humidity(self._lagged[key], ratio, s.pressure)
        return round(true - i.correction_RH + self._random.gauss(0, 0.08), 1)

    def pressure(self) -> float:
        """Indicated barometric pressure, hPa, in steps of 0.1."""
        true = self.room.state.pressure
        return round(true - BAROMETER_CORRECTION_HPA + self._random.gauss(0, 0.04), 1)

    def _local_degC(self, i: Instrument) -> float:
        mean = float(getattr(self.room.state, i.place))
        local = mean + i.offset_K + i.load_K * self.room.load + i.plume * self.room.state.plume
        return local + self.room.turbulence(i.key, i.eddies_K)
