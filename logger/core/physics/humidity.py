"""Humidity of air. Relative humidity is over liquid water at every temperature, as WMO-No. 8 defines it.

Values of t_C −60 … 200 degC, rh_pct 0 … 100 %RH (a dew point needs more than 0), p_Pa above the
vapour pressure; anything else gives NaN.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .saturation import TRIPLE_C, ZERO_K, Formula, saturation_pressure_ice, saturation_pressure_water

Array = NDArray[np.float64]
GAS_CONSTANT_VAPOUR = 461.523  # J/(kg·K), of water vapour
MOLAR_RATIO = 0.621945  # M_water / M_dry air, ASHRAE Fundamentals 2017, ch. 1, eq. 20


def vapour_pressure(t_C: ArrayLike, rh_pct: ArrayLike, formula: Formula = "hyland-wexler") -> Array:
    """Partial pressure of water vapour in Pa; NaN unless 0 <= rh_pct <= 100.

    >>> float(vapour_pressure(20.0, 50.0).round(2))
    1169.4
    """
    rh = np.asarray(rh_pct, np.float64)
    share = np.where((rh >= 0) & (rh <= 100), rh / 100, np.nan)
    return np.asarray(share * saturation_pressure_water(t_C, formula))


def _inverse(saturation: Callable[[Array], Array], e_Pa: Array, low_C: float, high_C: float) -> Array:
    """Temperature at which `saturation` equals e, to below 1e-10 K; NaN outside the range.

    ln e is so nearly linear in the temperature that linear interpolation in a table of 0.1 K is right to
    1e-5 K, and two Newton steps with the slope of the table end below 1e-12 K.
    """
    t = np.linspace(low_C, high_C, round((high_C - low_C) / 0.1) + 1)
    ln_e = np.log(saturation(t))
    inside = (e_Pa >= saturation(t[0])) & (e_Pa <= saturation(t[-1]))
    ln_target = np.log(np.where(inside, e_Pa, np.nan))
    result = np.asarray(np.interp(ln_target, ln_e, t))
    K_per_ln = np.interp(ln_target, ln_e, np.gradient(t, ln_e))
    for _ in range(2):
        # A step beyond the range of the formula would lose the end points themselves.
        result = np.clip(result + (ln_target - np.log(saturation(result))) * K_per_ln, low_C, high_C)
    return np.asarray(result)


def dew_point(t_C: ArrayLike, rh_pct: ArrayLike, formula: Formula = "hyland-wexler") -> Array:
    """Temperature in degC at which the air would be saturated over liquid water.

    >>> float(dew_point(20.0, 60.0).round(1))
    12.0
    """
    e = vapour_pressure(t_C, rh_pct, formula)
    return _inverse(lambda t: saturation_pressure_water(t, formula), e, -60.0, 200.0)


def frost_point(t_C: ArrayLike, rh_pct: ArrayLike, formula: Formula = "hyland-wexler") -> Array:
    """Temperature in degC at which the air would be saturated over ice; NaN above the triple point.

    >>> float(frost_point(20.0, 5.0).round(1))
    -18.7
    """
    e = vapour_pressure(t_C, rh_pct, formula)
    return _inverse(lambda t: saturation_pressure_ice(t, formula), e, -100.0, TRIPLE_C)


def absolute_humidity(t_C: ArrayLike, rh_pct: ArrayLike, formula: Formula = "hyland-wexler") -> Array:
    """Mass of vapour per volume in g/m³, as an ideal gas (real air: +0.46 % at 20 degC).

    >>> float(absolute_humidity(20.0, 50.0).round(2))
    8.64
    """
    e = vapour_pressure(t_C, rh_pct, formula)
    # Where there is no pressure there is no temperature, and so no product beyond the range of numbers.
    T = np.where(np.isfinite(e), np.asarray(t_C, np.float64) + ZERO_K, np.nan)
    return np.asarray(1000 * e / (GAS_CONSTANT_VAPOUR * T))


def mixing_ratio(
    t_C: ArrayLike, rh_pct: ArrayLike, p_Pa: ArrayLike = 101_325.0, formula: Formula = "hyland-wexler"
) -> Array:
    """Mass of vapour per mass of dry air in kg/kg. ASHRAE Fundamentals 2017, ch. 1, eq. 20.

    >>> float(mixing_ratio(20.0, 50.0).round(6))
    0.007262
    """
    e = vapour_pressure(t_C, rh_pct, formula)
    p = np.asarray(p_Pa, np.float64)
    return np.asarray(MOLAR_RATIO * e / np.where(p > e, p - e, np.nan))


def relative_humidity_at(
    t_surface_C: ArrayLike, t_C: ArrayLike, rh_pct: ArrayLike, formula: Formula = "hyland-wexler"
) -> Array:
    """Relative humidity in %RH that the same moisture gives at a surface; above 100: it condenses.

    >>> float(relative_humidity_at(10.0, 20.0, 50.0).round(0))
    95.0
    """
    e = vapour_pressure(t_C, rh_pct, formula)
    return np.asarray(100 * e / saturation_pressure_water(t_surface_C, formula))


def wet_bulb(t_C: ArrayLike, rh_pct: ArrayLike, p_Pa: ArrayLike = 101_325.0) -> Array:
    """Thermodynamic wet-bulb temperature in degC over liquid water. ASHRAE 2017, ch. 1, eq. 33; 0 … 100 degC.

    >>> float(wet_bulb(20.0, 50.0).round(2))
    13.78
    """
    t, W, p = np.broadcast_arrays(np.asarray(t_C, np.float64), mixing_ratio(t_C, rh_pct, p_Pa), p_Pa)
    low, high = dew_point(t_C, rh_pct) + np.zeros(t.shape), t.astype(np.float64)
    for _ in range(45):
        middle = (low + high) / 2
        saturated = mixing_ratio(middle, 100.0, p)
        at = ((2501 - 2.326 * middle) * saturated - 1.006 * (t - middle)) / (2501 + 1.86 * t - 4.186 * middle)
        below = at < W
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where((t >= 0) & (t <= 100) & (low >= 0), (low + high) / 2, np.nan)
