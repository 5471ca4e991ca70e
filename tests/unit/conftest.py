"""A small room made for tests: one zone, probes with one certificate each, rules as asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from logger.bodies import BodyState, at_start_of_record
from logger.evidence import Grid
from logger.judge import Judgement, judge
from logger.model import NS, Certificate, Channel, Mark, Placement, Position, Probe, Room, Rule, Setup, Zone
from logger.series import Readings

DAY = int(datetime(2026, 3, 10, tzinfo=UTC).timestamp()) * NS
BAND = {
    "kind": "limit",
    "name": "temperature",
    "unit": "degC",
    "lower": 19.0,
    "upper": 21.0,
    "disturbs": True,
}


def at(hour: float, day: int = 0) -> int:
    """Nanoseconds of an hour of the test's day, UTC."""
    return DAY + round((day * 24 + hour) * 3600) * NS


def rule(**changed: object) -> Rule:
    """A rule on the temperature of the air in zone `bay`; by default the band 19 … 21 degC."""
    fields = (
        {
            "key": f"bay.{changed.get('name', 'temperature')}",
            "zone": "bay",
            "quantity": "temperature",
            "basis": "made for a test",
            "from_ns": 0,
        }
        | BAND
        | changed
    )
    return Rule(**fields)  # type: ignore[arg-type]


def setup(
    rules: tuple[Rule, ...],
    places: Mapping[str, tuple[float, float, float]] | None = None,
    *,
    U: float = 0.2,
    settling_s: int = 0,
    channel: Mapping[str, object] | None = None,
    certificate: Mapping[str, object] | None = None,
) -> Setup:
    """A setup of probes T1, T2 … at `places`; noise and resolution nil, so that U is the certificate's."""
    places = places or {"T1": (1.0, 1.0, 1.0)}
    channels = {
        f"{p}.temperature": Channel(
            **(
                {
                    "key": f"{p}.temperature",
                    "probe": p,
                    "quantity": "temperature",
                    "unit": "degC",
                    "interval_s": 60,
                    "max_age_s": 180,
                    "resolution": 0.0,
                    "noise": 0.0,
                    "probe_span": (-40.0, 60.0),
                }
                | dict(channel or {})
            )
        )
        for p in places
    }
    papers = tuple(
        Certificate(
            **(
                {
                    "number": f"C-{p}",
                    "channel": f"{p}.temperature",
                    "issuer": "",
                    "accreditation": "",
                    "calibrated_on": "2026-01-01",
                    "valid_from_ns": 0,
                    "due_ns": None,
                    "indications": (20.0,),
                    "corrections": (0.0,),
                    "U": (U,),
                    "k": 2.0,
                    "range": (10.0, 30.0),
                }
                | dict(certificate or {})
            )
        )
        for p in places
    )
    return Setup(
        version=1,
        digest="made",
        room=Room("room", "Room", "Works", "UTC", (5, 5, 3), "nobody", simulated=True),
        zones={"bay": Zone("bay", "Bay", (0, 0, 5, 5), settling_s=settling_s)},
        positions={p: Position(p, p, "bay", "air", xyz) for p, xyz in places.items()},
        probes={p: Probe(p, p, "", (f"{p}.temperature",)) for p in places},
        channels=channels,
        placements=tuple(Placement(p, p, 0) for p in places),
        certificates=papers,
        rules=rules,
        alarms=(),
    )


def series(values: object, start_ns: int = at(0), interval_s: int = 60, phase_s: int = 30) -> Readings:
    """Readings at a regular interval, half a minute into each cell; NaN is a poll that failed."""
    value = np.asarray(values, np.float64)
    taken = start_ns + phase_s * NS + np.arange(len(value)) * interval_s * NS
    return Readings(taken, value, np.isnan(value).astype(np.uint8), np.zeros(len(value), np.bool_))


def without(readings: Readings, from_ns: int, to_ns: int) -> Readings:
    """The same readings with an interval taken out."""
    keep = (readings.taken_ns < from_ns) | (readings.taken_ns >= to_ns)
    return Readings(*(array[keep] for array in vars(readings).values()))


def judged(
    made: Setup,
    readings: Mapping[str, Readings],
    from_ns: int = at(0),
    to_ns: int = at(24),
    *,
    state: BodyState | None = None,
    marks: tuple[Mark, ...] = (),
    now_ns: int = at(24, day=30),
) -> Judgement:
    """Judge zone `bay`; bodies are known at the start unless a state is given."""
    grid = Grid(from_ns // (60 * NS), (to_ns - from_ns) // (60 * NS), 60)
    by_channel = {f"{p}.temperature": r for p, r in readings.items()}
    return judge("bay", made, by_channel, grid, state or BodyState(0, 0, 0), now_ns=now_ns, marks=marks)


@pytest.fixture
def made() -> SimpleNamespace:
    """The builders above under one name."""
    builders: dict[str, Callable[..., object]] = {
        "at": at,
        "rule": rule,
        "setup": setup,
        "series": series,
        "judged": judged,
        "without": without,
        "at_start_of_record": at_start_of_record,
    }
    return SimpleNamespace(**builders)
