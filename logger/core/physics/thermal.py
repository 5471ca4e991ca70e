"""Thermal response of a body in air: time constant, Biot number, response, soak time, fit of a step.

A lumped body obeys dT/dt = (T_air − T)/τ with τ = ρ·c·V/(h·A); valid while the Biot number
Bi = h·Lc/k, Lc = V/A, is below 0.1 (Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, 5.1, 5.2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import Refused

Array = NDArray[np.float64]
# Up to this Biot number the core lags the mean by less than 3 % of the time; at 0.1 by 8 % in a sphere.
LUMPED_BIOT = 0.02
# W/(m²·K) in still laboratory air, convection and radiation together, 6 to 10: from memory.
FILM_STILL_AIR = 8.0


@dataclass(frozen=True)
class Body:
    """Density kg/m³, specific heat J/(kg·K), conductivity W/(m·K) of a material; usual handbook values."""

    density: float
    specific_heat: float
    conductivity: float


BODIES: Mapping[str, Body] = MappingProxyType(
    {
        "steel": Body(7850, 460, 50),
        "aluminium": Body(2700, 896, 170),
        "granite": Body(2700, 790, 2.8),
        "zirconia": Body(6000, 460, 2.5),
        # From memory, as the others near 20 degC; a time constant that was measured is always better.
        "stainless steel": Body(7900, 500, 15),
        "cast iron": Body(7200, 460, 50),
        "brass": Body(8500, 380, 115),
        "copper": Body(8940, 385, 390),
        "titanium": Body(4430, 530, 7),
        "tungsten carbide": Body(14900, 200, 85),
        "glass": Body(2500, 840, 1.0),
        "acrylic": Body(1190, 1470, 0.19),
        "nylon": Body(1140, 1700, 0.25),
    }
)


def body_of(material: str) -> Body:
    """Thermal properties of a material whose name contains one of BODIES; Refused else.

    >>> body_of("steel gauge block") is BODIES["steel"], body_of("aluminium 6061") is BODIES["aluminium"]
    (True, True)
    """
    key = material.strip().casefold()
    for name in sorted(BODIES, key=len, reverse=True):
        if name in key:
            return BODIES[name]
    raise Refused(
        f"How heat moves in {material!r} is not known here. Expected one of: {', '.join(BODIES)}; or give "
        "the time constant itself."
    )


def volume_and_area(
    shape: Literal["cuboid", "cylinder", "sphere"], size_mm: tuple[float, ...]
) -> tuple[float, float]:
    """Volume in m³ and surface in m². cuboid (a, b, c); cylinder (diameter, length); sphere (diameter,).

    >>> volume_and_area("sphere", (1000.0,))[0] == np.pi / 6
    True
    """
    m = [s / 1000 for s in size_mm]
    if shape == "cuboid":
        a, b, c = m
        return a * b * c, 2 * (a * b + b * c + c * a)
    if shape == "cylinder":
        d, length = m
        return np.pi * d**2 / 4 * length, np.pi * d * length + np.pi * d**2 / 2
    (d,) = m
    return np.pi * d**3 / 6, np.pi * d**2


def time_constant_s(
    body: Body, volume_m3: ArrayLike, area_m2: ArrayLike, film: ArrayLike = FILM_STILL_AIR
) -> Array:
    """τ = ρ·c·V/(h·A) in s, `film` = h in W/(m²·K).

    A steel cube of 100 mm in still air:

    >>> round(float(time_constant_s(BODIES["steel"], *volume_and_area("cuboid", (100, 100, 100)))) / 60, 2)
    125.38
    """
    V, A, h = (np.asarray(x, np.float64) for x in (volume_m3, area_m2, film))
    return np.asarray(body.density * body.specific_heat * V / (h * A))


def biot(body: Body, volume_m3: ArrayLike, area_m2: ArrayLike, film: ArrayLike = FILM_STILL_AIR) -> Array:
    """Bi = h·(V/A)/k; above LUMPED_BIOT the core lags the mean.

    >>> round(float(biot(BODIES["granite"], *volume_and_area("cuboid", (300, 300, 300)))), 4)
    0.1429
    """
    V, A, h = (np.asarray(x, np.float64) for x in (volume_m3, area_m2, film))
    return np.asarray(h * V / A / body.conductivity)


def response(time_s: ArrayLike, air_C: ArrayLike, tau_s: float, start_C: float) -> Array:
    """Temperature in degC of a lumped body at each instant; exact where the air moves in straight lines.

    time_s, air_C: (n,), ascending instants; the body is at `start_C` at the first. Over a step of d
    seconds in which the air goes from a to b, T ends at b − s·τ + (T0 − a + s·τ)·exp(−d/τ) with
    s = (b − a)/d: stable for any step.

    >>> response([0.0, 7200.0, 21600.0], [22.0, 22.0, 22.0], 7200.0, 20.0).round(3).tolist()
    [20.0, 21.264, 21.9]
    """
    t, air = np.asarray(time_s, np.float64), np.asarray(air_C, np.float64)
    step = np.diff(t)
    ratio = step / tau_s
    decay = np.exp(-ratio)
    # (1 − e^−x)/x, by its series where x is small: the difference would lose its digits.
    share = np.where(ratio > 1e-6, -np.expm1(-ratio) / np.where(ratio > 0, ratio, 1.0), 1 - ratio / 2)
    gain = air[1:] - share * np.diff(air) - decay * air[:-1]
    body = np.empty(len(t))
    body[:1] = start_C
    for i in range(len(step)):
        body[i + 1] = decay[i] * body[i] + gain[i]
    return body


def soak_time_s(tau_s: ArrayLike, difference_K: ArrayLike, residual_K: ArrayLike) -> Array:
    """Seconds until a difference to still air has shrunk to the residual: τ·ln(Δ/δ); 0 when it already has.

    >>> round(float(soak_time_s(1800.0, 17.0, 0.5)) / 60)
    106
    """
    tau, difference, residual = (np.asarray(x, np.float64) for x in (tau_s, difference_K, residual_K))
    residual = np.where(residual > 0, residual, np.nan)
    return np.asarray(tau * np.log(np.maximum(np.abs(difference) / residual, 1.0)))


@dataclass(frozen=True)
class FittedStep:
    """Time constant of a logged step with its expanded uncertainty (k = 2), both in s, and the end value."""

    tau_s: float
    U_s: float
    final_C: float


def fit_step(time_s: ArrayLike, value_C: ArrayLike) -> FittedStep:
    """Fit T = T_end + D·exp(−t/τ) to a logged step by Gauss–Newton; (n,) arrays, at least 5 readings.

    The uncertainty comes from the scatter about the fit (Student's t is near 2 for the usual lengths);
    a change of the air during the step is not included.
    """
    t, y = np.asarray(time_s, np.float64), np.asarray(value_C, np.float64)
    t = t - t[0]
    parameters = np.array([y[-1], y[0] - y[-1], max((t[-1]) / 3, 1e-9)])
    for _ in range(60):
        jacobian, error = _step_residuals(t, y, parameters)
        move = np.linalg.lstsq(jacobian, error, rcond=None)[0]
        move[2] = np.clip(move[2], -parameters[2] / 2, parameters[2])
        parameters = parameters + move
        if abs(move[2]) < 1e-10 * parameters[2]:
            break
    jacobian, error = _step_residuals(t, y, parameters)
    scatter = float(error @ error) / max(len(t) - 3, 1)
    covariance = scatter * np.linalg.pinv(jacobian.T @ jacobian)
    return FittedStep(float(parameters[2]), 2 * float(np.sqrt(covariance[2, 2])), float(parameters[0]))


def _step_residuals(t: Array, y: Array, parameters: Array) -> tuple[Array, Array]:
    end, size, tau = parameters
    decay = np.exp(-t / tau)
    jacobian = np.column_stack([np.ones_like(t), decay, size * decay * t / tau**2])
    return jacobian, y - end - size * decay
