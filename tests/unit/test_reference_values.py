"""Every row of reference/values.csv whose function is here, at the tolerance that its row states.

The columns are free text; `CHECKS` says how each kind of row is read. Rows of other formulas (Magnus, IAPWS,
real gases, thermocouples, other refractivity formulas) are no part of the product and are left out by name.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from logger.physics import air, expansion, humidity, sensors, thermal
from logger.physics.saturation import saturation_pressure_ice, saturation_pressure_water

ROWS = list(
    csv.DictReader((Path(__file__).parents[1] / "reference/values.csv").read_text("utf-8").splitlines())
)
Row = dict[str, str]
NUMBER = r"(-?\d+(?:\.\d+)?(?:e-?\d+)?)"


def number(text: str, before: str) -> float:
    """The number that follows a name such as "t=" in the conditions."""
    found = re.search(re.escape(before) + r"\s*" + NUMBER, text)
    assert found, (text, before)
    return float(found[1])


def numbers(text: str) -> list[float]:
    return [float(x) for x in re.findall(NUMBER, text)]


@dataclass(frozen=True)
class Check:
    """Rows of a topic whose quantity fits, what is computed for one, and how near it must come."""

    topic: str
    quantity: str  # regular expression
    found: Callable[[Row], float]
    rel: float | None = None
    abs: float | None = None


def t_rh(row: Row) -> tuple[float, float]:
    conditions = row["input_conditions"]
    return number(conditions, "t="), number(conditions, "RH=")


def ciddor(row: Row) -> float:
    c = row["input_conditions"]
    if "pv=" in c:
        t, p, e = number(c, "t="), number(c, "p="), number(c, "pv=")
        factor = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2  # Ciddor 1996, appendix A
        rh = 100 * e / (factor * float(saturation_pressure_water(t)))
        return float(air.refractive_index(633.0, t, p, rh, number(c, "xCO2=")))
    if "vacuum wavelength" in c:
        return float(air.refractive_index(632.9908, 20.0, 101_325.0, 50.0))
    rh = number(c, "RH=") if "RH=" in c else 0.0
    wave = number(c, "lambda=") if "lambda=" in c else 633.0
    return float(air.refractive_index(wave, number(c, "t="), 1000 * number(c, "p="), rh))


def change(row: Row) -> float:
    """Length change in µm for 1 K: "100 mm, +1 K, steel 11.5e-6" or "1 m steel 11.5e-6, +1 K"."""
    length, unit, alpha = re.findall(
        NUMBER + r" (mm|m)\b.*? " + NUMBER + r"(?:,|$)", row["input_conditions"]
    )[0]
    mm = float(length) * (1000 if unit == "m" else 1)
    return float(expansion.length_change_um(mm, float(alpha), 21.0))


def cube(row: Row) -> float:
    """Time constant in min of a cube, film coefficient 8 W/(m²·K), all six faces."""
    material, side_mm = re.findall(r"tau (.+) cube (\d+) mm", row["quantity"])[0]
    volume, area = thermal.volume_and_area("cuboid", (float(side_mm),) * 3)
    return float(thermal.time_constant_s(thermal.body_of(material), volume, area, 8.0)) / 60


def steinhart(row: Row) -> float:
    a, b, c, R = numbers(row["input_conditions"].replace("coeffs", ""))
    return float(sensors.temperature_of_thermistor(R, a, b, c))


def tolerance(row: Row) -> float:
    name = re.findall(r"class (\w+)", row["quantity"])[0]
    return float(sensors.class_tolerance_K(number(row["input_conditions"], "t="), name))


def saturation(name: str, over: Callable[..., object]) -> Callable[[Row], float]:
    return lambda row: float(over(number(row["input_conditions"], "t="), name))  # type: ignore[arg-type]


def of_pair(work: Callable[..., object], *more: float, factor: float = 1.0) -> Callable[[Row], float]:
    """A function of temperature and humidity, in the unit of the row."""
    return lambda row: factor * float(work(*t_rh(row), *more))  # type: ignore[arg-type]


WATER, ICE = saturation_pressure_water, saturation_pressure_ice
CHECKS = [
    Check("2a", r"e_w Hyland-Wexler", saturation("hyland-wexler", WATER), rel=1e-5),
    Check("2a", r"e_w Sonntag", saturation("sonntag", WATER), rel=1e-5),
    Check("2a", r"e_w Hardy ITS-90", saturation("hardy", WATER), rel=1e-5),
    Check("2a", r"e_w supercooled, Hardy", saturation("hardy", WATER), rel=1e-5),
    Check("2a", r"triple point", lambda _: float(WATER(0.01)), abs=1e-3),
    # The table follows IAPWS: 0.03 % from Hyland & Wexler, which is the known difference.
    Check("2a", r"e_w ASHRAE", saturation("hyland-wexler", WATER), rel=3e-4),
    Check("2b", r"e_i Hyland-Wexler", saturation("hyland-wexler", ICE), rel=1e-4),
    Check("2b", r"e_i Sonntag", saturation("sonntag", ICE), rel=1e-4),
    Check("2b", r"e_i Hardy", saturation("hardy", ICE), rel=1e-4),
    Check("2b", r"e_i ASHRAE", saturation("hyland-wexler", ICE), rel=3e-4),
    Check("2b", r"ratio e_w/e_i", lambda _: float(WATER(-10, "hardy") / ICE(-10, "hardy")), abs=1e-5),
    Check("2c", r"vapour pressure", of_pair(humidity.vapour_pressure), rel=3e-4),
    Check("2c", r"dew point \(Hardy", of_pair(humidity.dew_point), abs=2e-3),
    Check("2c", r"dew point psychrolib", of_pair(humidity.dew_point), abs=2e-3),
    # A real gas is wetter by its enhancement factor at both temperatures: 0.003 K.
    Check("2c", r"dew point real gas", of_pair(humidity.dew_point), abs=4e-3),
    Check("2c", r"absolute humidity ideal", of_pair(humidity.absolute_humidity), rel=5e-4),
    Check("2c", r"mixing ratio psychrolib", of_pair(humidity.mixing_ratio, 101_325.0, factor=1000), rel=5e-4),
    Check("2c", r"thermodynamic wet bulb", of_pair(humidity.wet_bulb, 101_325.0), abs=1e-2),
    Check("2c", r"frost point", lambda _: float(humidity.frost_point(20.0, 5.0)), abs=1e-2),
    Check("3", r"n Ciddor", ciddor, abs=2e-9),
    Check("3", r"\(n-1\)e8 Ciddor dry", lambda r: 1e8 * (ciddor(r) - 1), abs=0.1),
    Check("3", r"\(n-1\)e8 Ciddor moist", lambda r: 1e8 * (ciddor(r) - 1), abs=0.3),
    Check("3", r"dn/dp", lambda _: 1e8 * float(
        air.sensitivity(633.0, 20.0, 101_325.0, 50.0).per_Pa), rel=1e-2),
    Check("4", r"length change", change, abs=1e-9),
    Check("4", r"differential expansion", lambda _: float(
        expansion.differential_expansion_um(300.0, (23.1e-6, 22.0), (11.5e-6, 22.0))), abs=1e-9),
    Check("5", r"tau \w.* cube", cube, rel=1e-3),
    Check("5", r"soak time 5 K", lambda _: float(thermal.soak_time_s(1.0, 5.0, 0.1)), abs=1e-3),
    Check("6", r"Pt100 resistance", lambda r: float(
        sensors.resistance_of_platinum(number(r["input_conditions"], "t="))), abs=1e-4),
    Check("6", r"inverse Pt100", lambda r: float(
        sensors.temperature_of_platinum(number(r["input_conditions"], "R="))), abs=1e-4),
    Check("6", r"IEC 60751 class \w+ tolerance", tolerance, abs=1e-9),
    Check("6", r"Steinhart-Hart temperature", steinhart, abs=1e-3),
]  # fmt: skip
CASES = [
    pytest.param(check, row, id=f"{row['quantity'][:40]} {row['input_conditions'][:40]}")
    for check in CHECKS
    for row in ROWS
    if row["topic"].split(" ")[0] == check.topic and re.match(check.quantity, row["quantity"])
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
    one = float(work(20.0))
    assert np.isfinite(one)
    assert float(work(20)) == one
    assert work(np.array(20)).shape == ()
    assert work(np.array([20, 20], np.int32)).tolist() == [one, one]
    assert work(np.full((2, 3), 20.0, np.float32)).shape == (2, 3)
    assert work(np.empty(0)).shape == (0,)
    assert np.isnan(work(np.array([np.nan, 20.0]))).tolist() == [True, False]


@pytest.mark.parametrize("work", FUNCTIONS[:-1], ids=range(len(FUNCTIONS) - 1))
@pytest.mark.parametrize("wild", [np.inf, -np.inf, -400.0, 1e8])
def test_beyond_its_range_there_is_no_number(work: Callable[..., np.ndarray], wild: float) -> None:
    assert np.isnan(float(work(wild)))


@pytest.mark.parametrize(("check", "row"), CASES)
def test_row(check: Check, row: Row) -> None:
    wanted = numbers(row["value"])[0]
    wanted = 3.912 if row["value"].startswith("ln(50)") else wanted
    assert check.found(row) == pytest.approx(wanted, rel=check.rel, abs=check.abs), row["source"]
