"""Thermal errors from a record against worked examples, `uncertainties`, Monte Carlo and an ODE solver.

Sources: JCGM 100:2008 and JCGM 101:2008; ISO/TR 16015:2003 and ASME B89.6.2, whose definitions are
from memory and whose examples were computed by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from uncertainties import ufloat

from logger.core.measurement.temperatures import Lag, SideTemperature, Temperatures
from logger.core.measurement.thermal_error import (
    OWN_TVE,
    DriftCheck,
    Feature,
    Work,
    thermal_error,
    thermal_errors,
)
from logger.core.physics.expansion import IDEAL, material_of
from tests.inspections.conftest import Made

STEEL, ALUMINIUM = material_of("steel"), material_of("aluminium")
RECT = 1 / 3**0.5


def test_steel_against_an_ideal_scale(warm: Made) -> None:
    """500 mm at 22 °C, α ±10 % and t ±0.2 K rectangular: NDE 11.5 µm, U 1.88 µm (by hand)."""
    error = thermal_error(
        warm({"T1": ("part", 22.0)} | {"T2": ("scale", 20.0)}, U=2 * 0.2 * RECT),
        Feature(500.0, STEEL),
        Work(IDEAL),
    )
    assert error.nde_um == pytest.approx(11.5)
    assert error.U_um == pytest.approx(1.88, abs=0.005)
    assert (error.k, error.share_of_tolerance, error.tei_pct) == (2.0, None, None)


def test_aluminium_on_a_steel_scale(warm: Made) -> None:
    """500 mm, 23.1 against 11.5e-6/K, both at 21 °C: 5.8 µm (by hand)."""
    error = thermal_error(warm({"T1": ("air", 21.0)}), Feature(500.0, ALUMINIUM), Work(STEEL))
    assert error.nde_um == pytest.approx(5.8)
    assert error.case == "off 20 °C and not corrected"


def test_a_shared_probe_adds_nothing_to_steel_on_steel(warm: Made) -> None:
    """One air probe for both: its error is common and cancels; two probes of their own do not cancel."""
    feature, work = Feature(500.0, STEEL), Work(STEEL)
    exact, worse = (thermal_error(warm({"T1": ("air", 20.0)}, U=U), feature, work) for U in (0.01, 1.0))
    own = thermal_error(warm({"T1": ("part", 20.0), "T2": ("scale", 20.0)}, U=1.0), feature, work)
    first = [c.um for c in worse.contributions if c.name.startswith("temperature")]
    assert first == []
    # Second order is exact: the error of the shared temperature times that of each α, which differ.
    L, u_alpha = 500e3, 1.15e-6 * RECT
    assert worse.U_um == pytest.approx(2 * L * u_alpha * 0.5 * 2**0.5)
    assert exact.U_um == pytest.approx(worse.U_um / 100)
    assert own.U_um == pytest.approx(2 * np.hypot(L * 11.5e-6 * 0.5 * 2**0.5, worse.U_um / 2), rel=1e-6)


def test_the_example_of_the_thermal_error_index(warm: Made) -> None:
    """ASME B89.6.2 (from memory): 250 mm Al on steel, 22.5 °C, TVE 1.5, tolerance 50 µm: 21.825, 7.325 %."""
    tracks = warm({"T1": ("air", 22.5)})
    feature = Feature(250.0, ALUMINIUM, 50.0)
    for compensated, tei in ((False, 21.825), (True, 7.325)):
        work = Work(STEEL, compensated=compensated, adding_up="b89", drift=DriftCheck(1.5))
        error = thermal_error(tracks, feature, work)
        assert (error.nde_um, error.unde_um) == (pytest.approx(7.25), pytest.approx(2.1625))
        assert error.tei_pct == pytest.approx(tei)
        assert error.share_of_tolerance == pytest.approx(tei / 100)
        assert (error.U_um, error.k) == (None, None)  # no quadrature inside an arithmetic sum
        assert sum(c.um for c in error.contributions) == pytest.approx(tei / 100 * 50.0)


def test_the_same_example_by_a_reference_library(warm: Made) -> None:
    """`uncertainties` propagates the same model to first order: own probes, α rectangular."""
    tracks = warm({"T1": ("part", 22.5), "T2": ("scale", 22.4)}, U=2 * 0.1 * RECT)
    error = thermal_error(tracks, Feature(250.0, ALUMINIUM), Work(STEEL))
    ap, as_ = ufloat(23.1e-6, 2.31e-6 * RECT), ufloat(11.5e-6, 1.15e-6 * RECT)
    tp, ts = ufloat(22.5, 0.1 * RECT), ufloat(22.4, 0.1 * RECT)
    reference = 250e3 * (ap * (tp - 20) - as_ * (ts - 20))
    first = np.sqrt(sum(c.um**2 for c in error.contributions if c.name != "second order"))
    assert error.nde_um == pytest.approx(reference.nominal_value)
    assert first == pytest.approx(reference.std_dev, rel=1e-6)


@settings(max_examples=12)
@given(st.integers(0, 10_000))
def test_the_budget_agrees_with_monte_carlo(seed: int) -> None:
    """JCGM 101, 400 000 draws of the whole model with its distributions: U within 1 %."""
    rng = np.random.default_rng(seed)
    means, own = 20 + rng.uniform(-4, 4, 2), rng.uniform(0.01, 0.2, 2)
    shared, swing = rng.uniform(0.01, 0.3), rng.uniform(0.0, 4.0)
    sides = [SideTemperature(np.full(120, m), m, u, ("A",), "air") for m, u in zip(means, own, strict=True)]
    tracks = Temperatures(*sides, np.full(120, 20.0), shared, 0.0, 0.0, 60.0, ())
    work = Work(STEEL, drift=DriftCheck(swing))
    error = thermal_error(tracks, Feature(400.0, ALUMINIUM), work)
    n = 400_000
    common = rng.normal(0, shared, n)
    tp, ts = (m - 20 + rng.normal(0, u, n) + common for m, u in zip(means, own, strict=True))
    ap, as_ = (
        m.alpha_per_K + rng.uniform(-m.half_width_per_K, m.half_width_per_K, n) for m in (ALUMINIUM, STEEL)
    )
    draws = 400e3 * (ap * tp - as_ * ts) + rng.uniform(-swing / 2, swing / 2, n)
    assert error.U_um == pytest.approx(2 * float(draws.std()), rel=0.01)


def test_temperatures_are_lagged_as_the_equation_says(warm: Made) -> None:
    """scipy integrates dT/dt = (air − T)/τ over the same wandering air; and the drift of it."""

    def air(hour: np.ndarray) -> np.ndarray:
        return 20.0 + 0.6 * np.sin(hour * 1.3) + 0.25 * np.sin(hour * 7.0)

    tau_s = 2700.0
    error = warm({"T1": ("air", air)}, (12.0, 16.0), part=Lag(tau_s))
    t = (np.arange(1440) + 0.5) * 60.0  # a cell stands for its middle, as the readings do
    solved = solve_ivp(
        lambda s, y: (air(s / 3600) - y) / tau_s, (0, t[-1]), [air(0.0)], t_eval=t, max_step=30.0, rtol=1e-9
    )
    middles = solved.y[0][720:960]
    assert np.abs(error.part.value - middles).max() < 0.0002
    feature = thermal_error(error, Feature(500.0, STEEL), Work(STEEL))
    scale = air((np.arange(720, 960) + 0.5) / 60)
    delta = 500e3 * 11.5e-6 * (middles - scale)
    assert feature.ed_um == pytest.approx(np.abs(delta - delta[0]).max(), rel=0.002)


def test_drift_counts_from_mastering(warm: Made) -> None:
    """A ramp of 0.5 K/h, part on an ideal scale: mastered an hour before two hours of work: 3 h of drift."""
    ramp = warm({"T1": ("part", lambda h: 20 + 0.5 * h), "T2": ("scale", 20.0)}, (8.0, 10.0), mastered=7.0)
    error = thermal_error(ramp, Feature(100.0, STEEL), Work(IDEAL))
    assert error.ed_um == pytest.approx(1.15 * 0.5 * (3 - 1 / 60), rel=1e-6)
    assert (error.tve_um, error.tve_source) == (error.ed_um, OWN_TVE)


def test_a_drift_check_is_scaled_up_and_never_down(warm: Made) -> None:
    """Measured at a span of 0.5 K; the room moved by 1 K, then by 0.2 K."""
    work = Work(STEEL, drift=DriftCheck(1.2, 0.5, "2026-03-01"))
    wide = warm({"T1": ("air", lambda h: 20 + 0.5 * (h - 8))}, (8.0, 10.0 + 1 / 60))
    narrow = warm({"T1": ("air", lambda h: 20 + 0.1 * (h - 8))}, (8.0, 10.0 + 1 / 60))
    error = [thermal_error(t, Feature(100.0, STEEL), work) for t in (wide, narrow)]
    assert [f.tve_um for f in error] == [pytest.approx(2.4), pytest.approx(1.2)]
    assert error[0].tve_source == "drift check of 2026-03-01 at a span of 0.5 K, scaled by 2"


def test_one_cycle_weighs_more_than_an_even_drift(warm: Made) -> None:
    """JCGM 100, H.1.3.4: a cycle's values gather at its ends, u = half-range/√2 and not /√3."""
    swings = {"T1": ("part", lambda h: 20 + 0.2 * np.sin(2 * np.pi * h)), "T2": ("scale", 20.0)}
    cycle = warm(swings, (8.0, 12.0))
    error = thermal_error(cycle, Feature(500.0, STEEL), Work(STEEL))
    (swing,) = [c.um for c in error.contributions if c.name == "temperature variation"]
    assert swing == pytest.approx(500e3 * 11.5e-6 * 0.2 / 2**0.5, rel=0.01)
    corrected = thermal_error(
        cycle, Feature(500.0, STEEL), Work(STEEL, compensated=True, point_by_point=True)
    )
    assert "temperature variation" not in [c.name for c in corrected.contributions]


def test_the_worst_feature_leads(warm: Made) -> None:
    """By share of its tolerance, not by size; one without a tolerance leads, because it is not known."""
    tracks = warm({"T1": ("air", 21.0)})
    long, tight = Feature(800.0, STEEL, 100.0, "long"), Feature(60.0, ALUMINIUM, 2.0, "tight")
    assert [e.feature for e in thermal_errors(tracks, [long, tight], Work(STEEL))] == ["tight", "long"]
    unknown = Feature(1.0, STEEL, None, "unknown")
    assert thermal_errors(tracks, [tight, unknown], Work(STEEL))[0].feature == "unknown"


def test_the_three_cases_are_told_apart(warm: Made) -> None:
    """ISO/TR 16015: at 20 °C, off and corrected, off and not corrected; only the last carries its bias."""
    feature = Feature(500.0, ALUMINIUM, 20.0)
    at20 = thermal_error(warm({"T1": ("air", 20.05)}), feature, Work(STEEL))
    off = thermal_error(warm({"T1": ("air", 21.0)}), feature, Work(STEEL))
    on = thermal_error(warm({"T1": ("air", 21.0)}), feature, Work(STEEL, compensated=True))
    assert [e.case for e in (at20, on, off)] == [
        "mean at 20 °C", "off 20 °C and corrected", "off 20 °C and not corrected",
    ]  # fmt: skip
    assert off.share_of_tolerance == pytest.approx((5.8 + off.U_um) / 20.0)
    assert on.share_of_tolerance == pytest.approx(on.U_um / 20.0)


def test_probes_apart_widen_what_the_air_tells(warm: Made) -> None:
    """Two air probes 0.4 K apart: where the part stands between them is not known, ±0.2 K rectangular."""
    error = warm({"T1": ("air", 19.8), "T2": ("air", 20.2)}, U=0.001)
    assert error.part.mean_C == pytest.approx(20.0)
    assert error.part.u_own_K == pytest.approx(0.2 * RECT, rel=1e-3)


def test_what_has_no_evidence_is_told(warm: Made) -> None:
    silent = warm({"T1": ("air", lambda h: np.where((h > 9) & (h < 9.5), np.nan, 20.0))})
    assert any("not shown" in n for n in silent.notices)
