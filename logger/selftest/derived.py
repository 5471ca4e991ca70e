"""Reference cases: dew point, absolute humidity, refractivity and density of a probe, each with its U."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from math import hypot, sqrt

import numpy as np

from ..core.evidence.cells import Cells
from ..core.evidence.derived import HENE_NM, NOMINAL, cells_in_air, coarse, derived_channel, nominal_U
from ..model import Channel, Placement, Setup
from ..model.reasons import Why
from ..series import Readings
from ..units import MICRO
from .case import Case, CaseGroup
from .room import at, judged, rule, series, setup

GUM = "JCGM 100:2008, 5.1.2 and 5.2.2; slopes by Magnus's formula (WMO-No. 8, annex 4.B), by hand"
IDEAL = "a = e/(R_v·T) with R_v = 461.52 J/(kg·K); real air holds up to 0.5 % more, a rectangle; by hand"
AIR = "Ciddor 1996 and Davis 1992: their own uncertainties, and slopes in K, %RH and Pa by hand"
N = 240
T, RH, P = "temperature", "relative_humidity", "pressure"
SURE: Mapping[str, float] = {T: 1e-6, RH: 1e-6, P: 1e-6}


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _dew_point()
    yield from _absolute()
    yield from _of_air()
    yield from _evidence()
    yield from _beforehand()


def _room(of: str, U: Mapping[str, float]) -> Setup:
    places = {"T1": (1.0, 1.0, 1.0), "B1": (2.0, 1.0, 1.0)}
    item = rule(name=of, quantity=of, unit="", lower=None, upper=1e6, disturbs=False)
    quantities = {"T1": (T, RH), "B1": (P,)}
    return setup((item,), places, U={**SURE, **U}, media={"B1": "pressure"}, quantities=quantities)


def cells(
    of: str, U: Mapping[str, float] | None = None, *, room: Setup | None = None, **values: object
) -> Cells:
    """Cells of a derived quantity at 20 degC, 60 %RH and 1013.25 hPa, or at other values of four hours."""
    at_first = {"T1.temperature": 20.0, "T1.relative_humidity": 60.0, "B1.pressure": 1013.25}
    named = {"t": "T1.temperature", "rh": "T1.relative_humidity", "p": "B1.pressure"}
    values_here = {**at_first, **{named[k]: v for k, v in values.items()}}
    readings = {k: v if isinstance(v, Readings) else series(np.full(N, v)) for k, v in values_here.items()}
    result = judged(room or _room(of, U or {}), readings, at(0), at(N / 60))
    return result.cells[f"T1.{of}"]


def value(of: str, **values: object) -> float:
    """Its value in a cell."""
    return float(cells(of, **values).mean[30]) / MICRO  # type: ignore[arg-type]


def uncertainty(of: str, room: Setup | None = None, **U: float) -> float:
    """Its U in a cell, from those of its inputs."""
    return float(cells(of, U, room=room).U[30]) / MICRO


def _one_paper(setup: Setup) -> Setup:
    """Temperature and humidity stand in one certificate."""
    papers = (replace(c, number="one paper") for c in setup.certificates if c.channel != "B1.pressure")
    return replace(setup, certificates=(*papers, setup.certificates[-1]))


def _dew_point() -> Iterator[Case]:
    group = CaseGroup("dew point of a probe: degC, U in K", GUM)
    of = "dew_point"
    yield group.case(
        "20 degC, 60 %RH", 12.0, lambda: value(of), 0.01, source="values.csv: psychrometric tables, 12.0 degC"
    )
    per_K, per_pct = 0.939, 0.2530
    both = {T: 0.1, RH: 1.0}
    room = _room(of, both)
    for name, U, expected in (
        ("nothing but the formula's own 0.004 K", {}, 0.004),
        ("U 1.0 %RH: 0.253 K for each", {RH: 1.0}, hypot(per_pct, 0.004)),
        ("U 0.5 K: 0.939 K for each", {T: 0.5}, hypot(0.5 * per_K, 0.004)),
        ("both, independent", both, sqrt((0.1 * per_K) ** 2 + per_pct**2 + 0.004**2)),
    ):
        yield group.case(name, expected, lambda u=U: uncertainty(of, **u), 0.0005)
    yield group.case(
        "both of one certificate: nobody knows the sign of what they share",
        sqrt((0.1 * per_K + per_pct) ** 2 + 0.004**2),
        lambda: uncertainty(of, _one_paper(room)),
        0.0005,
    )
    later = replace(room.certificates[0], number=room.certificates[1].number, valid_from_ns=at(2))
    mixed = replace(room, certificates=(*room.certificates, later))
    yield group.case(
        "one paper from 02:00 on",
        (sqrt((0.1 * per_K) ** 2 + per_pct**2 + 0.004**2), sqrt((0.1 * per_K + per_pct) ** 2 + 0.004**2)),
        lambda: tuple(float(cells(of, room=mixed).U[i]) / MICRO for i in (119, 120)),
        0.0005,
    )


def _absolute() -> Iterator[Case]:
    group = CaseGroup("absolute humidity of a probe: g/m³", IDEAL)
    of = "absolute_humidity"
    a = 0.6 * 2338.8 / (461.52 * 293.15) * 1000  # g/m³ with e_s(20 degC) = 2338.8 Pa
    own = 2 * 0.005 * a / sqrt(3)
    per_K = a * (17.62 * 243.12 / (243.12 + 20) ** 2 - 1 / 293.15)
    yield group.case("20 degC, 60 %RH", a, lambda: value(of), 0.005)
    for name, U, expected in (
        ("its own U", {}, own),
        ("U 2 %RH", {RH: 2.0}, hypot(own, 2 * a / 60)),
        ("U 0.5 K", {T: 0.5}, hypot(own, 0.5 * per_K)),
    ):
        yield group.case(name, expected, lambda u=U: uncertainty(of, **u), 0.0006 if U else 3e-5)


def _of_air() -> Iterator[Case]:
    group = CaseGroup("refractivity (1e-6) and density (kg/m³) of the air at a probe", AIR)
    # At constant relative humidity a kelvin brings 87 Pa of vapour, which weighs and bends less than air.
    bent, vapour = 0.929 + 87 * 3.7e-4, 0.378 * 87 / (287.05 * 293.15)
    for name, of, U, expected, tolerance in (
        ("its own", "refractivity", {}, 0.05, 1e-5),
        ("U 0.5 K: 0.929e-6 and its vapour for each", "refractivity", {T: 0.5}, hypot(0.05, bent / 2), 2e-3),
        ("U 1 hPa: 0.268e-6 for each", "refractivity", {P: 1.0}, hypot(0.05, 0.268), 2e-3),
        ("U 10 %RH: 0.0085e-6 for each", "refractivity", {RH: 10.0}, hypot(0.05, 0.085), 2e-3),
        ("its own 2e-4 of 1.199", "air_density", {}, 0.00024, 1e-5),
        ("U 1 K: 1.199/293.15 and its vapour", "air_density", {T: 1.0}, 1.199 / 293.15 + vapour, 3e-5),
        ("U 10 hPa: 1.204/1013.25 for each", "air_density", {P: 10.0}, hypot(0.01188, 0.00024), 3e-5),
        ("U 10 %RH: 0.378·e_s/(R·T)", "air_density", {RH: 10.0}, hypot(0.00105, 0.00024), 2e-5),
    ):
        yield group.case(f"{of}: {name}", expected, lambda o=of, u=U: uncertainty(o, **u), tolerance)
    yield group.case(
        "refractivity: the red line of helium and neon, nm",
        632.99121,
        lambda: HENE_NM,
        1e-3,
        source="CIPM, Recommended values of standard frequencies, 633 nm: 632.991 212 58 nm",
    )
    yield group.case(
        "refractivity of dry air, 20 degC, 1013.25 hPa, 633 nm",
        271.799, lambda: value("refractivity", rh=0.0), 0.01,
        source="values.csv: n = 1.000271799 (modified Edlén; Ciddor agrees to 5e-9)",
    )  # fmt: skip
    for name, step, inputs in (("half a kelvin", 0.25, "t"), ("10 %RH", 5.0, "rh"), ("10 hPa", 5.0, "p")):
        at_first = {"t": 20.0, "rh": 60.0, "p": 1013.25}[inputs]
        ends = {inputs: at_first - step}, {inputs: at_first + step}
        quantity = {"t": T, "rh": RH, "p": P}[inputs]
        yield group.case(
            f"refractivity: U {name} is what the value changes by over it",
            True,
            lambda e=ends, q=quantity, u=2 * step: _agree(e, uncertainty("refractivity", **{q: u})),
            source="JCGM 100:2008, 5.1.3, note 2: the difference quotient of the value itself",
        )


def _evidence() -> Iterator[Case]:
    group = CaseGroup("evidence of derived quantities", "the worst of what they follow from; by hand")
    swing = series(np.tile([20.0, 24.0], N), interval_s=30, phase_s=10)
    yield group.case(
        "within a cell from 20 to 24 degC the refractivity falls: low and high, the other way round",
        (True, True),
        lambda: _ends("refractivity", swing),
    )
    yield group.case("and the dew point rises", (True, True), lambda: _ends("dew_point", swing))
    humidity = series(np.full(N, 60.0))
    humidity.value[100:120] = np.nan
    yield group.case(
        "without humidity nothing is told: why, count, and the same of the minute before",
        ("NO_READING", 0, "EVIDENCE", 1),
        lambda: _reasons(cells("dew_point", rh=humidity), 110, 90),
    )
    dry = series(np.full(N, 60.0))
    dry.value[100:120] = 0.0
    yield group.case(
        "at 0 %RH there is no dew point",
        "OUTSIDE_RANGE",
        lambda: _reasons(cells("dew_point", rh=dry), 110)[0],
    )
    moved = _room("refractivity", {})
    away = Placement("B1", "B1", 0, at(2))
    moved = replace(moved, placements=(moved.placements[0], away))
    yield group.case(
        "in a very dry room it has an uncertainty",
        True,
        lambda: bool(np.isfinite(cells("dew_point", {RH: 1.0}, rh=0.5).U[30])),
    )
    yield group.case(
        "the barometer was taken away at 02:00",
        ("EVIDENCE", "NO_PROBE"),
        lambda: tuple(_reasons(cells("refractivity", room=moved), i)[0] for i in (119, 120)),
    )
    yield group.case(
        "what follows from the air of a zone",
        (
            ("absolute_humidity", "air_density", "dew_point", "refractivity"),
            ("absolute_humidity", "dew_point"),
        ),
        lambda: (_in_air(("T1.", "B1.")), _in_air(("T1.",))),
    )


def _ends(of: str, t: Readings) -> tuple[bool, ...]:
    wide, cold, warm = cells(of, t=t), value(of), value(of, t=24.0)
    low, high = sorted((cold, warm))
    return (
        bool(abs(wide.low[30] / MICRO - low) < 1e-4),
        bool(abs(wide.high[30] / MICRO - high) < 1e-4),
    )


def _reasons(some: Cells, *places: int) -> tuple[object, ...]:
    return tuple(fact for i in places for fact in (Why(int(some.why[i])).name, int(some.count[i])))


def _in_air(probes: tuple[str, ...]) -> tuple[str, ...]:
    room = _room("dew_point", {})
    readings = {
        "T1.temperature": series(np.full(N, 20.0)),
        "T1.relative_humidity": series(np.full(N, 60.0)),
        "B1.pressure": series(np.full(N, 1013.25)),
    }
    result = judged(room, readings, at(0), at(N / 60))
    measured = {k: c for k, c in result.cells.items() if k in readings and k.startswith(probes)}
    return tuple(sorted(key.partition(".")[2] for key in cells_in_air(measured, room, "bay")))


def _agree(ends: tuple[dict[str, float], dict[str, float]], U: float) -> bool:
    """Whether U without the formula's own is the difference of both values, to four parts in 10 000."""
    changed = abs(value("refractivity", **ends[1]) - value("refractivity", **ends[0]))
    return abs(sqrt(U**2 - 0.05**2) - changed) <= 4e-4 * changed + 2e-5


def _beforehand() -> Iterator[Case]:
    group = CaseGroup("derived quantities before there are readings", GUM)
    # At 20 degC and 30 %RH the dew point is 1.92 degC by Magnus.
    per_K, per_pct = (245.04 / 263.12) ** 2, 245.04**2 / (17.62 * 243.12) / 30
    room = _room("dew_point", {})
    t, rh = ((room.certificates_of(f"T1.{of}")) for of in (T, RH))
    independent = sqrt((0.1 * per_K) ** 2 + per_pct**2 + 0.004**2)
    yield group.case(
        "of two papers and of one",
        (independent, sqrt((0.1 * per_K + per_pct) ** 2 + 0.004**2)),
        lambda: (nominal_U("dew_point", (0.1, 1.0), (t, rh)), nominal_U("dew_point", (0.1, 1.0), (t, t))),
        0.002,
    )
    a = 0.3 * 2338.8 / (461.52 * 293.15) * 1000
    yield group.case(
        "of absolute humidity the formula's own",
        2 * 0.005 * a / sqrt(3),
        lambda: nominal_U("absolute_humidity", (0.0, 0.0), (t, rh)),
        3e-5,
    )
    yield group.case(
        "they are taken at 20 degC, 30 %RH, 101 325 Pa", (20.0, 30.0, 101_325.0), lambda: NOMINAL
    )
    channels = [replace(room.channels[f"T1.{of}"], noise=0.02, resolution=0.1) for of in (T, RH)]
    yield group.case(
        "noise 0.02 and resolution 0.1 of both",
        (0.02 * hypot(per_K, per_pct), 0.1 * hypot(per_K, per_pct)),
        lambda: _noise(derived_channel("T1.dew_point", channels)),
        0.0005,
    )
    yield group.case(
        "values are whole 1e-5 of the unit",
        (12_345_680.0, -20.0),
        lambda: tuple(coarse(np.array([12.345678, -0.000024])).tolist()),
    )


def _noise(channel: Channel) -> tuple[float, float]:
    return channel.noise, channel.resolution
