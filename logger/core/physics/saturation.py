"""Saturation pressure of water vapour over water and over ice, by three published formulations.

    "hyland-wexler"  Hyland & Wexler 1983, as ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5 and 6
    "hardy"          Hardy 1998, ITS-90 formulations, 3rd Int. Symp. Humidity and Moisture, eq. 2 and 3
    "sonntag"        Sonntag 1990/1994, Z. Meteorol. 70 (5), eq. 7 and 8

Between 0 and 50 degC they differ by at most 0.025 %.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Formula = Literal["hyland-wexler", "hardy", "sonntag"]
ZERO_K = 273.15
TRIPLE_C = 0.01

# ln(e / Pa) = Σ c[i]·T^(i − 1) + c_ln·ln T, with T in K.
_WATER: Mapping[Formula, tuple[tuple[float, ...], float]] = {
    "hyland-wexler": (
        (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8),
        6.5459673,
    ),
    "sonntag": ((-6096.9385, 21.2409642, -2.711193e-2, 1.673952e-5), 2.433502),
    # Hardy's sum begins at T^−2.
    "hardy": (
        (
            -2.8365744e3,
            -6.028076559e3,
            1.954263612e1,
            -2.737830188e-2,
            1.6261698e-5,
            7.0229056e-10,
            -1.8680009e-13,
        ),
        2.7150305,
    ),
}
_ICE: Mapping[Formula, tuple[tuple[float, ...], float]] = {
    "hyland-wexler": (
        (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13),
        4.1635019,
    ),
    "sonntag": ((-6024.5282, 29.32707, 1.0613868e-2, -1.3198825e-5), -0.49382577),
    "hardy": ((-5.8666426e3, 2.232870244e1, 1.39387003e-2, -3.4262402e-5, 2.7040955e-8), 6.7063522e-1),
}


def _pressure(
    coefficients: tuple[float, ...], logarithm: float, first: int, T_K: NDArray[np.float64]
) -> NDArray[np.float64]:
    total = logarithm * np.log(T_K)
    for power, coefficient in enumerate(coefficients, start=first):
        total = total + coefficient * T_K**power
    return np.asarray(np.exp(total))


def saturation_pressure_water(t_C: ArrayLike, formula: Formula = "hyland-wexler") -> NDArray[np.float64]:
    """Saturation pressure over liquid water in Pa; −60 … 200 degC, supercooled below 0.01, else NaN.

    >>> float(saturation_pressure_water(20.0).round(2))
    2338.8
    """
    t = np.asarray(t_C, np.float64)
    T = np.where((t >= -60) & (t <= 200), t + ZERO_K, np.nan)
    coefficients, logarithm = _WATER[formula]
    return _pressure(coefficients, logarithm, -2 if formula == "hardy" else -1, T)


def saturation_pressure_ice(t_C: ArrayLike, formula: Formula = "hyland-wexler") -> NDArray[np.float64]:
    """Saturation pressure over ice in Pa; −100 … 0.01 degC, else NaN.

    >>> float(saturation_pressure_ice(-20.0).round(4))
    103.2604
    """
    t = np.asarray(t_C, np.float64)
    T = np.where((t >= -100) & (t <= TRIPLE_C), t + ZERO_K, np.nan)
    coefficients, logarithm = _ICE[formula]
    return _pressure(coefficients, logarithm, -1, T)


def log_slope_water(t_C: ArrayLike, formula: Formula = "hyland-wexler") -> NDArray[np.float64]:
    """d(ln e_s)/dT of saturation over liquid water in 1/K; −60 … 200 degC, else NaN. The sum above, derived.

    The slope that uncertainty of a dew point and of the humidity at a surface rests on:

    >>> float(log_slope_water(20.0).round(4))
    0.0619
    """
    t = np.asarray(t_C, np.float64)
    T = np.where((t >= -60) & (t <= 200), t + ZERO_K, np.nan)
    coefficients, logarithm = _WATER[formula]
    total = logarithm / T
    for power, coefficient in enumerate(coefficients, start=-2 if formula == "hardy" else -1):
        if power:
            total = total + power * coefficient * T ** (power - 1)
    return np.asarray(total)
