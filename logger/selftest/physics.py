"""Cases of the formulas: to the last digits against their plain second writing, and their ranges."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from ..core.physics import air, humidity, saturation, sensors
from . import reference_formulas as plain
from .case import Case, CaseGroup

BELOW, ABOVE = 1e-9, 1e-6  # so near to a bound, relative to it
HUMID = ((20.0, 50.0), (20.0, 60.0), (22.0, 45.0), (5.0, 80.0), (35.0, 20.0), (20.0, 100.0))
AIRS = (
    (20.0, 101_325.0, 50.0),
    (25.0, 80_000.0, 90.0),
    (50.0, 120_000.0, 100.0),
    (90.0, 1e5, 75.0),
    (-40.0, 120_000.0, 0.0),
    (-10.0, 1e5, 80.0),
    (0.0, 1e5, 80.0),
)


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _saturation()
    yield from _humidity()
    yield from _air()
    yield from _sensors()
    yield from _ranges()


def _saturation() -> Iterator[Case]:
    over = {"water": saturation.saturation_pressure_water, "ice": saturation.saturation_pressure_ice}
    for formula in ("hyland-wexler", "sonntag", "hardy"):
        for name, work in over.items():
            group = CaseGroup("saturation pressure", plain.sources(f"{formula}.{name}"))
            for t in (-40.0, -10.0, 20.0, 50.0, 150.0)[: 2 if name == "ice" else 5]:
                e = plain.saturation(formula, name, t)
                name_of_case = f"{formula} over {name} at {t:g} degC, relative to {e:.7g} Pa"
                yield group.case(name_of_case, 1.0, lambda w=work, t=t, f=formula, e=e: w(t, f) / e, 1e-11)
    group = CaseGroup("saturation pressure", plain.sources("hyland-wexler.water"))
    for t in (-20.0, 20.0, 80.0):
        yield group.case(
            f"slope of ln e at {t:g} degC",
            plain.log_slope(t),
            lambda t=t: saturation.log_slope_water(t),
            1e-12,
        )
    for formula in ("sonntag", "hardy"):
        near = [plain.saturation(formula, "water", t) for t in (19.999, 20.0, 20.001)]
        slope = (near[2] - near[0]) / 0.002 / near[1]
        yield group.case(
            f"slope of ln e by {formula}", slope, lambda f=formula: saturation.log_slope_water(20.0, f), 1e-9
        )


def _humidity() -> Iterator[Case]:
    group = CaseGroup("humidity", plain.sources("hyland-wexler.water"))
    for t, rh in HUMID:
        at = f"at {t:g} degC, {rh:g} %RH"
        yield group.case(
            f"dew point {at}", plain.dew_point(t, rh), lambda t=t, r=rh: humidity.dew_point(t, r), 1e-8
        )
        a = plain.absolute_humidity(t, rh)
        yield group.case(
            f"absolute humidity {at}",
            a,
            lambda t=t, r=rh: humidity.absolute_humidity(t, r),
            1e-10,
            plain.sources("vapour"),
        )
        W = plain.mixing_ratio(t, rh, 95_000.0)
        yield group.case(
            f"mixing ratio {at}, 95 kPa",
            W,
            lambda t=t, r=rh: humidity.mixing_ratio(t, r, 95_000.0),
            1e-12,
            plain.sources("molar"),
        )
        bulb = plain.wet_bulb(t, rh, 95_000.0)
        yield group.case(
            f"wet bulb {at}, 95 kPa",
            bulb,
            lambda t=t, r=rh: humidity.wet_bulb(t, r, 95_000.0),
            1e-8,
            plain.sources("wet"),
        )
    frost = plain.dew_point(20.0, 5.0, "ice")
    yield group.case("frost point at 20 degC, 5 %RH", frost, lambda: humidity.frost_point(20.0, 5.0), 1e-8)
    hardy = plain.dew_point(20.0, 50.0, formula="hardy")
    yield group.case("dew point by Hardy", hardy, lambda: humidity.dew_point(20.0, 50.0, "hardy"), 1e-8)
    surface = (
        50
        * plain.saturation("hyland-wexler", "water", 20.0)
        / plain.saturation("hyland-wexler", "water", 10.0)
    )
    yield group.case(
        "humidity of 20 degC, 50 %RH at 10 degC",
        surface,
        lambda: humidity.relative_humidity_at(10.0, 20.0, 50.0),
        1e-9,
    )
    normal = plain.mixing_ratio(20.0, 50.0, 101_325.0), plain.wet_bulb(20.0, 50.0, 101_325.0)
    yield group.case(
        "at 101.325 kPa where no pressure is given",
        normal,
        lambda: (float(humidity.mixing_ratio(20.0, 50.0)), float(humidity.wet_bulb(20.0, 50.0))),
        1e-8,
        "standard atmosphere, ISO 2533:1975",
    )
    yield group.case(
        "more vapour than pressure is no number", math.nan, lambda: humidity.mixing_ratio(60.0, 100.0, 1e4)
    )
    e = plain.saturation("hyland-wexler", "water", 20.0)
    yield group.case(
        "as much vapour as pressure is no number",
        math.nan,
        lambda: humidity.mixing_ratio(20.0, 100.0, float(saturation.saturation_pressure_water(20.0))),
    )
    yield group.case(
        "hardly more pressure than vapour",
        0.621945 * e / 0.5,
        lambda: humidity.mixing_ratio(20.0, 100.0, e + 0.5),
        1e-6,
        plain.sources("molar"),
    )


def _air() -> Iterator[Case]:
    group = CaseGroup("air", plain.sources("ciddor"))
    for t, p, rh in AIRS:
        at = f"at {t:g} degC, {p / 1000:g} kPa, {rh:g} %RH"
        for nm in (633.0, 300.0, 1700.0):
            n = plain.index(nm, t, p, rh)
            yield group.case(
                f"n − 1 at {nm:g} nm {at}",
                n,
                lambda w=nm, t=t, p=p, r=rh: air.refractive_index(w, t, p, r) - 1,
                2e-15,
            )
        dry, wet = plain.densities(t, p, rh)
        yield group.case(f"density {at}", dry + wet, lambda t=t, p=p, r=rh: air.density(t, p, r), 1e-13 * dry)
        edlen = plain.index_edlen(633.0, t, p, rh)
        yield group.case(
            f"n − 1 by Edlén {at}",
            edlen,
            lambda t=t, p=p, r=rh: air.refractive_index_edlen(633.0, t, p, r) - 1,
            2e-15,
            plain.sources("edlen"),
        )
    n, rho = plain.index(633.0, 20.0, 1e5, 40.0, 600.0), sum(plain.densities(20.0, 1e5, 40.0, 600.0))
    yield group.case(
        "n − 1 with 600 ppm of CO2", n, lambda: air.refractive_index(633.0, 20.0, 1e5, 40.0, 600.0) - 1, 2e-15
    )
    # 3.483740e-3·p/(Z·T), Z = 1 − 341.122·1.038782e-6 + 341.122²·1.83e-11 = 0.99964778: 1.188800.
    yield group.case(
        "density of dry air by CIPM-2007 at 20 degC and 100 kPa",
        1.188800,
        lambda: air.density_2007(20.0, 1e5, 0.0),
        5e-7,
        "Picard et al. (2008), Metrologia 45, 149, eq. 1 and 4; by hand",
    )
    for t, p, rh, co2 in ((20.0, 1e5, 50.0, ()), (27.0, 6.5e4, 100.0, ()), (15.0, 1.1e5, 40.0, (600.0,))):
        yield group.case(
            f"CIPM-2007 at {t:g} degC, {p / 1000:g} kPa, {rh:g} %RH, {sum(co2) or 400:g} ppm of CO2",
            plain.density_2007(t, p, rh, *co2),
            partial(air.density_2007, t, p, rh, *co2),
            1e-13,
            plain.sources("picard"),
        )
    # Between the two equations only the argon of dry air differs: 7e-5 of the density, dry or moist.
    yield group.case(
        "CIPM-2007 beside CIPM-81/91 at 27 degC, 100 kPa and 100 %RH, relative",
        7e-5,
        lambda: float(air.density_2007(27.0, 1e5, 100.0, 450.0) / air.density(27.0, 1e5, 100.0, 450.0)) - 1,
        1e-5,
        "Picard et al. (2008), Metrologia 45, 149, the mole fraction of argon; from memory",
    )
    yield group.case("density with 600 ppm of CO2", rho, lambda: air.density(20.0, 1e5, 40.0, 600.0), 1e-13)
    yield from _slopes_of_n(group)
    wrong = (plain.index(633.0, 21.0, 1e5, 40.0) - plain.index(633.0, 20.0, 101_325.0, 50.0)) * 1e6
    wrong /= 1 + plain.index(633.0, 20.0, 101_325.0, 50.0)
    yield group.case(
        "error of an interferometer that assumes 20 degC, 101.325 kPa, 50 %RH, in µm/m",
        wrong,
        lambda: air.uncompensated_error_um_per_m(633.0, (21.0, 1e5, 40.0)),
        1e-8,
    )


def _slopes_of_n(group: CaseGroup) -> Iterator[Case]:
    def slope(place: int, step: float, up: float = 1.0, down: float = 1.0) -> float:
        at = [[20.0, 1e5, 40.0, 450.0], [20.0, 1e5, 40.0, 450.0]]
        at[0][place] += up * step
        at[1][place] -= down * step
        ends = [plain.index(633.0, *each) for each in at]
        return (ends[0] - ends[1]) / (step * (up + down))

    def sensitivity(name: str, rh: float = 40.0) -> float:
        return float(getattr(air.sensitivity(633.0, 20.0, 1e5, rh), name))

    for name, place, step in (
        ("per_K", 0, 0.05),
        ("per_Pa", 1, 50.0),
        ("per_pct_rh", 2, 1.0),
        ("per_ppm_co2", 3, 50.0),
    ):
        expected = slope(place, step)
        yield group.case(
            f"change of n {name.replace('_', ' ')}",
            expected,
            lambda n=name: sensitivity(n),
            abs(expected) * 1e-7,
        )
    ends = {rh: plain.index(633.0, 20.0, 1e5, rh) for rh in (0.0, 0.5, 1.0, 1.5, 98.0, 98.5, 99.5, 100.0)}
    for rh, item, other in ((0.0, 1.0, 0.0), (0.5, 1.5, 0.5), (99.5, 99.5, 98.5)):
        expected = (ends[item] - ends[other]) / (item - other)
        yield group.case(
            f"change of n per %RH at {rh:g} %RH",
            expected,
            lambda r=rh: sensitivity("per_pct_rh", r),
            abs(expected) * 1e-5,
        )
    for rh in (1.0, 99.0):  # both neighbours are there
        expected = (plain.index(633.0, 20.0, 1e5, rh + 1) - plain.index(633.0, 20.0, 1e5, rh - 1)) / 2
        yield group.case(
            f"change of n per %RH at {rh:g} %RH, from both sides",
            expected,
            lambda r=rh: sensitivity("per_pct_rh", r),
            abs(expected) * 1e-7,
        )


def _sensors() -> Iterator[Case]:
    group = CaseGroup("sensors", plain.sources("platinum"))
    for t in (0.5, -200.0, -60.0, -0.5, 20.0, 400.0, 850.0):
        R = 100 * plain.platinum(t)
        yield group.case(
            f"Pt100 in ohm at {t:g} degC", R, lambda t=t: sensors.resistance_of_platinum(t), 1e-10
        )
        yield group.case(
            f"Pt100 of {R:.6f} ohm in degC", t, lambda R=R: sensors.temperature_of_platinum(R), 1e-9
        )
    yield group.case(
        "Pt1000 at 20 degC",
        1000 * plain.platinum(20.0),
        lambda: sensors.resistance_of_platinum(20.0, sensors.PT1000),
        1e-9,
    )
    kelvin = 1 / (1.129148e-3 + 2.34125e-4 * math.log(1e4) + 8.76741e-8 * math.log(1e4) ** 3)
    yield group.case(
        "thermistor of 10 kohm",
        kelvin - 273.15,
        lambda: sensors.temperature_of_thermistor(1e4, 1.129148e-3, 2.34125e-4, 8.76741e-8),
        1e-9,
        "Steinhart & Hart (1968), Deep-Sea Res. 15, 497",
    )
    for t in (-100.0, 300.0):
        yield group.case(
            f"a thermistor of 1 ohm at {t:g} degC, the end of what is taken for a temperature",
            t,
            lambda t=t: sensors.temperature_of_thermistor(1.0, 1 / (t + 273.15), 0.0, 0.0),
            1e-9,
        )
    yield group.case(
        "a thermistor of no resistance is no number",
        math.nan,
        lambda: sensors.temperature_of_thermistor(0.0, 1e-3, 2e-4, 1e-7),
    )
    classes = (("AA", 0.1, 0.0017), ("A", 0.15, 0.002), ("B", 0.3, 0.005), ("C", 0.6, 0.01))
    for name, fixed, slope in classes:
        yield group.case(
            f"class {name} at −50 degC in K",
            fixed + 50 * slope,
            lambda n=name: sensors.class_tolerance_K(-50.0, n),
            1e-12,
            "IEC 60751:2022, table 3",
        )


def _ranges() -> Iterator[Case]:
    """Just inside its range a formula has a number, just outside none."""
    group = CaseGroup(
        "ranges of validity", "ranges as the publications state them; outside there is no number"
    )
    work: dict[str, tuple[Callable[[float], object], float, float]] = {
        "saturation over water, degC": (saturation.saturation_pressure_water, -60.0, 200.0),
        "saturation over ice, degC": (saturation.saturation_pressure_ice, -100.0, 0.01),
        "slope of saturation, degC": (saturation.log_slope_water, -60.0, 200.0),
        "relative humidity, %RH": (lambda x: humidity.vapour_pressure(20.0, x), 0.0, 100.0),
        "wet bulb, degC": (lambda x: humidity.wet_bulb(x, 100.0), 0.0, 100.0),
        "air, degC": (lambda x: air.density(x, 1e5, 0.0), -40.0, 100.0),
        "air, Pa": (lambda x: air.density(20.0, x, 0.0), 1e4, 1.4e5),
        "air, %RH": (lambda x: air.density(20.0, 1e5, x), 0.0, 100.0),
        "CIPM-2007, degC": (lambda x: air.density_2007(x, 1e5, 50.0), 15.0, 27.0),
        "CIPM-2007, Pa": (lambda x: air.density_2007(20.0, x, 50.0), 6e4, 1.1e5),
        "CIPM-2007, %RH": (lambda x: air.density_2007(20.0, 1e5, x), 0.0, 100.0),
        "CIPM-2007, CO2": (lambda x: air.density_2007(20.0, 1e5, 50.0, x), 0.0, 1e4),
        "air, CO2": (lambda x: air.density(20.0, 1e5, 50.0, x), 0.0, 1e4),
        "air below 0 degC, %RH": (lambda x: air.density(-10.0, 1e5, x), 0.0, 100.0),
        "wavelength, nm": (lambda x: air.refractive_index(x, 20.0, 1e5, 0.0), 300.0, 1700.0),
        "platinum, degC": (sensors.resistance_of_platinum, -200.0, 850.0),
        "thermistor, degC": (
            lambda x: sensors.temperature_of_thermistor(math.e, 1 / (x + 273.15), 0.0, 0.0),
            -100.0,
            300.0,
        ),
        "dew point at 20 degC, %RH": (lambda x: humidity.dew_point(20.0, x), 0.0, 100.0),
        "dew point itself, degC": (_dew_at, -60.0, 200.0),
        "frost point itself, degC": (_frost_at, -100.0, 0.01),
    }
    for name, (of, low, high) in work.items():
        open_below = name.startswith("dew point at")
        for bound, outward in ((low, -1), (high, 1)):
            inside = bound - outward * (
                BELOW * abs(bound) if "itself" in name or "thermistor" in name else 0.0
            )
            if open_below and bound == 0:
                inside = 0.1
            beyond = bound + outward * max(abs(bound) * ABOVE, 1e-7)
            yield group.case(
                f"{name}: {bound:g} and just beyond",
                (True, False),
                lambda f=of, i=inside, b=beyond: (_number(f(i)), _number(f(b))),
            )


def _number(value: object) -> bool:
    return bool(np.isfinite(value))  # type: ignore[call-overload]


def _dew_at(t_C: float) -> object:
    """A vapour that is saturated over water at a temperature, in air of 200 degC or as cold as it comes."""
    e = plain.saturation("hyland-wexler", "water", t_C)
    warm = 200.0 if t_C > 0 else 20.0
    return humidity.dew_point(warm, 100 * e / plain.saturation("hyland-wexler", "water", warm))


def _frost_at(t_C: float) -> object:
    e = plain.saturation("hyland-wexler", "ice", t_C)
    return humidity.frost_point(20.0, 100 * e / plain.saturation("hyland-wexler", "water", 20.0))
