"""Thermal error of a measured length and its uncertainty, by two methods that are never mixed.

    Δ = L·[α_p·(T_p − 20) − α_s·(T_s − 20)]        p: part, s: scale; positive: the part reads too long

    JCGM 100:2008 with ISO/TR 16015:2003: contributions in quadrature, second order included, U = 2·u
    ASME B89.6.2: arithmetic sum of bounds, thermal error index in percent of the working tolerance
                  (definitions from memory)

What two quantities share (one probe, one material batch) is a separate contribution: a shared
error of temperature acts through L·(α_p − α_s) only, a shared error of expansion through
L·(T_p − T_s).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .expansion import REFERENCE_C, UM_PER_MM, differential_expansion_um


@dataclass(frozen=True)
class Side:
    """Part or scale: α in 1/K, temperature in degC, and the standard uncertainties that it does not share."""

    alpha_per_K: float
    t_C: float
    u_alpha_per_K: float = 0.0
    u_t_K: float = 0.0


IDEAL_SCALE = Side(0.0, REFERENCE_C)


@dataclass(frozen=True)
class SharedUncertainty:
    """Standard uncertainties that part and scale have in common."""

    u_t_K: float = 0.0
    u_alpha_per_K: float = 0.0


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: standard uncertainty in µm."""

    name: str
    u_um: float


@dataclass(frozen=True)
class LengthBudget:
    """NDE in µm, contributions, combined standard and expanded uncertainty (k = 2) in µm."""

    nde_um: float
    contributions: tuple[Contribution, ...]
    u_um: float
    U_um: float


# Standard uncertainty of a variation, as a share of its half-range: even, and where one cycle dominates.
EVEN, CYCLE = 1 / 3**0.5, 1 / 2**0.5


def budget(
    length_mm: float,
    part: Side,
    scale: Side,
    shared: SharedUncertainty | None = None,
    tve_um: float = 0.0,
    *,
    variation: float = EVEN,
) -> LengthBudget:
    """The budget by JCGM 100 (5.1, second order of the note to 5.1.2). `tve_um` is peak to valley.

    It enters as its half-range times `variation`.

    500 mm of steel at 22 degC against an ideal scale, α ±10 % and t ±0.2 K rectangular:

    >>> steel = Side(11.5e-6, 22.0, u_alpha_per_K=1.15e-6 / 3**0.5, u_t_K=0.2 / 3**0.5)
    >>> b = budget(500.0, steel, IDEAL_SCALE)
    >>> round(b.nde_um, 3), round(b.U_um, 2)
    (11.5, 1.88)
    """
    shared = shared or SharedUncertainty()
    L = length_mm * UM_PER_MM
    lines = [
        *_first_order(L, part, scale, shared),
        Contribution("second order", _second_order(L, part, scale, shared)),
    ]
    lines.append(Contribution("temperature variation", abs(tve_um) / 2 * variation))
    u = float(np.sqrt(sum(line.u_um**2 for line in lines)))
    nde = differential_expansion_um(length_mm, (part.alpha_per_K, part.t_C), (scale.alpha_per_K, scale.t_C))
    return LengthBudget(float(nde), tuple(lines), u, 2 * u)


def _first_order(L_um: float, part: Side, scale: Side, shared: SharedUncertainty) -> list[Contribution]:
    return [
        Contribution(
            "temperature, shared", abs(L_um * (part.alpha_per_K - scale.alpha_per_K)) * shared.u_t_K
        ),
        Contribution("temperature of the part", abs(L_um * part.alpha_per_K) * part.u_t_K),
        Contribution("temperature of the scale", abs(L_um * scale.alpha_per_K) * scale.u_t_K),
        Contribution("expansion, shared", abs(L_um * (part.t_C - scale.t_C)) * shared.u_alpha_per_K),
        Contribution("expansion of the part", abs(L_um * (part.t_C - REFERENCE_C)) * part.u_alpha_per_K),
        Contribution("expansion of the scale", abs(L_um * (scale.t_C - REFERENCE_C)) * scale.u_alpha_per_K),
    ]


def _second_order(L_um: float, part: Side, scale: Side, shared: SharedUncertainty) -> float:
    """Root of Σ (L·u(α)·u(t))² over the pairs whose product occurs in Δ; two shared errors cancel there."""
    products = [side.u_alpha_per_K * u_t for side in (part, scale) for u_t in (side.u_t_K, shared.u_t_K)] + [
        shared.u_alpha_per_K * side.u_t_K for side in (part, scale)
    ]
    return L_um * float(np.sqrt(sum(p**2 for p in products)))


@dataclass(frozen=True)
class ErrorIndex:
    """ASME B89.6.2: NDE and UNDE in µm, thermal error index in percent, corrected or not."""

    nde_um: float
    unde_um: float
    tei_pct: float


def error_index(
    length_mm: float, part: Side, scale: Side, *, tve_um: float, tolerance_um: float, corrected: bool
) -> ErrorIndex:
    """TEI = 100 %·([|NDE| when not corrected] + UNDE + TVE)/tolerance; the sides' u_alpha are half-widths δα.

    >>> al, steel = Side(23.1e-6, 22.5, 2.31e-6), Side(11.5e-6, 22.5, 1.15e-6)
    >>> round(error_index(250.0, al, steel, tve_um=1.5, tolerance_um=50.0, corrected=False).tei_pct, 3)
    21.825
    """
    L = length_mm * UM_PER_MM
    nde = float(
        differential_expansion_um(length_mm, (part.alpha_per_K, part.t_C), (scale.alpha_per_K, scale.t_C))
    )
    unde = sum(L * abs(side.t_C - REFERENCE_C) * side.u_alpha_per_K for side in (part, scale))
    total = (0.0 if corrected else abs(nde)) + unde + tve_um
    return ErrorIndex(nde, unde, 100 * total / tolerance_um)
