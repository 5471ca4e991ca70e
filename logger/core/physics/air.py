"""Refractive index and density of moist air, and what an interferometer makes of them.

Valid over −40 … 100 degC, 10 … 140 kPa, 0 … 100 %RH, 0 … 10 000 µmol/mol of CO2, vacuum wavelengths
300 … 1700 nm, and where the vapour has no more than the whole pressure; NaN outside. Relative humidity is
over liquid water at every temperature, as in `humidity`.
Expanded uncertainty of either formula: about 1e-8 to 5e-8 of n under room conditions (their authors).

    Ciddor, P. E. (1996), Appl. Opt. 35, 1566, with its appendices A and B
    Birch & Downs (1993), Metrologia 30, 155, corrected (1994) 31, 315: the modified Edlén formula
    Picard, Davis, Gläser & Fujii (2008), Metrologia 45, 149: density of moist air, CIPM-2007
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .humidity import vapour_pressure
from .saturation import ZERO_K

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]
GAS_CONSTANT = 8.314472  # J/(mol·K), the value that Ciddor 1996 fixes
MOLAR_MASS_WATER = 0.018015  # kg/mol, as Ciddor 1996 fixes it
# Compressibility, Ciddor 1996 eq. 12, after Davis 1992 (CIPM-81/91).
_A = (1.58123e-6, -2.9331e-8, 1.1043e-10)
_B = (5.707e-6, -2.051e-8)
_C = (1.9898e-4, -2.376e-6)
_D, _E = 1.83e-11, -0.765e-8


@dataclass(frozen=True)
class Air:
    """State of air, already broadcast: t_C degC, p_Pa Pa, e_Pa vapour pressure in Pa, xco2 in µmol/mol."""

    t_C: Array
    p_Pa: Array
    e_Pa: Array
    xco2_ppm: Array

    @staticmethod
    def of(t_C: ArrayLike, p_Pa: ArrayLike, rh_pct: ArrayLike, xco2_ppm: ArrayLike = 450.0) -> Air:
        """From relative humidity over liquid water, at every temperature."""
        t, p, rh, co2 = np.broadcast_arrays(
            *(np.asarray(x, np.float64) for x in (t_C, p_Pa, rh_pct, xco2_ppm))
        )
        inside = (t >= -40) & (t <= 100) & (p >= 1e4) & (p <= 1.4e5)
        t, p, rh, co2 = _only(inside & _possible(rh, co2), t, p, rh, co2)
        e = vapour_pressure(t, rh)
        return Air(*_only(_enhancement(p, t) * e <= p, t, p, e, co2))


def _possible(rh_pct: Array, xco2_ppm: Array) -> Bool:
    return (rh_pct >= 0) & (rh_pct <= 100) & (xco2_ppm >= 0) & (xco2_ppm <= 1e4)


def _only(inside: Bool, *values: Array) -> list[Array]:
    """The values where they may be used, NaN elsewhere."""
    return [np.asarray(np.where(inside, value, np.nan)) for value in values]


def _enhancement(p_Pa: Array, t_C: Array) -> Array:
    """Enhancement factor f(p, t) of water vapour in air. Ciddor 1996, appendix A; Picard 2008, eq. A1.2."""
    return np.asarray(1.00062 + 3.14e-8 * p_Pa + 5.6e-7 * t_C**2)


def _compressibility(p_Pa: ArrayLike, t_C: ArrayLike, x_water: ArrayLike) -> Array:
    """Ciddor 1996, eq. 12."""
    t, x, p = (np.asarray(v, np.float64) for v in (t_C, x_water, p_Pa))
    T = t + ZERO_K
    first = _A[0] + _A[1] * t + _A[2] * t**2 + (_B[0] + _B[1] * t) * x + (_C[0] + _C[1] * t) * x**2
    return np.asarray(1 - p / T * first + (p / T) ** 2 * (_D + _E * x**2))


def _molar_mass_dry(xco2_ppm: ArrayLike) -> Array:
    """Molar mass of dry air in kg/mol for its CO2 content. Ciddor 1996, below eq. 3."""
    return np.asarray(1e-3 * (28.9635 + 12.011e-6 * (np.asarray(xco2_ppm, np.float64) - 400)))


def _density_parts(air: Air) -> tuple[Array, Array]:
    """Densities in kg/m³ of the dry part and of the vapour. Ciddor 1996, eq. 4."""
    x = _enhancement(air.p_Pa, air.t_C) * air.e_Pa / air.p_Pa
    T = air.t_C + ZERO_K
    moles = air.p_Pa / (_compressibility(air.p_Pa, air.t_C, x) * GAS_CONSTANT * T)
    return (1 - x) * moles * _molar_mass_dry(air.xco2_ppm), x * moles * MOLAR_MASS_WATER


def density(t_C: ArrayLike, p_Pa: ArrayLike, rh_pct: ArrayLike, xco2_ppm: ArrayLike = 450.0) -> Array:
    """Density of moist air in kg/m³ by CIPM-81/91, as in Ciddor 1996, eq. 4; 7e-5 of it below CIPM-2007.

    >>> float(density(20.0, 101_325.0, 50.0).round(3))
    1.199
    """
    dry, vapour = _density_parts(Air.of(t_C, p_Pa, rh_pct, xco2_ppm))
    return np.asarray(dry + vapour)


# Picard 2008: ln of the saturation pressure over liquid water (eq. A1.1), and its molar masses in g/mol.
_SATURATION_2007 = (1.2378847e-5, -1.9121316e-2, 33.93711047, -6.3431645e3)
_DRY_2007, _CARBON_2007, _WATER_2007 = 28.96546, 12.011, 18.01528


def density_2007(t_C: ArrayLike, p_Pa: ArrayLike, rh_pct: ArrayLike, xco2_ppm: ArrayLike = 400.0) -> Array:
    """Density of moist air in kg/m³ by CIPM-2007: 15 … 27 degC, 60 … 110 kPa, 0 … 100 %RH; NaN outside.

    Relative standard uncertainty of the equation 2.2e-5. Picard et al. (2008), Metrologia 45, 149, eq. 1 and
    its appendix; relative humidity over liquid water.

    >>> float(density_2007(20.0, 101_325.0, 50.0).round(4))
    1.1993
    """
    t, p, rh, co2 = np.broadcast_arrays(*(np.asarray(x, np.float64) for x in (t_C, p_Pa, rh_pct, xco2_ppm)))
    inside = (t >= 15) & (t <= 27) & (p >= 6e4) & (p <= 1.1e5)
    t, p, rh, co2 = _only(inside & _possible(rh, co2), t, p, rh, co2)
    T = t + ZERO_K
    a, b, c, d = _SATURATION_2007
    x = rh / 100 * _enhancement(p, t) * np.exp(a * T**2 + b * T + c + d / T) / p
    dry = 1e-3 * (_DRY_2007 + _CARBON_2007 * (co2 * 1e-6 - 0.0004))
    moles = p / (_compressibility(p, t, x) * GAS_CONSTANT * T)
    return np.asarray(moles * dry * (1 - x * (1 - 1e-3 * _WATER_2007 / dry)))


def refractive_index(
    wavelength_nm: ArrayLike, t_C: ArrayLike, p_Pa: ArrayLike, rh_pct: ArrayLike, xco2_ppm: ArrayLike = 450.0
) -> Array:
    """Phase refractive index of moist air for a vacuum wavelength in nm. Ciddor 1996, eq. 1 to 5.

    >>> float(refractive_index(633.0, 20.0, 101_325.0, 0.0).round(9))
    1.0002718
    """
    return _ciddor(wavelength_nm, Air.of(t_C, p_Pa, rh_pct, xco2_ppm))


def _ciddor(wavelength_nm: ArrayLike, air: Air) -> Array:
    sigma2 = _wavenumber_squared(wavelength_nm)
    standard = 1e-8 * (5792105 / (238.0185 - sigma2) + 167917 / (57.362 - sigma2))  # eq. 1
    with_co2 = standard * (1 + 0.534e-6 * (air.xco2_ppm - 450))  # eq. 2
    water = 1.022e-8 * (295.235 + 2.6422 * sigma2 - 0.032380 * sigma2**2 + 0.004028 * sigma2**3)  # eq. 3
    dry, vapour = _density_parts(air)
    # Standard air is dry, 15 degC, 101 325 Pa; standard vapour is pure, 20 degC, 1333 Pa.
    dry_standard = 101_325 * _molar_mass_dry(air.xco2_ppm)
    dry_standard = dry_standard / (_compressibility(101_325, 15.0, 0.0) * GAS_CONSTANT * (15 + ZERO_K))
    vapour_standard = 1333 * MOLAR_MASS_WATER
    vapour_standard /= float(_compressibility(1333, 20.0, 1.0)) * GAS_CONSTANT * (20 + ZERO_K)
    return np.asarray(1 + dry / dry_standard * with_co2 + vapour / vapour_standard * water)  # eq. 5


def _wavenumber_squared(wavelength_nm: ArrayLike) -> Array:
    """Square of the vacuum wavenumber in µm⁻²; NaN outside 300 … 1700 nm."""
    nm = np.asarray(wavelength_nm, np.float64)
    return np.asarray((1000 / np.where((nm >= 300) & (nm <= 1700), nm, np.nan)) ** 2)


def refractive_index_edlen(
    wavelength_nm: ArrayLike, t_C: ArrayLike, p_Pa: ArrayLike, rh_pct: ArrayLike
) -> Array:
    """Refractive index by the modified Edlén formula, 450 ppm CO2. Birch & Downs 1993, corrected 1994.

    Agrees with Ciddor to 5e-9 near 20 degC; to 1e-7 at −40 and 50 degC.

    >>> float(refractive_index_edlen(633.0, 20.0, 101_325.0, 0.0).round(9))
    1.000271799
    """
    air, s = Air.of(t_C, p_Pa, rh_pct), _wavenumber_squared(wavelength_nm)
    standard = 1e-8 * (8342.54 + 2406147 / (130 - s) + 15998 / (38.9 - s))
    x = (1 + 1e-8 * (0.601 - 0.00972 * air.t_C) * air.p_Pa) / (1 + 0.0036610 * air.t_C)
    dry = air.p_Pa * standard * x / 96095.43
    moist = 1e-10 * 292.75 / (air.t_C + ZERO_K) * (3.7345 - 0.0401 * s) * air.e_Pa
    return np.asarray(1 + dry - moist)


@dataclass(frozen=True)
class Sensitivity:
    """Change of the refractive index per unit of each quantity, the others constant."""

    per_K: Array
    per_Pa: Array
    per_pct_rh: Array
    per_ppm_co2: Array


def sensitivity(
    wavelength_nm: ArrayLike, t_C: ArrayLike, p_Pa: ArrayLike, rh_pct: ArrayLike, xco2_ppm: ArrayLike = 450.0
) -> Sensitivity:
    """Partial derivatives of Ciddor's index by central differences; relative humidity constant for per_K.

    >>> s = sensitivity(633.0, 20.0, 101_325.0, 50.0)
    >>> [round(float(x) * 1e6, 3) for x in (s.per_K, s.per_Pa * 100, s.per_pct_rh)]
    [-0.955, 0.268, -0.009]
    """

    t, p, rh, co2 = (np.asarray(x, np.float64) for x in (t_C, p_Pa, rh_pct, xco2_ppm))

    def n(dt: float = 0.0, dp: float = 0.0, drh: float | Array = 0.0, dco2: float = 0.0) -> Array:
        return refractive_index(wavelength_nm, t + dt, p + dp, rh + drh, co2 + dco2)

    # One-sided at the ends of the humidity scale, where one neighbour does not exist.
    up, down = np.where(rh <= 99, 1.0, 0.0), np.where(rh >= 1, -1.0, 0.0)
    return Sensitivity(
        per_K=(n(dt=0.05) - n(dt=-0.05)) / 0.1,
        per_Pa=(n(dp=50.0) - n(dp=-50.0)) / 100,
        per_pct_rh=(n(drh=up) - n(drh=down)) / (up - down),
        per_ppm_co2=(n(dco2=50.0) - n(dco2=-50.0)) / 100,
    )


def uncompensated_error_um_per_m(
    wavelength_nm: ArrayLike,
    actual: tuple[ArrayLike, ArrayLike, ArrayLike],
    assumed: tuple[ArrayLike, ArrayLike, ArrayLike] = (20.0, 101_325.0, 50.0),
) -> Array:
    """Error of a displacement interferometer in µm/m that assumes other air than there is.

    actual, assumed: (t_C, p_Pa, rh_pct). The instrument counts wavelengths λ0/n; taking n too small
    makes the length too long: error = (n_actual / n_assumed − 1)·1e6. One kelvin is about 1 µm/m.

    >>> round(float(uncompensated_error_um_per_m(633.0, (21.0, 101_325.0, 50.0))), 2)
    -0.95
    """
    ratio = refractive_index(wavelength_nm, *actual) / refractive_index(wavelength_nm, *assumed)
    return np.asarray((ratio - 1) * 1e6)
