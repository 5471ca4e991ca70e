"""From the length error that is allowed to the limit of a room, and back.

    alone            L·α·ΔT            the part against a length that does not move
    on a scale       L·(α_p − α_s)·ΔT  part and scale change together
    part − scale     L·α·δT            how far part and scale may differ

The sentence that comes with it is the basis of the limit: it says from what the number follows.
"""

from __future__ import annotations

from dataclasses import dataclass

from .errors import Refused
from .physics.expansion import UM_PER_MM, Material, allowed_temperature_K


@dataclass(frozen=True)
class Derived:
    """Departures from 20 °C in K that change a length by `allowed_um`; on_scale_K None: any, they cancel."""

    length_mm: float
    allowed_um: float
    part: Material
    scale: Material
    alone_K: float
    on_scale_K: float | None
    part_minus_scale_K: float

    @property
    def basis(self) -> str:
        """As limits.toml holds it."""
        what = f"{self.length_mm:g} mm of {self.part.name}, {self.allowed_um:g} µm allowed"
        scale = "any, expansions are equal" if self.on_scale_K is None else f"±{self.on_scale_K:.3g} K"
        return (
            f"{what}: ±{self.alone_K:.3g} K alone (L·α·ΔT); {scale} on a scale of {self.scale.name} "
            f"(L·(α_p − α_s)·ΔT); part and scale within {self.part_minus_scale_K:.3g} K of each other"
        )


def derive(length_mm: float, part: Material, scale: Material, allowed_um: float) -> Derived:
    """The limits that a length budget allows.

    500 mm of aluminium, 2 µm: 0.17 K alone, 0.34 K on a steel scale.

    >>> from logger.physics.expansion import material_of
    >>> found = derive(500.0, material_of("aluminium"), material_of("steel"), 2.0)
    >>> round(found.alone_K, 2), round(found.on_scale_K, 2)
    (0.17, 0.34)
    """
    if not (0 < length_mm < 1e6 and 0 < allowed_um < 1e6) or not part.alpha_per_K:
        raise Refused(
            "derivation: wanted a length and an allowance above 0 and a part that expands, found "
            f"{length_mm:g} mm, {allowed_um:g} µm, {part.name}."
        )
    alone = float(allowed_temperature_K(length_mm, part.alpha_per_K, allowed_um))
    difference = part.alpha_per_K - scale.alpha_per_K
    both = float(allowed_temperature_K(length_mm, difference, allowed_um)) if difference else None
    return Derived(length_mm, allowed_um, part, scale, alone, both, alone)


def length_errors_um(
    length_mm: float, part: Material, scale: Material, limit_K: float
) -> tuple[float, float]:
    """Back again: what a departure of `limit_K` does to a length alone, and on a scale, in µm.

    >>> from logger.physics.expansion import material_of
    >>> alone, both = length_errors_um(500.0, material_of("aluminium"), material_of("steel"), 0.5)
    >>> round(alone, 3), round(both, 2)
    (5.775, 2.9)
    """
    if not (0 < limit_K < 1e3 and 0 < length_mm < 1e6):
        raise Refused(
            f"derivation: wanted a length and a limit in K above 0, found {length_mm:g} mm, {limit_K:g} K."
        )
    L = length_mm * UM_PER_MM * limit_K
    return L * abs(part.alpha_per_K), L * abs(part.alpha_per_K - scale.alpha_per_K)
