"""A derived limit never allows more than was asked for, and its sentence says so in words of the trade."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from logger.core.measurement.limit_derivation import derive_limits
from logger.core.physics.expansion import material_of

STEEL, ALUMINIUM = material_of("steel"), material_of("aluminium")


def test_a_limit_is_rounded_down() -> None:
    """1.7 µm over 546 mm of steel at 11.5e-6/K are 0.27074 K: ±0.270 K, for 0.271 K would give 1.7016 µm."""
    result = derive_limits(546.0, STEEL, material_of("ideal"), 1.7)
    assert 0.2705 < result.alone_K < 0.271
    assert "±0.270 K alone" in result.basis
    assert "on a scale without expansion" in result.basis


@given(st.floats(1, 5000), st.floats(0.01, 100))
def test_no_printed_limit_gives_more_than_was_allowed(length_mm: float, allowed_um: float) -> None:
    """ΔL = L·α·ΔT, worked back from the printed figure."""
    basis = derive_limits(length_mm, ALUMINIUM, STEEL, allowed_um).basis
    alone, on_scale = (float(text) for text in re.findall(r"±([\d.]+) K", basis))
    assert length_mm * 1e3 * ALUMINIUM.alpha_per_K * alone <= allowed_um * (1 + 1e-6)
    difference = ALUMINIUM.alpha_per_K - STEEL.alpha_per_K
    assert length_mm * 1e3 * difference * on_scale <= allowed_um * (1 + 1e-6)
