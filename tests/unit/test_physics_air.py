"""Refractive index and density of air against published tables; sources beside the values."""

from __future__ import annotations

import re

import numpy as np
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.physics import air
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
    volume = HAPropsSI("Vha", "T", 293.15, "P", 101_325.0, "R", rh_pct / 100)
    assert air.density(20.0, 101_325.0, rh_pct, 400.0) == pytest.approx(1 / volume, rel=2e-4)


def test_outside_the_range_is_no_number() -> None:
    assert np.isnan(
        air.refractive_index(633.0, [-41.0, 20.0, 20.0], [1e5, 9e3, 1e5], [0.0, 0.0, 101.0])
    ).all()
    assert np.isnan(air.refractive_index(200.0, 20.0, 1e5, 50.0))
