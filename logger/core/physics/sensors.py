"""Temperature from resistance, for probes that deliver ohms. Outside the valid range: NaN.

IEC 60751:2022, 4.2: R = R0·(1 + A·t + B·t²) from 0 to 850 degC, and with + C·(t − 100)·t³ from −200 to 0
Steinhart & Hart (1968), Deep-Sea Res. 15, 497: 1/T = a + b·ln R + c·(ln R)³
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .saturation import ZERO_K

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Platinum:
    """Coefficients of a platinum resistance thermometer; the defaults are those of IEC 60751."""

    R0_ohm: float = 100.0
    A: float = 3.9083e-3
    B: float = -5.775e-7
    C: float = -4.183e-12


PT100 = Platinum()
PT1000 = Platinum(R0_ohm=1000.0)


def resistance_of_platinum(t_C: ArrayLike, thermometer: Platinum = PT100) -> Array:
    """Resistance in ohm at −200 … 850 degC. IEC 60751, eq. 1 and 2.

    >>> float(resistance_of_platinum(20.0).round(4))
    107.7935
    """
    t = np.asarray(t_C, np.float64)
    t = np.where((t >= -200) & (t <= 850), t, np.nan)
    below = np.where(t < 0, thermometer.C * (t - 100) * t**3, 0.0)
    return np.asarray(thermometer.R0_ohm * (1 + thermometer.A * t + thermometer.B * t**2 + below))


def temperature_of_platinum(R_ohm: ArrayLike, thermometer: Platinum = PT100) -> Array:
    """Temperature in degC from resistance, inverse of `resistance_of_platinum` to better than 1e-9 K.

    >>> float(temperature_of_platinum(107.79).round(5))
    19.99099
    """
    R = np.asarray(R_ohm, np.float64)
    low, high = resistance_of_platinum([-200.0, 850.0], thermometer)
    ratio = np.where((low <= R) & (high >= R), R / thermometer.R0_ohm, np.nan)
    A, B, C = thermometer.A, thermometer.B, thermometer.C
    t = (-A + np.sqrt(A**2 - 4 * B * (1 - ratio))) / (2 * B)
    # Below zero the quadratic is a good start for Newton's method on the full polynomial.
    for _ in range(6):
        below = t < 0
        value = 1 + A * t + B * t**2 + np.where(below, C * (t - 100) * t**3, 0.0)
        slope = A + 2 * B * t + np.where(below, C * (4 * t**3 - 300 * t**2), 0.0)
        t = t - (value - ratio) / slope
    return np.asarray(t)


def class_tolerance_K(t_C: ArrayLike, tolerance_class: str) -> Array:
    """Tolerance ± in K of IEC 60751 classes "AA", "A", "B", "C": a rectangular bound, not u.

    >>> float(class_tolerance_K(20.0, "A").round(3))
    0.19
    """
    fixed, slope = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005), "C": (0.6, 0.01)}[
        tolerance_class
    ]
    return np.asarray(fixed + slope * np.abs(np.asarray(t_C, np.float64)))


def temperature_of_thermistor(R_ohm: ArrayLike, a: float, b: float, c: float) -> Array:
    """Temperature in degC from resistance and individual Steinhart–Hart coefficients, −100 … 300 degC.

    >>> float(temperature_of_thermistor(10_000.0, 1.129148e-3, 2.34125e-4, 8.76741e-8).round(4))
    24.9997
    """
    R = np.asarray(R_ohm, np.float64)
    logarithm = np.log(np.where((R > 0) & np.isfinite(R), R, np.nan))
    t = 1 / (a + b * logarithm + c * logarithm**3) - ZERO_K
    return np.asarray(np.where((t >= -100) & (t <= 300), t, np.nan))
