"""Humidity against published tables, reference libraries and an open recording."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import psychrolib
import pytest

from logger.core.physics import humidity
from logger.core.physics.saturation import saturation_pressure_ice, saturation_pressure_water
from logger.selftest.published import rows

TESTS = Path(__file__).parents[2]
VALUES = rows()
FORMULA = {"Hyland-Wexler/ASHRAE": "hyland-wexler", "Sonntag": "sonntag", "Hardy": "hardy"}


def published(topic: str, quantity: str) -> list[tuple[float, float, str]]:
    """(temperature in degC, pressure in Pa, source) of the rows of values.csv whose quantity begins so."""
    rows = (r for r in VALUES if r["topic"].startswith(topic) and r["quantity"].startswith(quantity))
    return [
        (float(r["input_conditions"].split("=")[1].split()[0]), float(r["value"]), r["source"]) for r in rows
    ]


@pytest.mark.parametrize("name", FORMULA)
def test_saturation_over_water_meets_the_published_formula(name: str) -> None:
    """Sources beside each value in values.csv."""
    rows = published("2a", f"e_w {name}")
    assert len(rows) >= 5
    for t_C, e_Pa, source in rows:
        assert saturation_pressure_water(t_C, FORMULA[name]) == pytest.approx(e_Pa, rel=1e-5), source


@pytest.mark.parametrize("name", FORMULA)
def test_saturation_over_ice_meets_the_published_formula(name: str) -> None:
    """Sources beside each value in values.csv."""
    rows = published("2b", f"e_i {name}")
    assert rows
    for t_C, e_Pa, source in rows:
        assert saturation_pressure_ice(t_C, FORMULA[name]) == pytest.approx(e_Pa, rel=1e-4), source


@pytest.mark.parametrize(("t_C", "e_Pa"), [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3), (100.0, 101418.0)])
def test_saturation_against_the_ashrae_table(t_C: float, e_Pa: float) -> None:
    """ASHRAE Handbook Fundamentals 2017, ch. 1, table 3.

    The table follows IAPWS and the formula Hyland & Wexler: up to 0.03 % apart.
    """
    assert saturation_pressure_water(t_C) == pytest.approx(e_Pa, rel=3e-4)


@pytest.mark.parametrize("t_C", [10.0, 18.0, 20.0, 23.0, 40.0])
@pytest.mark.parametrize("rh_pct", [55.0, 70.0, 90.0])
def test_derived_quantities_against_psychrolib(t_C: float, rh_pct: float) -> None:
    """psychrolib 2.5 computes the same formulas; its dew point solver stops at 1e-3 K.

    Below freezing it means the frost point, so the cases stay above.
    """
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert humidity.dew_point(t_C, rh_pct) == pytest.approx(
        psychrolib.GetTDewPointFromRelHum(t_C, rh_pct / 100), abs=2e-3
    )
    assert humidity.mixing_ratio(t_C, rh_pct, 101325.0) == pytest.approx(
        psychrolib.GetHumRatioFromRelHum(t_C, rh_pct / 100, 101325.0), rel=1e-6
    )
    assert humidity.wet_bulb(t_C, rh_pct, 101325.0) == pytest.approx(
        psychrolib.GetTWetBulbFromRelHum(t_C, rh_pct / 100, 101325.0), abs=2e-3
    )


def test_frost_point_of_dry_air() -> None:
    """Computed with Hardy 1998: 20 degC, 5 %RH has its frost point at −18.692 degC."""
    assert humidity.frost_point(20.0, 5.0, "hardy") == pytest.approx(-18.6922, abs=1e-3)


def test_humidity_ratio_of_an_open_recording() -> None:
    """UCI Occupancy Detection (CC BY 4.0, Candanedo & Feldheim 2016): its column HumidityRatio."""
    text = (TESTS / "data/uci_occupancy/datatest.txt").read_text(encoding="ascii")
    rows = list(csv.reader(text.splitlines()))[1:]
    t_C, rh_pct, ratio = (np.array([float(r[i]) for r in rows]) for i in (2, 3, 6))
    assert len(rows) == 2665
    np.testing.assert_allclose(humidity.mixing_ratio(t_C, rh_pct, 101325.0), ratio, rtol=5e-5)


def test_outside_the_valid_range_is_no_number() -> None:
    assert np.isnan(saturation_pressure_water([-61.0, 201.0, np.nan])).all()
    assert np.isnan(saturation_pressure_ice(0.1))
    assert np.isnan(humidity.dew_point(20.0, [0.0, -1.0, 101.0])).all()
    assert np.isnan(humidity.mixing_ratio(20.0, 50.0, 1000.0))


def test_arrays_keep_their_shape() -> None:
    t_C = np.full((2, 3), 20.0)
    assert humidity.dew_point(t_C, 50.0).shape == (2, 3)
    assert humidity.wet_bulb(t_C, 50.0).shape == (2, 3)


@pytest.mark.parametrize("rh_pct", [30.0, 50.0, 70.0])
def test_known_difference_to_a_meteorological_library(rh_pct: float) -> None:
    """MetPy 1.7 takes Ambaum (2020): 0.15 to 0.3 % lower in saturation, its dew point 10 to 25 mK lower."""
    import metpy.calc as metpy
    from metpy.units import units

    theirs = metpy.dewpoint_from_relative_humidity(20.0 * units.degC, rh_pct * units.percent)
    difference = float(humidity.dew_point(20.0, rh_pct)) - float(theirs.to("degC").magnitude)
    assert 0.005 < difference < 0.035


@pytest.mark.parametrize(("t_C", "rh_pct"), [(20.0, 40.0), (22.0, 45.0), (25.0, 60.0)])
def test_dew_point_of_real_air(t_C: float, rh_pct: float) -> None:
    """CoolProp (real gas) stands up to 3 mK above: the enhancement factor nearly cancels."""
    from CoolProp.HumidAirProp import HAPropsSI

    theirs = HAPropsSI("D", "T", t_C + 273.15, "P", 101_325.0, "R", rh_pct / 100) - 273.15
    assert humidity.dew_point(t_C, rh_pct) == pytest.approx(theirs, abs=3.5e-3)


def test_mixing_ratio_of_real_air_is_higher_by_the_enhancement_factor() -> None:
    """CoolProp: +0.44 % at 20 degC, 50 %RH (Hardy's enhancement factor is 1.0040)."""
    from CoolProp.HumidAirProp import HAPropsSI

    real = HAPropsSI("W", "T", 293.15, "P", 101_325.0, "R", 0.5)
    assert real / humidity.mixing_ratio(20.0, 50.0) == pytest.approx(1.0044, abs=3e-4)
