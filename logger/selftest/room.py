"""A small room made for reference cases: one zone, probes with a certificate each, rules as asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from ..core.evidence.cells import Cells
from ..core.evidence.grid import Grid
from ..core.judge.judgement import Judgement, judge
from ..core.judge.settling import BodyState
from ..instants import NS
from ..model import Certificate, Channel, Mark, Placement, Position, Probe, Room, Rule, Setup, Zone
from ..model.reasons import Why
from ..series import Readings

DAY = int(datetime(2026, 3, 10, tzinfo=UTC).timestamp()) * NS
N = 1440  # minutes of that day: so many readings have most series here
# Sources of many cases, and what most cases of one channel need.
QARTOD = "QARTOD manuals of the IOOS, tests 1, 4, 6 and 8; thresholds by hand"
GUM = "JCGM 100:2008, 4.3 and 5.1; by hand"
T1 = Channel("T1.temperature", "T1", "temperature", "degC", 60, 180, 0.0, 0.0, (-40.0, 60.0))
BARE = Certificate("C-1", "T1.temperature", "", "", "", 0, None, (20.0,), (0.0,), (0.1,), 2.0, (10.0, 30.0))
TWO = replace(BARE, indications=(18.0, 22.0), corrections=(-0.1, -0.2), U=(0.1, 0.3), range=(18.0, 22.0))
_RULE: Mapping[str, Any] = {
    "zone": "bay", "kind": "limit", "name": "temperature", "quantity": "temperature", "unit": "degC",
    "lower": 19.0, "upper": 21.0, "basis": "made for a test", "from_ns": 0, "disturbs": True,
}  # fmt: skip
_CHANNEL: Mapping[str, Any] = {
    "interval_s": 60, "max_age_s": 180, "resolution": 0.0, "noise": 0.0, "probe_span": (-40.0, 60.0),
}  # fmt: skip
_CERTIFICATE: Mapping[str, Any] = {
    "issuer": "", "accreditation": "", "calibrated_on": "2026-01-01", "valid_from_ns": 0, "due_ns": None,
    "indications": (20.0,), "corrections": (0.0,), "k": 2.0, "range": (10.0, 30.0),
}  # fmt: skip
# What else a probe may measure here: unit, and the range of probe and certificate.
_OTHER: Mapping[str, tuple[str, tuple[float, float]]] = {
    "relative_humidity": ("%RH", (0.0, 100.0)), "pressure": ("hPa", (800.0, 1200.0)),
    "dew_point": ("degC", (-40.0, 60.0)),
}  # fmt: skip


def at(hour: float, day: int = 0) -> int:
    """Nanoseconds of an hour of the day that these cases play on, UTC."""
    return DAY + round((day * 24 + hour) * 3600) * NS


def rule(**changed: Any) -> Rule:
    """A rule on the temperature of the air in zone `bay`; by default the band 19 … 21 degC."""
    fields = {"key": f"bay.{changed.get('name', 'temperature')}", **_RULE, **changed}
    return Rule(**fields)


def setup(
    rules: tuple[Rule, ...],
    places: Mapping[str, tuple[float, float, float]] | None = None,
    *,
    U: float | Mapping[str, float] = 0.2,
    settling_s: int = 0,
    channel: Mapping[str, Any] | None = None,
    certificate: Mapping[str, Any] | None = None,
    media: Mapping[str, str] | None = None,
    quantities: Mapping[str, Sequence[str]] | None = None,
    step_s: int = 60,
    **zone: Any,
) -> Setup:
    """A setup of probes T1, T2 … at `places`; noise and resolution nil, so that U is the certificate's.

    media: of the places that are not in air; quantities: of the probes that measure other than temperature.
    """
    places = places or {"T1": (1.0, 1.0, 1.0)}
    of = {p: tuple((quantities or {}).get(p, ("temperature",))) for p in places}
    channels = {f"{p}.{q}": _channel(p, q, channel or {}) for p, each in of.items() for q in each}
    return Setup(
        version=1,
        digest="made",
        room=Room("room", "Room", "Works", "UTC", (5, 5, 3), "nobody", simulated=True),
        zones={"bay": Zone("bay", "Bay", (0, 0, 5, 5), settling_s=settling_s, **zone)},
        positions={p: Position(p, p, "bay", (media or {}).get(p, "air"), xyz) for p, xyz in places.items()},
        probes={p: Probe(p, p, "", tuple(f"{p}.{q}" for q in of[p])) for p in places},
        channels=channels,
        placements=tuple(Placement(p, p, 0) for p in places),
        certificates=tuple(_certificate(c, U, certificate or {}) for c in channels.values()),
        rules=rules,
        alarms=(),
        step_s=step_s,
    )


def _channel(probe: str, quantity: str, changed: Mapping[str, Any]) -> Channel:
    unit, span = _OTHER.get(quantity, ("degC", _CHANNEL["probe_span"]))
    own = {"key": f"{probe}.{quantity}", "probe": probe, "quantity": quantity, "unit": unit}
    return Channel(**{**own, **_CHANNEL, "probe_span": span, **changed})


def _certificate(channel: Channel, U: float | Mapping[str, float], changed: Mapping[str, Any]) -> Certificate:
    value = U if isinstance(U, int | float) else U.get(channel.quantity, 0.2)
    named = channel.probe if channel.quantity == "temperature" else channel.key
    own: dict[str, Any] = {"number": f"C-{named}", "channel": channel.key, "U": (value,)}
    if channel.quantity in _OTHER:
        own["range"] = _OTHER[channel.quantity][1]
    return Certificate(**{**_CERTIFICATE, **own, **changed})


def series(values: object, start_ns: int = DAY, interval_s: int = 60, phase_s: int = 30) -> Readings:
    """Readings at a regular interval, half a minute into each cell; NaN is a poll that failed."""
    value = np.asarray(values, np.float64)
    times = start_ns + phase_s * NS + np.arange(len(value)) * interval_s * NS
    return Readings(times, value, np.isnan(value).astype(np.uint8), np.zeros(len(value), np.bool_))


def without(readings: Readings, from_ns: int, to_ns: int) -> Readings:
    """Readings with an interval taken out."""
    keep = (readings.taken_ns < from_ns) | (readings.taken_ns >= to_ns)
    return Readings(*(array[keep] for array in vars(readings).values()))


def judged(
    setup: Setup,
    readings: Mapping[str, Readings],
    from_ns: int = DAY,
    to_ns: int = DAY + 86_400 * NS,
    *,
    state: BodyState | None = None,
    marks: tuple[Mark, ...] = (),
    now_ns: int = DAY + 31 * 86_400 * NS,
    activity: str = "",
) -> Judgement:
    """Judge zone `bay`; bodies are known at the start unless a state is given.

    readings: by channel, or by probe, which means its temperature.
    """
    step_ns = setup.step_s * NS
    grid = Grid(from_ns // step_ns, (to_ns - from_ns) // step_ns, setup.step_s)
    by_channel = {name if "." in name else f"{name}.temperature": r for name, r in readings.items()}
    reference = state or BodyState(0, 0)
    return judge("bay", setup, by_channel, grid, reference, now_ns=now_ns, marks=marks, activity=activity)


def alone(values: object, **room: object) -> Cells:
    """The cells of a probe T1 that is alone in its room."""
    readings = values if isinstance(values, Readings) else series(values)
    now_ns = room.pop("now_ns", at(0, day=31))
    return judged(setup((rule(),), **room), {"T1": readings}, now_ns=now_ns).cells["T1.temperature"]  # type: ignore[arg-type]


def whys(cells: Cells, *places: int) -> tuple[str, ...]:
    """The reason of some cells, EVIDENCE where they support a verdict."""
    return tuple(Why(int(cells.why[place])).name for place in places)
