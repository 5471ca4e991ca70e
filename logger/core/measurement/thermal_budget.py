"""Thermal rows for an uncertainty budget: L, α, δα, θ, δθ and drift, as JCGM 100:2008, H.1 writes them.

    effect = L·(δα·θ + α·δθ)     θ: temperature of the part − 20 °C; δθ: part − scale; δα: α of part − scale

Every row is a standard uncertainty and its share of the length. Where an estimate is zero its product with
the other uncertainty remains: the two terms of second order of H.1.7. Drift is an upper bound: the air moves
and only one of part and scale follows; a probe on both measures it, and the row is then zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from ...series import Float
from ..physics.expansion import REFERENCE_C, Material
from .temperatures import Temperatures
from .thermal_error import Feature, Work

Distribution = Literal["rectangular", "normal", "product"]
NM_PER_MM = 1e6
EVEN = 1 / 3**0.5  # standard uncertainty of a rectangle, as a share of its half-width


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty."""

    value: float
    u: float
    distribution: Distribution = "normal"


@dataclass(frozen=True)
class ThermalInputs:
    """What the rows follow from: length in mm, α in 1/K, temperatures and drift in K."""

    length_mm: float
    alpha: Estimate
    delta_alpha: Estimate
    theta: Estimate
    delta_theta: Estimate
    drift: Estimate


@dataclass(frozen=True)
class BudgetRow:
    """One row: the quantity in its unit, and what it contributes to the length, in nm."""

    symbol: str
    name: str
    value: float
    u: float
    unit: str
    distribution: Distribution
    sensitivity: float  # nm for one unit
    u_nm: float


@dataclass(frozen=True)
class ThermalBudget:
    """The rows and their root of the sum of squares; `effect_nm`: by how much the part reads too long."""

    rows: tuple[BudgetRow, ...]
    effect_nm: float
    u_nm: float

    def to_dict(self) -> dict[str, Any]:
        """As plain data."""
        return {
            "rows": [vars(row) for row in self.rows],
            "effect_nm": round(self.effect_nm, 6),
            "u_nm": round(self.u_nm, 6),
            "U_nm": round(2 * self.u_nm, 6),
        }


def materials(part: Material, scale: Material) -> tuple[Estimate, Estimate]:
    """α of the scale and α of the part minus it, from handbook or declared values (rectangular bounds).

    One material on both sides: its α is not known better for being the same, but two samples of it differ
    by at most both bounds; declare a smaller bound where a batch or a certificate says so.
    """
    u_part, u_scale = part.half_width_per_K * EVEN, scale.half_width_per_K * EVEN
    alpha = Estimate(scale.alpha_per_K, u_scale, "rectangular")
    return alpha, Estimate(part.alpha_per_K - scale.alpha_per_K, float(np.hypot(u_part, u_scale)))


def thermal_budget(inputs: ThermalInputs) -> ThermalBudget:
    """The rows of a length.

    JCGM 100:2008, H.1 (50 mm; θ = −0.1 °C; bounds 0.05 °C for δθ and 1e-6/K for δα):

    >>> u_theta = float(np.hypot(0.2, 0.5 / 2**0.5))
    >>> b = thermal_budget(ThermalInputs(50.000623, Estimate(11.5e-6, 1.2e-6), Estimate(0.0, 1e-6 * EVEN),
    ...                    Estimate(-0.1, u_theta), Estimate(0.0, 0.05 * EVEN), Estimate(0.0, 0.0)))
    >>> [round(row.u_nm, 1) for row in b.rows if row.u_nm]
    [2.9, 16.6, 11.7, 1.7]
    """
    L = inputs.length_mm * NM_PER_MM
    a, da, th, dth = inputs.alpha, inputs.delta_alpha, inputs.theta, inputs.delta_theta
    rows = (
        _row("δα", "expansion of the part minus that of the scale", da, "1/K", L * th.value),
        _row("α", "expansion of the scale", a, "1/K", L * dth.value),
        _row("θ", "temperature of the part minus 20 °C", th, "K", L * da.value),
        _row("δθ", "temperature of the part minus that of the scale", dth, "K", L * a.value),
        _product("δα·θ", "second order: expansion and temperature", da.u * th.u, L),
        _product("α·δθ", "second order: expansion and difference", a.u * dth.u, L),
        _row("drift", "drift of the air during one inspection, if one side follows", inputs.drift, "K",
             L * max(abs(a.value), abs(a.value + da.value))),
    )  # fmt: skip
    effect = L * (da.value * th.value + a.value * dth.value)
    return ThermalBudget(rows, effect, float(np.sqrt(sum(row.u_nm**2 for row in rows))))


def _row(symbol: str, name: str, x: Estimate, unit: str, sensitivity: float) -> BudgetRow:
    return BudgetRow(symbol, name, x.value, x.u, unit, x.distribution, sensitivity, abs(sensitivity) * x.u)


def _product(symbol: str, name: str, u: float, L_nm: float) -> BudgetRow:
    return BudgetRow(symbol, name, 0.0, u, "1", "product", L_nm, L_nm * u)


@dataclass(frozen=True)
class RoomTemperatures:
    """What a room's air, parts and scales were while it was fit for measuring; all in K.

    cells: number of cells that count, of `of_cells`; both_measured: probes on part and on scale decide.
    """

    theta: Estimate
    delta_theta: Estimate
    drift: Estimate
    cells: int
    of_cells: int
    both_measured: bool


def drift_half_K(values_C: Float, usable: np.ndarray[Any, np.dtype[np.bool_]], cells: int) -> float:
    """Half the largest range of a temperature within `cells` cells in a row that all count; 0 without any.

    >>> drift_half_K(np.array([20.0, 20.2, 20.1, 21.0]), np.array([True, True, True, False]), 2)
    0.1
    """
    largest = 0.0
    inside = usable & np.isfinite(values_C)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        part = values_C[begin:end]
        width = min(cells, len(part))
        windows = np.lib.stride_tricks.sliding_window_view(part, width)
        largest = max(largest, float(np.max(windows.max(axis=1) - windows.min(axis=1))))
    return round(largest / 2, 9)


def inspection_budget(temperatures: Temperatures, feature: Feature, work: Work) -> ThermalBudget:
    """The rows of one inspection, from the temperatures of part and scale while it ran."""
    part, scale = temperatures.part, temperatures.scale
    difference = part.value - scale.value
    measured = part.how == scale.how == "measured" and part.channels != scale.channels
    air = temperatures.air[np.isfinite(temperatures.air)]
    drift = 0.0 if measured or not len(air) else float(np.ptp(air)) / 2
    swing = np.nanmax(difference) - np.nanmin(difference) if np.isfinite(difference).any() else 0.0
    u_difference = math.hypot(part.u_own_K, scale.u_own_K, float(swing) / 2 * EVEN)
    alpha, delta = materials(feature.material, work.scale)
    theta = Estimate(part.mean_C - REFERENCE_C, math.hypot(part.u_own_K, temperatures.u_shared_K))
    inputs = ThermalInputs(
        feature.length_mm, alpha, delta, theta,
        Estimate(part.mean_C - scale.mean_C, u_difference),
        Estimate(0.0, drift * EVEN, "rectangular"),
    )  # fmt: skip
    return thermal_budget(inputs)
