"""Every row of the published values whose function is here: the shipped checks, in `logger.selftest`."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest

from logger.core.physics import air, expansion, humidity, sensors
from logger.selftest.published import (
    CHECKS,
    ICE,
    WATER,
    PublishedCheck,
    Row,
    number_in,
    numbers,
    read_by,
    rows,
)

ROWS = rows()
CASES = [
    pytest.param(check, row, id=f"{row['quantity'][:40]} {row['input_conditions'][:40]}")
    for check in CHECKS
    for row in read_by(check)
]


# What the table calls a material, and what it is called here where that differs.
SAME = ("aluminium 1100", "aluminium 2024", "aluminium 7075", "Inconel 625", "tungsten", "fused quartz",
        "granite", "borosilicate glass", "soda-lime glass", "acrylic", "nylon")  # fmt: skip
EXPANSION = dict.fromkeys(SAME, "") | {
    "aluminium 356.0 cast": "aluminium 356 cast",
    "copper C11000": "copper",
    "brass C36000 free-cutting": "brass",
    "ductile iron 60-40-18": "ductile iron",
    "grey cast iron G1800-G4000": "grey cast iron",
    "stainless steel (austenitic)": "austenitic stainless steel",
    "Invar (other table)": "invar",
    "fused quartz (other table)": "fused quartz",
    "zero-expansion glass ceramic 0-50 C": "zero-expansion glass ceramic",
    "steel gauge block (GUM H.1)": "steel gauge block",
    "ceramic (zirconia) gauge block": "zirconia gauge block",
}


@pytest.mark.parametrize("row", [r for r in ROWS if r["quantity"][4:] in EXPANSION and r["topic"][0] == "4"],
                         ids=lambda row: row["quantity"])  # fmt: skip
def test_expansion_lies_within_the_bound_of_its_material(row: Row) -> None:
    """Tables differ among themselves; what another one says must lie within the bound that is declared."""
    name = row["quantity"][4:]
    material = expansion.material_of(EXPANSION[name] or name)
    apart = abs(numbers(row["value"])[0] * 1e-6 - material.alpha_per_K)
    assert apart <= material.half_width_per_K * (1 + 1e-9), row["source"]


def test_most_rows_of_the_formulas_that_are_here_are_compared() -> None:
    """A row that no check reads would be a silent hole: only other formulas may be left out, by name."""
    others = (
        "IAPWS|Magnus|CoolProp|enhancement|aspirated|psychrolib result|standard atmosphere|ASHRAE 2017"
        "|saturation humidity ratio|dRH/dT|dn/|air wavelength|Edlen|Birch|Bonsch|shop-floor|extreme|absolute"
    )
    read = {id(case.values[1]) for case in CASES}
    topics = ("2a", "2b", "2c", "3")
    missed = [r["quantity"] for r in ROWS if r["topic"].split(" ")[0] in topics and id(r) not in read]
    assert [q for q in missed if not re.search(others, q)] == []


# IEC 60751:2022, table 1, from memory: resistance of a Pt100 in ohm, two decimals.
TABLE_1 = {-200: 18.52, -100: 60.26, -50: 80.31, 0: 100.00, 50: 119.40, 100: 138.51, 200: 175.86, 400: 247.09,
           600: 313.71, 850: 390.48}  # fmt: skip


@pytest.mark.parametrize(("t_C", "R_ohm"), TABLE_1.items())
def test_platinum_meets_the_table_of_its_standard(t_C: float, R_ohm: float) -> None:
    assert float(sensors.resistance_of_platinum(t_C)) == pytest.approx(R_ohm, abs=0.005)


# Vapour pressure of water in kPa, CRC Handbook of Chemistry and Physics, 85th ed., from memory.
CRC = {0.01: 0.61165, 15: 1.7058, 25: 3.1699, 35: 5.6290, 60: 19.946, 80: 47.414, 100: 101.42}


@pytest.mark.parametrize(("t_C", "e_kPa"), CRC.items())
@pytest.mark.parametrize("formula", ["hyland-wexler", "hardy", "sonntag"])
def test_saturation_meets_a_handbook(formula: str, t_C: float, e_kPa: float) -> None:
    """The three formulas and the steam table lie within 0.05 % of each other, up to the boiling point."""
    assert float(WATER(t_C, formula)) / 1000 == pytest.approx(e_kPa, rel=5e-4)  # type: ignore[arg-type]


def thermistor(kohm: object) -> object:
    return sensors.temperature_of_thermistor(np.multiply(kohm, 1000), 1.129148e-3, 2.34125e-4, 8.76741e-8)


FUNCTIONS: list[Callable[..., object]] = [
    WATER,
    lambda x: ICE(x - 30),
    lambda x: humidity.dew_point(x, 50),
    lambda x: humidity.frost_point(x, 5),
    lambda x: humidity.wet_bulb(x, 50),
    lambda x: humidity.absolute_humidity(x, 50),
    lambda x: humidity.mixing_ratio(x, 50, 101_325),
    lambda x: air.refractive_index(633, x, 101_325, 50),
    lambda x: air.density(x, 101_325, 50),
    sensors.resistance_of_platinum,
    lambda x: sensors.temperature_of_platinum(x + 90),
    thermistor,
    lambda x: expansion.length_change_um(500, 11.5e-6, x),
]


@pytest.mark.parametrize("work", FUNCTIONS, ids=range(len(FUNCTIONS)))
def test_any_shape_and_kind_of_number(work: Callable[..., np.ndarray]) -> None:
    """Whole numbers, scalars, arrays without dimension, empty ones, tables; what is no number gives none."""
    item = float(work(20.0))
    assert np.isfinite(item)
    assert float(work(20)) == item
    assert work(np.array(20)).shape == ()
    assert work(np.array([20, 20], np.int32)).tolist() == [item, item]
    assert work(np.full((2, 3), 20.0, np.float32)).shape == (2, 3)
    assert work(np.empty(0)).shape == (0,)
    assert np.isnan(work(np.array([np.nan, 20.0]))).tolist() == [True, False]


@pytest.mark.parametrize("work", FUNCTIONS[:-1], ids=range(len(FUNCTIONS) - 1))
@pytest.mark.parametrize("wild", [np.inf, -np.inf, -400.0, 1e8])
def test_beyond_its_range_there_is_no_number(work: Callable[..., np.ndarray], wild: float) -> None:
    assert np.isnan(float(work(wild)))


@pytest.mark.parametrize(("check", "row"), CASES)
def test_row(check: PublishedCheck, row: Row) -> None:
    allowed = max(check.abs, check.rel * abs(number_in(row)))
    assert check.compute(row) == pytest.approx(number_in(row), rel=0, abs=allowed), row["source"]
