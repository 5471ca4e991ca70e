"""Every row of values.csv whose function is here, at the tolerance that is stated for its kind.

One value a row, with conditions, unit, the tolerance at which a formula can be expected to meet it, its
source, and how it is known: found in the source, computed from stated inputs, or from memory. A row that
is known only from memory is never the sole ground of a check. The columns are free text; `CHECKS` says
how each kind of row is read. Rows of other formulas (Magnus, IAPWS, real gases, thermocouples, other
refractivity formulas) are no part of the product and are left out by name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from ..core.physics import air, expansion, humidity, sensors, thermal
from ..core.physics.saturation import saturation_pressure_ice, saturation_pressure_water
from .case import Case
from .reference_formulas import table

Row = dict[str, str]
NUMBER = r"(-?\d+(?:\.\d+)?(?:e-?\d+)?)"
WATER, ICE = saturation_pressure_water, saturation_pressure_ice


def rows() -> tuple[Row, ...]:
    """Published values, one a row, with conditions, unit, source and how they are known."""
    return table("values.csv")


def number(text: str, before: str) -> float:
    """The number that follows a name such as "t=" in the conditions."""
    match = re.search(re.escape(before) + r"\s*" + NUMBER, text)
    if not match:
        raise LookupError(f"values.csv: expected {before} in {text!r}")
    return float(match[1])


def numbers(text: str) -> list[float]:
    """All numbers of a text."""
    return [float(x) for x in re.findall(NUMBER, text)]


@dataclass(frozen=True)
class PublishedCheck:
    """Rows of a topic whose quantity fits, what is computed for one, and how near it must come."""

    topic: str
    quantity: str  # regular expression
    compute: Callable[[Row], float]
    rel: float = 0.0
    abs: float = 0.0


def t_rh(row: Row) -> tuple[float, float]:
    """Temperature and humidity of a row."""
    conditions = row["input_conditions"]
    return number(conditions, "t="), number(conditions, "RH=")


def ciddor(row: Row) -> float:
    """Refractive index of a row, whose humidity is given in %RH, as vapour pressure, or not at all."""
    c = row["input_conditions"]
    if "pv=" in c:
        t, p, e = number(c, "t="), number(c, "p="), number(c, "pv=")
        factor = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2  # Ciddor 1996, appendix A
        rh = 100 * e / (factor * float(WATER(t)))
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
    """Temperature of a thermistor."""
    a, b, c, R = numbers(row["input_conditions"].replace("coeffs", ""))
    return float(sensors.temperature_of_thermistor(R, a, b, c))


def tolerance(row: Row) -> float:
    """Tolerance of a class of platinum thermometers."""
    name = re.findall(r"class (\w+)", row["quantity"])[0]
    return float(sensors.class_tolerance_K(number(row["input_conditions"], "t="), name))


def saturation(name: str, over: Callable[..., object]) -> Callable[[Row], float]:
    """Saturation pressure by a formula."""
    return lambda row: float(over(number(row["input_conditions"], "t="), name))  # type: ignore[arg-type]


def of_pair(work: Callable[..., object], *more: float, factor: float = 1.0) -> Callable[[Row], float]:
    """A function of temperature and humidity, in the unit of the row."""
    return lambda row: factor * float(work(*t_rh(row), *more))  # type: ignore[arg-type]


CHECKS = [
    PublishedCheck("2a", r"e_w Hyland-Wexler", saturation("hyland-wexler", WATER), rel=1e-5),
    PublishedCheck("2a", r"e_w Sonntag", saturation("sonntag", WATER), rel=1e-5),
    PublishedCheck("2a", r"e_w Hardy ITS-90", saturation("hardy", WATER), rel=1e-5),
    PublishedCheck("2a", r"e_w supercooled, Hardy", saturation("hardy", WATER), rel=1e-5),
    PublishedCheck("2a", r"triple point", lambda _: float(WATER(0.01)), abs=1e-3),
    # The table follows IAPWS: 0.03 % from Hyland & Wexler, which is the known difference.
    PublishedCheck("2a", r"e_w ASHRAE", saturation("hyland-wexler", WATER), rel=3e-4),
    PublishedCheck("2b", r"e_i Hyland-Wexler", saturation("hyland-wexler", ICE), rel=1e-4),
    PublishedCheck("2b", r"e_i Sonntag", saturation("sonntag", ICE), rel=1e-4),
    PublishedCheck("2b", r"e_i Hardy", saturation("hardy", ICE), rel=1e-4),
    PublishedCheck("2b", r"e_i ASHRAE", saturation("hyland-wexler", ICE), rel=3e-4),
    PublishedCheck(
        "2b", r"ratio e_w/e_i", lambda _: float(WATER(-10, "hardy") / ICE(-10, "hardy")), abs=1e-5
    ),
    PublishedCheck("2c", r"vapour pressure", of_pair(humidity.vapour_pressure), rel=3e-4),
    PublishedCheck("2c", r"dew point \(Hardy", of_pair(humidity.dew_point), abs=2e-3),
    PublishedCheck("2c", r"dew point psychrolib", of_pair(humidity.dew_point), abs=2e-3),
    # A real gas is wetter by its enhancement factor at both temperatures: 0.003 K.
    PublishedCheck("2c", r"dew point real gas", of_pair(humidity.dew_point), abs=4e-3),
    PublishedCheck("2c", r"absolute humidity ideal", of_pair(humidity.absolute_humidity), rel=5e-4),
    PublishedCheck(
        "2c", r"mixing ratio psychrolib", of_pair(humidity.mixing_ratio, 101_325.0, factor=1000), rel=5e-4
    ),
    PublishedCheck("2c", r"thermodynamic wet bulb", of_pair(humidity.wet_bulb, 101_325.0), abs=1e-2),
    PublishedCheck("2c", r"frost point", lambda _: float(humidity.frost_point(20.0, 5.0)), abs=1e-2),
    PublishedCheck("3", r"n Ciddor", ciddor, abs=2e-9),
    PublishedCheck("3", r"\(n-1\)e8 Ciddor dry", lambda r: 1e8 * (ciddor(r) - 1), abs=0.1),
    PublishedCheck("3", r"\(n-1\)e8 Ciddor moist", lambda r: 1e8 * (ciddor(r) - 1), abs=0.3),
    PublishedCheck("3", r"dn/dp", lambda _: 1e8 * float(
        air.sensitivity(633.0, 20.0, 101_325.0, 50.0).per_Pa), rel=1e-2),
    PublishedCheck("4", r"length change", change, abs=1e-9),
    PublishedCheck("4", r"differential expansion", lambda _: float(
        expansion.differential_expansion_um(300.0, (23.1e-6, 22.0), (11.5e-6, 22.0))), abs=1e-9),
    PublishedCheck("5", r"tau \w.* cube", cube, rel=1e-3),
    PublishedCheck("5", r"soak time 5 K", lambda _: float(thermal.soak_time_s(1.0, 5.0, 0.1)), abs=1e-3),
    PublishedCheck("6", r"Pt100 resistance", lambda r: float(
        sensors.resistance_of_platinum(number(r["input_conditions"], "t="))), abs=1e-4),
    PublishedCheck("6", r"inverse Pt100", lambda r: float(
        sensors.temperature_of_platinum(number(r["input_conditions"], "R="))), abs=1e-4),
    PublishedCheck("6", r"IEC 60751 class \w+ tolerance", tolerance, abs=1e-9),
    PublishedCheck("6", r"Steinhart-Hart temperature", steinhart, abs=1e-3),
]  # fmt: skip


def read_by(check: PublishedCheck) -> list[Row]:
    """The rows that a check reads."""
    return [
        row
        for row in rows()
        if row["topic"].split(" ")[0] == check.topic and re.match(check.quantity, row["quantity"])
    ]


def number_in(row: Row) -> float:
    """The value of a row as a number."""
    return 3.912 if row["value"].startswith("ln(50)") else numbers(row["value"])[0]


def cases() -> Iterator[Case]:
    """One case a row that is read."""
    for check in CHECKS:
        for row in read_by(check):
            name, value = f"{row['quantity']} at {row['input_conditions']}", number_in(row)
            allowed = max(check.abs, check.rel * abs(value))
            source = f"{row['source']} ({row['how_known']})"
            yield Case("published values", name, source, value, partial(check.compute, row), allowed)
