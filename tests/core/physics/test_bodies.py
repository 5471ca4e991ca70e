"""Expansion, time constants and resistance thermometers against textbooks and standards."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.physics import expansion, sensors, thermal


@pytest.mark.parametrize(
    ("t_C", "R_ohm"),
    [(-200, 18.5201), (-100, 60.2558), (0, 100.0), (18, 107.0162), (20, 107.7935), (100, 138.5055)],
)
def test_platinum_both_ways(t_C: float, R_ohm: float) -> None:
    """IEC 60751 equation; its table prints two decimals."""
    assert sensors.resistance_of_platinum(t_C) == pytest.approx(R_ohm, abs=5e-5)
    assert sensors.temperature_of_platinum(R_ohm) == pytest.approx(t_C, abs=2e-4)


@given(st.floats(-200, 850))
def test_platinum_inverse_is_exact(t_C: float) -> None:
    back = sensors.temperature_of_platinum(
        sensors.resistance_of_platinum(t_C, sensors.PT1000), sensors.PT1000
    )
    assert back == pytest.approx(t_C, abs=1e-8)


@pytest.mark.parametrize(
    ("name", "t_C", "tolerance"), [("AA", 100, 0.27), ("A", 20, 0.19), ("B", 100, 0.8), ("C", 0, 0.6)]
)
def test_classes_of_platinum(name: str, t_C: float, tolerance: float) -> None:
    """IEC 60751:2022, classes of tolerance."""
    assert sensors.class_tolerance_K(t_C, name) == pytest.approx(tolerance)


@pytest.mark.parametrize(("R_ohm", "t_C"), [(10_000.0, 24.9997), (32_650.0, 0.0002), (3603.0, 49.9857)])
def test_thermistor(R_ohm: float, t_C: float) -> None:
    """A usual 10 kΩ coefficient set (from memory); the arithmetic is independent."""
    t = sensors.temperature_of_thermistor(R_ohm, 1.129148e-3, 2.34125e-4, 8.76741e-8)
    assert t == pytest.approx(t_C, abs=1e-3)


def test_out_of_range_is_no_number() -> None:
    assert np.isnan(sensors.temperature_of_platinum([10.0, 500.0])).all()
    assert np.isnan(sensors.temperature_of_thermistor(-1.0, 1e-3, 2e-4, 1e-7))


def test_expansion_terms_of_the_thermal_error_index_example() -> None:
    """ASME B89.6.2 definitions (from memory): 250 mm aluminium against steel, both 22.5 degC."""
    assert expansion.length_change_um(250.0, 23.1e-6, 22.5) == pytest.approx(14.4375)
    assert expansion.length_change_um(250.0, 11.5e-6, 22.5) == pytest.approx(7.1875)
    nde = expansion.differential_expansion_um(250.0, (23.1e-6, 22.5), (11.5e-6, 22.5))
    assert nde == pytest.approx(7.25)


def test_every_material_has_a_source() -> None:
    assert all(m.source and m.half_width_per_K > 0 for m in expansion.MATERIALS.values())


@pytest.mark.parametrize(
    ("material", "size_mm", "minutes"),
    [
        ("steel", 100, 125.38), ("steel", 300, 376.15), ("aluminium", 30, 25.2), ("granite", 100, 74.06),
        ("zirconia", 300, 287.5),
    ],
)  # fmt: skip
def test_time_constant_of_a_cube(material: str, size_mm: float, minutes: float) -> None:
    """ρ·c·V/(h·A) with h = 8 W/(m²·K), computed by hand in values.csv."""
    cube = thermal.volume_and_area("cuboid", (size_mm,) * 3)
    assert thermal.time_constant_s(thermal.BODIES[material], *cube) / 60 == pytest.approx(minutes, abs=0.005)


def test_thermocouple_junction_of_the_textbook() -> None:
    """Incropera & DeWitt, example 5.1: τ = 1 s needs D = 0.706 mm; Bi = 2.35e-3; 199 degC after 5.2 s."""
    junction = thermal.Body(8500, 400, 20)
    sphere = thermal.volume_and_area("sphere", (0.70588,))
    assert thermal.time_constant_s(junction, *sphere, film=400) == pytest.approx(1.0, abs=1e-4)
    assert thermal.biot(junction, *sphere, film=400) == pytest.approx(0.002353, abs=1e-6)
    assert thermal.soak_time_s(1.0, 175.0, 1.0) == pytest.approx(5.2, abs=0.04)


def test_response_to_a_ramp_lags_by_rate_times_tau() -> None:
    """A part of τ = 45 min lags a ramp of 1 K/h by 0.75 K; any step gives the same."""
    for step_s in (10.0, 600.0, 7200.0):
        t = np.arange(0, 40 * 3600 + 1, step_s)
        body = thermal.response(t, 20.0 + t / 3600, 2700.0, 20.0)
        assert 20.0 + t[-1] / 3600 - body[-1] == pytest.approx(0.75, abs=1e-6)


def test_gain_of_a_daily_cycle() -> None:
    """Period 24 h, τ 0.75 h: 0.9813 of the amplitude (first-order gain)."""
    t = np.arange(0, 10 * 86400, 60.0)
    body = thermal.response(t, 20 + np.sin(2 * np.pi * t / 86400), 2700.0, 20.0)
    assert body[-1440:].max() - 20 == pytest.approx(0.9813, abs=2e-4)


def test_soak_after_a_wash() -> None:
    """37 degC to 20 ± 0.5 degC with τ = 30 min: 106 min."""
    assert thermal.soak_time_s(1800.0, 17.0, 0.5) / 60 == pytest.approx(106, abs=2)


def test_time_constant_from_twenty_minutes_of_a_step() -> None:
    """τ = 30 min from 20 min of a clipped probe with 0.02 K noise: within 15 %, and within its own U."""
    rng = np.random.default_rng(3)
    t = np.arange(0, 1200, 5.0)
    fitted = thermal.fit_step(t, 20 + 17 * np.exp(-t / 1800) + rng.normal(0, 0.02, len(t)))
    assert fitted.tau_s == pytest.approx(1800, rel=0.15)
    assert abs(fitted.tau_s - 1800) < 1.5 * fitted.U_s
