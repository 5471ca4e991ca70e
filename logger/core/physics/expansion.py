"""Thermal expansion: lengths in mm, temperatures in degC, results in µm; reference 20 degC (ISO 1).

ISO/TR 16015:2003 and ASME B89.6.2 for the terms.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import UnitError

Array = NDArray[np.float64]
REFERENCE_C = 20.0
UM_PER_MM = 1000.0
# A handbook value without a certificate: ±10 %, rectangular (common practice, from memory).
HANDBOOK_SHARE = 0.1


@dataclass(frozen=True)
class Material:
    """Expansion near 20 degC: `alpha` and the half-width of its rectangular bound, both in 1/K."""

    name: str
    alpha_per_K: float
    half_width_per_K: float
    source: str


def _handbook(name: str, alpha_micro: float, source: str, half_width_micro: float | None = None) -> Material:
    half = HANDBOOK_SHARE * alpha_micro if half_width_micro is None else half_width_micro
    return Material(name, float(f"{alpha_micro}e-6"), half * 1e-6, source)


_SWYT = "Swyt (1994), J. Res. NIST 99, 31"
_CALLISTER = "Callister & Rethwisch, Fundamentals of Materials Science and Engineering, 3rd ed., table B.6"
_MEMORY = "from memory: declare your own value"

MATERIALS: Mapping[str, Material] = MappingProxyType(
    {
        m.name: m
        for m in (
            _handbook("steel", 11.5, _SWYT),
            _handbook("aluminium", 23.1, _SWYT),
            _handbook("silicon", 2.6, _SWYT),
            _handbook("aluminium 1100", 23.6, _CALLISTER),
            _handbook("aluminium 2024", 22.9, _CALLISTER),
            _handbook("aluminium 6061", 23.6, _CALLISTER),
            _handbook("aluminium 7075", 23.4, _CALLISTER),
            _handbook("aluminium 356 cast", 21.5, _CALLISTER),
            _handbook("copper", 17.0, _CALLISTER),
            _handbook("brass", 20.5, _CALLISTER),
            _handbook("titanium 6Al-4V", 8.6, _CALLISTER),
            _handbook("invar", 1.6, _CALLISTER, 0.4),  # another table gives 1.2
            _handbook("Inconel 625", 12.8, _CALLISTER),
            _handbook("tungsten", 4.5, _CALLISTER),
            _handbook("ductile iron", 11.2, _CALLISTER),
            _handbook("grey cast iron", 11.4, "amesweb.info, linear thermal expansion of metals"),
            _handbook("austenitic stainless steel", 17.3, "liquisearch.com, thermal expansion of materials"),
            _handbook("fused quartz", 0.57, "liquisearch.com 0.59 and matmake.com 0.55"),
            _handbook("zero-expansion glass ceramic", 0.02, "liquisearch.com, 0–50 degC", 0.02),
            _handbook("borosilicate glass", 3.3, "liquisearch.com, thermal expansion of materials"),
            _handbook("soda-lime glass", 8.5, "liquisearch.com, thermal expansion of materials"),
            _handbook("granite", 6.5, "5 to 8 for metrology plates, " + _MEMORY, 1.5),
            _handbook("steel gauge block", 11.5, "JCGM 100:2008, H.1", 2.0),
            _handbook("zirconia gauge block", 9.5, "gauge supplier's data page, 9.2 to 10", 0.5),
            _handbook("tungsten carbide gauge block", 4.5, "4.2 to 5.5, " + _MEMORY, 0.7),
            _handbook("acrylic", 70.0, "matmake.com, thermal expansion of common materials"),
            _handbook("nylon", 110.0, "matmake.com, thermal expansion of common materials"),
        )
    }
)


# A scale without expansion: for results referred to 20 degC by other means.
IDEAL = Material("ideal", 0.0, 0.0, "by definition")
_DECLARED = re.compile(r"(?P<alpha>-?\d+(\.\d+)?)\s*(\+-|±|\+/-)\s*(?P<half>\d+(\.\d+)?)(\s*1?e-6(/K)?)?")


def material_of(text: str) -> Material:
    """A material by name, or a declared value in 1e-6/K with its bound, "11.2 +- 0.3"; UnitError else.

    >>> material_of("Steel").alpha_per_K, material_of("11.2 ± 0.3").half_width_per_K
    (1.15e-05, 3e-07)
    >>> material_of("titanium 6Al-4V").alpha_per_K
    8.6e-06
    """
    key = text.strip().casefold()
    if key == IDEAL.name:
        return IDEAL
    declared = _DECLARED.fullmatch(key)
    if declared is not None:
        alpha, half = (float(f"{declared[name]}e-6") for name in ("alpha", "half"))
        return Material(text.strip(), alpha, half, "declared")
    by_name = {name.casefold(): material for name, material in MATERIALS.items()}
    if key not in by_name:
        raise UnitError(
            f"There is no material {text!r}. Expected one of: {', '.join((*MATERIALS, IDEAL.name))}; or a "
            "value of your own with its bound, as in '11.2 +- 0.3' (1e-6/K)."
        )
    return by_name[key]


def length_change_um(length_mm: ArrayLike, alpha_per_K: ArrayLike, t_C: ArrayLike) -> Array:
    """L·α·(t − 20 degC), in µm.

    >>> float(length_change_um(1000.0, 11.5e-6, 21.0).round(6))
    11.5
    """
    L, alpha, t = (np.asarray(x, np.float64) for x in (length_mm, alpha_per_K, t_C))
    return np.asarray(L * UM_PER_MM * alpha * (t - REFERENCE_C))


def differential_expansion_um(
    length_mm: ArrayLike, part: tuple[ArrayLike, ArrayLike], scale: tuple[ArrayLike, ArrayLike]
) -> Array:
    """L·[α_p·(T_p − 20) − α_s·(T_s − 20)] in µm; part and scale as (α in 1/K, temperature in degC).

    Positive: the part reads too long.

    >>> float(differential_expansion_um(300.0, (23.1e-6, 22.0), (11.5e-6, 22.0)).round(6))
    6.96
    """
    return length_change_um(length_mm, *part) - length_change_um(length_mm, *scale)


def plate_bending_um(
    length_mm: ArrayLike, thickness_mm: ArrayLike, alpha_per_K: ArrayLike, top_minus_bottom_K: ArrayLike
) -> Array:
    """Sagitta in µm of a free plate with a linear gradient through it: α·ΔT·L²/(8·h). Top warmer: convex.

    A free plate with a linear gradient bends to the radius h/(α·ΔT); the sagitta follows for a small arc.

    >>> float(plate_bending_um(1000.0, 150.0, 6.5e-6, 0.5).round(1))
    2.7
    """
    L, h, alpha, dT = (
        np.asarray(x, np.float64) for x in (length_mm, thickness_mm, alpha_per_K, top_minus_bottom_K)
    )
    return np.asarray(alpha * dT * L**2 / (8 * np.where(h > 0, h, np.nan)) * UM_PER_MM)


def allowed_temperature_K(length_mm: ArrayLike, alpha_per_K: ArrayLike, allowed_um: ArrayLike) -> Array:
    """Departure from 20 degC in K that changes a length by `allowed_um`.

    >>> float(allowed_temperature_K(500.0, 23.1e-6, 2.0).round(2))
    0.17
    """
    L, alpha, um = (np.asarray(x, np.float64) for x in (length_mm, alpha_per_K, allowed_um))
    return np.asarray(um / (L * UM_PER_MM * np.abs(alpha)))
