"""Refractive index and density of air against published tables; sources beside the values."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from logger.core.physics import air, humidity
from logger.selftest.published import rows

VALUES = rows()
INDEX = [r for r in VALUES if r["quantity"] == "n Ciddor" and "lambda" in r["input_conditions"]]
TABLES = [r for r in VALUES if r["quantity"] in ("(n-1)e8 Ciddor dry", "(n-1)e8 Ciddor extreme")]


def number(text: str, name: str) -> float:
    """The number that follows a name in the conditions of a row."""
    return float(re.search(rf"{name}=?\s*(-?[\d.]+)", text)[1])  # type: ignore[index]


@pytest.mark.parametrize("row", INDEX, ids=[r["input_conditions"] for r in INDEX])
def test_index_meets_the_test_vectors_of_a_national_institute(row: dict[str, str]) -> None:
    """Vectors for 450 ppm CO2; source in values.csv."""
    c = row["input_conditions"]
    n = air.refractive_index(number(c, "lambda"), number(c, "t"), number(c, "p") * 1e3, number(c, "RH"))
    assert n == pytest.approx(float(row["value"]), abs=1e-9), row["source"]


@pytest.mark.parametrize("row", TABLES, ids=[r["input_conditions"] for r in TABLES])
def test_index_meets_the_tables_of_the_paper(row: dict[str, str]) -> None:
    """Ciddor 1996, tables 1 and 3 (the misprint at 40 degC, 80 kPa, 75 % corrected)."""
    c = row["input_conditions"]
    rh = number(c, "RH") if "RH" in c else 0.0
    n = air.refractive_index(633.0, number(c, "t"), number(c, "p") * 1e3, rh)
    assert (n - 1) * 1e8 == pytest.approx(float(row["value"]), abs=0.2), row["source"]


def test_refractivity_of_the_standard_room() -> None:
    """20 degC, 101.325 kPa, 50 %RH, 632.9908 nm: 1.000271373, within 2e-8."""
    assert air.refractive_index(632.9908, 20.0, 101_325.0, 50.0) == pytest.approx(1.000271373, abs=1e-9)


def test_the_two_formulas_agree_in_a_measuring_room() -> None:
    t, rh = np.meshgrid([18.0, 20.0, 22.0], [30.0, 50.0, 70.0])
    difference = air.refractive_index(633.0, t, 101_325.0, rh) - air.refractive_index_edlen(
        633.0, t, 101_325.0, rh
    )
    assert np.abs(difference).max() < 1e-8


def test_sensitivities() -> None:
    """Central differences of Ciddor at 20 degC, 101.325 kPa, 50 %RH (values.csv), within 1 %."""
    s = air.sensitivity(633.0, 20.0, 101_325.0, 50.0)
    assert float(s.per_Pa) * 1e8 == pytest.approx(0.2683, rel=0.01)
    assert float(s.per_ppm_co2) * 1e8 == pytest.approx(0.01435, rel=0.01)
    assert float(s.per_K) * 1e6 == pytest.approx(-0.955, rel=0.01)
    assert float(s.per_pct_rh) * 1e6 == pytest.approx(-0.0085, rel=0.02)


@pytest.mark.parametrize("rh_pct", [0.0, 50.0, 90.0])
def test_density_against_a_real_gas_library(rh_pct: float) -> None:
    """CoolProp (Herrmann et al. 2009, real gas): the CIPM-81/91 equation of state differs by about 1e-4."""
    from CoolProp.HumidAirProp import HAPropsSI

    volume = HAPropsSI("Vha", "T", 293.15, "P", 101_325.0, "R", rh_pct / 100)
    assert air.density(20.0, 101_325.0, rh_pct, 400.0) == pytest.approx(1 / volume, rel=2e-4)


def test_outside_the_range_is_no_number() -> None:
    assert np.isnan(
        air.refractive_index(633.0, [-41.0, 20.0, 20.0], [1e5, 9e3, 1e5], [0.0, 0.0, 101.0])
    ).all()
    assert np.isnan(air.refractive_index(200.0, 20.0, 1e5, 50.0))


@pytest.mark.parametrize("rh", [0.0, 30.0, 50.0, 90.0])
def test_density_of_2007_is_above_that_of_1991_by_its_argon(rh: float) -> None:
    """The new molar mass of dry air, 28.96546 instead of 28.9635 g/mol, is 6.8e-5 more (Picard 2008, 2.1)."""
    t, p = np.meshgrid([15.0, 20.0, 27.0], [60_000.0, 101_325.0, 110_000.0])
    ratio = air.density_2007(t, p, rh, 400.0) / air.density(t, p, rh, 400.0) - 1
    assert ratio == pytest.approx(6.8e-5, abs=1e-5)


@pytest.mark.parametrize(("t", "rh"), [(15.0, 20.0), (20.0, 50.0), (27.0, 90.0)])
def test_density_of_2007_is_what_its_short_form_says(t: float, rh: float) -> None:
    """Picard 2008, eq. 4: 3.483740e-3·p/(Z·T)·(1 − 0.3780·x), with x and Z of its appendix, by hand here."""
    p, T = 101_325.0, t + 273.15
    e = np.exp(1.2378847e-5 * T**2 - 1.9121316e-2 * T + 33.93711047 - 6.3431645e3 / T)
    x = rh / 100 * (1.00062 + 3.14e-8 * p + 5.6e-7 * t**2) * e / p
    inner = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2 + (5.707e-6 - 2.051e-8 * t) * x
    inner += (1.9898e-4 - 2.376e-6 * t) * x**2
    Z = 1 - p / T * inner + (p / T) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    assert air.density_2007(t, p, rh) == pytest.approx(3.483740e-3 * p / (Z * T) * (1 - 0.3780 * x), rel=2e-6)


ANY = st.floats(-1e3, 1e3) | st.floats(allow_nan=True, allow_infinity=True)


@given(ANY, st.floats(-1e5, 1e6) | ANY, ANY, st.floats(-1e3, 1e5))
@example(100.0, 1e4, 100.0, 450.0)  # as much vapour as ten times the air: was −0.15 kg/m³
@example(20.0, 101_325.0, 50.0, 450.0)
def test_air_has_numbers_that_can_be_or_none(t: float, p: float, rh: float, co2: float) -> None:
    """On the whole plane of inputs: outside the ranges NaN; inside a density and an index air can have."""
    inside = -40 <= t <= 100 and 1e4 <= p <= 1.4e5 and 0 <= rh <= 100 and 0 <= co2 <= 1e4
    room = 15 <= t <= 27 and 6e4 <= p <= 1.1e5 and 0 <= rh <= 100 and 0 <= co2 <= 1e4
    for value, within, most in (
        (air.density(t, p, rh, co2), inside, 2.2),
        (air.density_2007(t, p, rh, co2), room, 1.4),
        ((air.refractive_index(633.0, t, p, rh, co2) - 1) * 1e3, inside, 0.6),
    ):
        assert np.isnan(value) or (within and 0 < value < most)
    if room:
        assert np.isfinite(air.density_2007(t, p, rh, co2))
        assert np.isfinite(air.density(t, p, rh, co2))


@given(ANY, ANY, st.floats(-1e5, 1e6) | ANY)
@example(4e305, 0.0, 101_325.0)  # its product with a constant is no number of a computer
def test_humidity_has_numbers_that_can_be_or_none(t: float, rh: float, p: float) -> None:
    """A vapour pressure is not negative, a dew point not above the air, whatever was asked."""
    e, dew, frost = humidity.vapour_pressure(t, rh), humidity.dew_point(t, rh), humidity.frost_point(t, rh)
    inside = -60 <= t <= 200 and 0 <= rh <= 100
    assert np.isnan(e) or (inside and e >= 0)
    assert np.isnan(dew) or (inside and -60 <= dew <= t + 1e-9)
    assert np.isnan(frost) or (inside and -100 <= frost <= 0.01 + 1e-9)
    assert np.isnan(humidity.absolute_humidity(t, rh)) or inside
    ratio = humidity.mixing_ratio(t, rh, p)
    assert np.isnan(ratio) or (inside and ratio >= 0)


def test_relative_humidity_is_over_liquid_water_everywhere() -> None:
    """Also below 0 degC, as WMO-No. 8 defines it: density, dew point and vapour speak of the same air."""
    t, p, rh = -10.0, 100_000.0, 80.0
    e = float(humidity.vapour_pressure(t, rh))
    assert e == pytest.approx(
        0.8 * 286.5, rel=2e-3
    )  # 286.5 Pa over supercooled water at −10 degC (WMO-No. 8)
    dry = float(air.density(t, p, 0.0))
    # Vapour is lighter: 1 − 0.378·e/p, but for 1e-4 of its enhancement.
    assert float(air.density(t, p, rh)) == pytest.approx(dry * (1 - 0.378 * e / p), rel=1e-5)
