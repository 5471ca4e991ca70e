"""From the allowed length error to the limit of a room, and back.

    alone            L·α·ΔT            the part against a length that does not move
    on a scale       L·(α_p − α_s)·ΔT  part and scale change together
    part − scale     L·α·δT            how far part and scale may differ

Its sentence is the basis of the limit: how the number was derived.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from ...errors import Refused
from ..physics.expansion import IDEAL, UM_PER_MM, Material, allowed_temperature_K


@dataclass(frozen=True)
class DerivedLimits:
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
        """The basis for limits.toml."""
        what = f"{self.length_mm:g} mm of {self.part.name}, {self.allowed_um:g} µm allowed"
        scale = "any, expanding alike," if self.on_scale_K is None else f"±{round_down(self.on_scale_K)} K"
        return (
            f"{what}: ±{round_down(self.alone_K)} K alone (L·α·ΔT); {scale} on {scale_name(self.scale.name)} "
            f"(L·(α_p − α_s)·ΔT); part and scale within {round_down(self.part_minus_scale_K)} K of each other"
        )


def scale_name(material: str) -> str:
    """A scale in words.

    >>> scale_name("steel"), scale_name("ideal")
    ('a steel scale', 'a scale without expansion')
    """
    return "a scale without expansion" if material == IDEAL.name else f"a {material} scale"


def round_down(value: float) -> str:
    """A limit with three significant digits, rounded down.

    >>> round_down(0.27074), round_down(0.2999), round_down(1.7), round_down(12.349)
    ('0.270', '0.299', '1.70', '12.3')
    """
    return _to_three_digits(value, math.floor)


def round_up(value: float) -> str:
    """An error with three significant digits, rounded up.

    >>> round_up(1.7041), round_up(5.775), round_up(0.1)
    ('1.71', '5.78', '0.100')
    """
    return _to_three_digits(value, math.ceil)


def _to_three_digits(value: float, rounding: Callable[[float], int]) -> str:
    if value <= 0:
        return "0"
    places = 2 - math.floor(math.log10(value))
    # A millionth of the last digit is neglected: binary 0.1 is a little more than 0.1.
    nearest = round(value * 10**places)
    digits = nearest if abs(value * 10**places - nearest) < 1e-6 else rounding(value * 10**places)
    return f"{digits / 10**places:.{max(0, places)}f}"


def derive_limits(length_mm: float, part: Material, scale: Material, allowed_um: float) -> DerivedLimits:
    """The limits that a length budget allows.

    500 mm of aluminium, 2 µm: 0.17 K alone, 0.34 K on a steel scale.

    >>> from logger.core.physics.expansion import material_of
    >>> limits = derive_limits(500.0, material_of("aluminium"), material_of("steel"), 2.0)
    >>> round(limits.alone_K, 2), round(limits.on_scale_K, 2)
    (0.17, 0.34)
    """
    if not (0 < length_mm < 1e6 and 0 < allowed_um < 1e6) or not part.alpha_per_K:
        raise Refused(
            "derivation: expected a length and an allowance above 0 and a part that expands, found "
            f"{length_mm:g} mm, {allowed_um:g} µm, {part.name}."
        )
    alone = float(allowed_temperature_K(length_mm, part.alpha_per_K, allowed_um))
    difference = part.alpha_per_K - scale.alpha_per_K
    on_scale = float(allowed_temperature_K(length_mm, difference, allowed_um)) if difference else None
    return DerivedLimits(length_mm, allowed_um, part, scale, alone, on_scale, alone)


def length_errors_um(
    length_mm: float, part: Material, scale: Material, limit_K: float
) -> tuple[float, float]:
    """Length errors in µm by a departure of `limit_K`: alone, and on a scale.

    >>> from logger.core.physics.expansion import material_of
    >>> alone, on_scale = length_errors_um(500.0, material_of("aluminium"), material_of("steel"), 0.5)
    >>> round(alone, 3), round(on_scale, 2)
    (5.775, 2.9)
    """
    if not (0 < limit_K < 1e3 and 0 < length_mm < 1e6):
        raise Refused(
            f"derivation: expected a length and a limit in K above 0, found {length_mm:g} mm, {limit_K:g} K."
        )
    L = length_mm * UM_PER_MM * limit_K
    return L * abs(part.alpha_per_K), L * abs(part.alpha_per_K - scale.alpha_per_K)
