"""Dew point, absolute humidity, refractivity and density as channels: values, U, limits, statistics."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import psychrolib
import pytest
from uncertainties import ufloat, umath

from logger.core.evidence.grid import Grid
from logger.core.judge.judgement import Judgement, judge
from logger.core.judge.settling import BodyState
from logger.core.measurement.check import statistics
from logger.core.physics.air import refractive_index_edlen
from logger.instants import NS
from logger.model import Certificate, Channel, Conformity, Placement, Position, Probe, Room, Rule, Setup, Zone
from logger.model.reasons import Why
from logger.series import Readings
from logger.units import MICRO

MINUTES = 120
START = 1_773_100_800 * NS  # 2026-03-10, UTC
LATER = START + 30 * 86_400 * NS
UNITS = {"temperature": "degC", "relative_humidity": "%RH", "pressure": "hPa", "dew_point": "degC"}
RANGES = {"temperature": (5.0, 40.0), "relative_humidity": (5.0, 95.0), "pressure": (800.0, 1100.0)}


def rule(**fields: Any) -> Rule:
    return Rule(
        **({"key": f"bay.{fields['name']}", "zone": "bay", "kind": "limit", "quantity": "temperature",
            "basis": "made for a test", "from_ns": 0} | fields)
    )  # fmt: skip


def series(values: Any) -> Readings:
    value = np.broadcast_to(values, (MINUTES,)).astype(float)
    taken_ns = START + (30 + 60 * np.arange(MINUTES)) * NS
    return Readings(taken_ns, value, np.isnan(value).astype(np.uint8), np.zeros(MINUTES, np.bool_))


def room(
    rules: tuple[Rule, ...],
    places: dict[str, str],
    *,
    U: dict[str, float] | None = None,
    number: str = "{probe}-{quantity}",
    quantities: dict[str, tuple[str, ...]] | None = None,
) -> Setup:
    """A zone `bay` with probes in given media; each in air measures temperature and humidity."""
    U = {"temperature": 0.1, "relative_humidity": 1.0, "pressure": 0.2} | (U or {})
    channels, papers = {}, []
    for probe, medium in places.items():
        usual = {"pressure": ("pressure",), "air": ("temperature", "relative_humidity")}
        for of in (quantities or {}).get(probe, usual.get(medium, ("temperature",))):
            key, span = f"{probe}.{of}", RANGES[of]
            channels[key] = Channel(key, probe, of, UNITS[of], 60, 180, 0.0, 0.0, span)
            content = number.format(probe=probe, quantity=of)
            papers.append(
                Certificate(
                    content, key, "", "", "2026-01-01", 0, None, span, (0.0, 0.0), (U[of], U[of]), 2.0, span
                )
            )
    return Setup(
        version=1,
        digest="made",
        room=Room("room", "Room", "Works", "UTC", (5, 5, 3), "nobody", simulated=True),
        zones={"bay": Zone("bay", "Bay", (0, 0, 5, 5), settling_s=0)},
        rules=rules,
        alarms=(),
        positions={p: Position(p, p, "bay", medium, (1.0, 1.0, 1.0)) for p, medium in places.items()},
        probes={p: Probe(p, p, "", tuple(k for k, c in channels.items() if c.probe == p)) for p in places},
        channels=channels,
        placements=tuple(Placement(p, p, 0) for p in places),
        certificates=tuple(papers),
    )


def judged(build: Setup, values: dict[str, Any]) -> Judgement:
    grid = Grid(START // (60 * NS), MINUTES, 60)
    readings = {key: series(v) for key, v in values.items()}
    return judge("bay", build, readings, grid, BodyState(0, 0), now_ns=LATER)


def on(quantity: str, **limits: Any) -> Rule:
    units = {"dew_point": "degC", "absolute_humidity": "g/m3", "refractivity": "1e-6", "air_density": "kg/m3"}
    return rule(
        **({"name": quantity, "quantity": quantity, "unit": units[quantity], "lower": None, "upper": None,
            "disturbs": False} | limits)
    )  # fmt: skip


AIR = {"A.temperature": 20.0, "A.relative_humidity": 60.0}


def test_dew_point_of_a_probe_is_judged_as_a_channel_of_its_own() -> None:
    """20 degC, 60 %RH: 12.0 degC (psychrolib 2.5, ASHRAE 2017, agrees to its own 0.001 K)."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    finding = judged(room((on("dew_point", upper=13.0),), {"A": "air"}), AIR).findings[0]
    by_ashrae = psychrolib.GetTDewPointFromRelHum(20.0, 0.6)
    assert finding.value[-1] / MICRO == pytest.approx(by_ashrae, abs=0.002)
    assert finding.labels == ("A",)
    assert set(finding.conformity.tolist()) == {Conformity.CONFORMING}


def test_dew_point_carries_the_uncertainty_of_both_quantities() -> None:
    """JCGM 100, 5.1.2, by the package `uncertainties` over Magnus's formula (WMO-No. 8, annex 4.B)."""
    t, rh = ufloat(20.0, 0.05), ufloat(60.0, 0.5)
    ln = umath.log(rh / 100) + 17.62 * t / (243.12 + t)
    dew = 243.12 * ln / (17.62 - ln)
    finding = judged(room((on("dew_point", upper=13.0),), {"A": "air"}), AIR).findings[0]
    assert finding.U[-1] / MICRO == pytest.approx(2 * dew.std_dev, rel=0.01)


def test_one_percent_of_humidity_is_a_quarter_of_a_kelvin() -> None:
    """20 degC, 60 %RH: 0.25 K of dew point per %RH, so that U of 1.0 %RH alone is 0.25 K."""
    setup = room((on("dew_point", upper=13.0),), {"A": "air"}, U={"temperature": 1e-6})
    assert judged(setup, AIR).findings[0].U[-1] / MICRO == pytest.approx(0.25, abs=0.005)


def test_one_certificate_for_both_quantities_is_common_not_independent() -> None:
    """Parts 0.0939 and 0.253 K: 0.27 K where independent, 0.347 K where one paper has both."""
    rules = (on("dew_point", upper=13.0),)
    apart = judged(room(rules, {"A": "air"}), AIR).findings[0]
    together = judged(room(rules, {"A": "air"}, number="one paper"), AIR).findings[0]
    assert apart.U[-1] / MICRO == pytest.approx(np.hypot(0.0939, 0.253), abs=0.001)
    assert together.U[-1] / MICRO == pytest.approx(0.0939 + 0.253, abs=0.001)


def test_absolute_humidity() -> None:
    """20 degC, 60 %RH: 10.374 g/m3 as an ideal gas, 10.421 by CoolProp 8 for real air, which U covers."""
    finding = judged(room((on("absolute_humidity", upper=20.0),), {"A": "air"}), AIR).findings[0]
    assert finding.value[-1] / MICRO == pytest.approx(10.374, abs=0.005)
    assert finding.value[-1] / MICRO + finding.U[-1] / MICRO > 10.4214


@pytest.mark.slow
def test_refractivity_and_density_with_the_barometer_of_the_zone() -> None:
    """The modified Edlén formula (Birch & Downs 1994) and CoolProp 8 for humid air; n is Ciddor's here."""
    from CoolProp.HumidAirProp import HAPropsSI

    rules = (on("refractivity", upper=300.0), on("air_density", upper=1.3))
    setup = room(rules, {"A": "air", "B": "pressure"})
    values = {"A.temperature": 20.0, "A.relative_humidity": 50.0, "B.pressure": 1013.25}
    index, density = judged(setup, values).findings
    by_edlen = float(refractive_index_edlen(632.991, 20.0, 101_325.0, 50.0))
    volume = HAPropsSI("Vha", "T", 293.15, "P", 101_325.0, "R", 0.5)  # per kg of humid air
    assert index.value[-1] / MICRO == pytest.approx((by_edlen - 1) * 1e6, abs=0.01)
    assert density.value[-1] / MICRO == pytest.approx(1 / volume, rel=2e-4)
    # 0.1 K is 0.095, 0.2 hPa 0.054, 1 %RH 0.009 and the formula 0.05, all in 1e-6.
    assert index.U[-1] / MICRO == pytest.approx(np.sqrt(0.0955**2 + 0.0537**2 + 0.009**2 + 0.05**2), rel=0.02)


def test_without_a_barometer_there_is_no_density() -> None:
    finding = judged(room((on("air_density", upper=1.3),), {"A": "air"}), AIR).findings[0]
    assert set(finding.why.tolist()) == {Why.NO_PROBE}


@pytest.mark.parametrize("missing", ["A.temperature", "A.relative_humidity"])
def test_without_one_of_its_readings_there_is_no_dew_point(missing: str) -> None:
    finding = judged(room((on("dew_point", upper=13.0),), {"A": "air"}), AIR | {missing: np.nan}).findings[0]
    assert set(finding.conformity.tolist()) == {Conformity.INDETERMINATE}
    assert finding.why[-1] == Why.NO_READING


def test_humidity_beyond_its_range_gives_no_dew_point() -> None:
    """A probe that reads 0 %RH has no dew point; the cell says why instead of showing a number."""
    setup = room((on("dew_point", upper=13.0),), {"A": "air"})
    certificates = tuple(replace(c, range=(-10.0, 110.0)) for c in setup.certificates)
    channels = {k: replace(c, probe_span=(-50.0, 110.0)) for k, c in setup.channels.items()}
    setup = replace(setup, certificates=certificates, channels=channels)
    finding = judged(setup, AIR | {"A.relative_humidity": 0.0}).findings[0]
    assert set(finding.why.tolist()) == {Why.OUTSIDE_RANGE}


def test_a_measured_dew_point_is_not_computed_again() -> None:
    """A dew-point mirror stands for itself; the other probe's dew point is derived."""
    setup = room((), {"A": "air"})
    mirror = Channel("M.dew_point", "M", "dew_point", "degC", 60, 180, 0.0, 0.0, (-20.0, 40.0))
    setup = replace(
        setup,
        channels=setup.channels | {mirror.key: mirror},
        probes=setup.probes | {"M": Probe("M", "M", "", (mirror.key,))},
        placements=(*setup.placements, Placement("M", "A", 0)),
    )
    assert setup.channels_of(on("dew_point")) == ("A.dew_point", "M.dew_point")
    assert setup.inputs_of("M.dew_point") == ()
    assert setup.inputs_of("A.dew_point") == ("A.temperature", "A.relative_humidity")


def test_statistics_show_what_follows_from_the_air() -> None:
    setup = room((), {"A": "air", "B": "pressure", "P": "part"})
    judgement = judged(setup, AIR | {"B.pressure": 1013.25, "P.temperature": 20.0})
    result = {s.channel: s for s in statistics(judgement, setup, slice(30, 90))}
    assert result["A.dew_point"].mean == pytest.approx(12.007, abs=0.002)
    assert result["A.dew_point"].readings == 60
    assert {k for k in result if k.startswith("P.")} == {"P.temperature"}
    assert {"A.absolute_humidity", "A.refractivity", "A.air_density"} <= set(result)


def test_a_piece_gives_the_same_dew_points_as_the_whole() -> None:
    """Values depend on nothing but their own cell."""
    values = AIR | {"A.relative_humidity": 60.0 + np.sin(np.arange(MINUTES) / 9)}
    setup = room((on("dew_point", upper=13.0),), {"A": "air"})
    readings = {key: series(v) for key, v in values.items()}
    whole = judged(setup, values).findings[0].value
    for first in (0, 17, 60):
        grid = Grid(START // (60 * NS) + first, MINUTES - first, 60)
        part = judge("bay", setup, readings, grid, BodyState(0, 0), now_ns=LATER).findings[0]
        assert np.array_equal(part.value, whole[first:])


def condensation(**changed: Any) -> Rule:
    return rule(
        **({"name": "condensation margin", "kind": "condensation", "unit": "K", "lower": 1.0, "upper": None,
            "media": ("part",), "disturbs": False, "r": 0.0} | changed)
    )  # fmt: skip


@pytest.mark.parametrize(
    ("surface", "margin", "expected"),
    [(11.5, -0.5, Conformity.NONCONFORMING), (14.0, 2.0, Conformity.CONFORMING)],
)
def test_margin_above_the_dew_point(surface: float, margin: float, expected: Conformity) -> None:
    """20 degC, 60 %RH has its dew point at 12.0 degC: 11.5 condenses, 14.0 stays 2.0 K above."""
    setup = room((condensation(),), {"A": "air", "P": "part"})
    finding = judged(setup, AIR | {"P.temperature": surface}).findings[0]
    assert finding.value[-1] / MICRO == pytest.approx(margin, abs=0.02)
    assert set(finding.conformity.tolist()) == {expected}
    assert finding.labels == ("P–A",)


def test_margin_carries_the_uncertainty_of_surface_and_dew_point() -> None:
    """0.1 K of the surface beside 0.27 K of the dew point: 0.288 K."""
    setup = room((condensation(r=1.0),), {"A": "air", "P": "part"})
    finding = judged(setup, AIR | {"P.temperature": 13.2}).findings[0]
    assert finding.U[-1] / MICRO == pytest.approx(np.hypot(0.1, 0.27), abs=0.002)
    assert set(finding.conformity.tolist()) == {Conformity.GUARD_BAND}


def test_humidity_at_a_cold_part() -> None:
    """A part of 10 degC in air of 20 degC and 50 %RH: 95 %RH at its surface; 6.7 %RH per kelvin of part."""
    at_surface = condensation(name="humidity at surfaces", unit="%RH", lower=None, upper=80.0)
    setup = room((at_surface,), {"A": "air", "P": "part"}, U={"relative_humidity": 1e-6})
    values = {"A.temperature": 20.0, "A.relative_humidity": 50.0, "P.temperature": 10.0}
    finding = judged(setup, values).findings[0]
    assert finding.value[-1] / MICRO == pytest.approx(95.2, abs=0.1)
    assert set(finding.conformity.tolist()) == {Conformity.NONCONFORMING}
    # d ln e_s/dT is 0.0670 /K at 10 degC and 0.0619 /K at 20 degC (Clausius–Clapeyron).
    assert finding.U[-1] / MICRO == pytest.approx(95.2 * 0.1 * np.hypot(0.0670, 0.0619), abs=0.03)


def test_the_coldest_surface_decides() -> None:
    setup = room((condensation(media=("part", "scale")),), {"A": "air", "P": "part", "S": "scale"})
    finding = judged(setup, AIR | {"P.temperature": 18.0, "S.temperature": 12.5}).findings[0]
    assert finding.labels[finding.label[-1]] == "S–A"
    assert finding.value[-1] / MICRO == pytest.approx(0.49, abs=0.02)


def test_a_surface_that_the_dew_point_was_computed_from_shares_its_error() -> None:
    """Margin t − t_d(t, rh): the error of t enters as 1 − 0.939, not as 1 beside 0.939."""
    named = condensation(channels=("A.temperature", "A.dew_point"))
    setup = room((named,), {"A": "air"}, U={"temperature": 1.0, "relative_humidity": 1e-6})
    finding = judged(setup, AIR).findings[0]
    assert finding.U[-1] / MICRO == pytest.approx(0.061, abs=0.003)


def test_humidity_at_the_probe_itself_is_its_own_humidity() -> None:
    """At the air's own temperature the surface humidity is that of the air; no temperature error enters."""
    named = condensation(
        name="at itself", unit="%RH", lower=None, upper=80.0, channels=("A.temperature", "A.dew_point")
    )
    setup = room((named,), {"A": "air"}, U={"temperature": 1.0, "relative_humidity": 1.0})
    finding = judged(setup, AIR).findings[0]
    assert finding.value[-1] / MICRO == pytest.approx(60.0, abs=0.001)
    assert finding.U[-1] / MICRO == pytest.approx(1.0, abs=0.02)


def test_no_surface_no_statement() -> None:
    finding = judged(room((condensation(),), {"A": "air"}), AIR).findings[0]
    assert set(finding.why.tolist()) == {Why.NO_PROBE}
