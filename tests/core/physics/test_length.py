"""Length budgets against the worked examples of the GUM, of ASME B89.6.2, and a Monte Carlo run."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.physics.length import IDEAL_SCALE, SharedUncertainty, Side, budget, error_index

RECT = 1 / np.sqrt(3)


def test_the_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008, H.1: the thermal part of 32 nm, and of 34 nm with second order; l_s = 50.000 623 mm.

    θ = −0.1 degC, u(θ) = 0.41 (0.2 with a cycle of 0.5); δα ± 1e-6, α ± 2e-6, δθ ± 0.05, all rectangular.
    """
    L_mm, other = 50.000623, np.sqrt(25**2 + 5.8**2 + 3.9**2 + 6.7**2)
    part = Side(11.5e-6, 19.9, u_alpha_per_K=1e-6 * RECT)
    scale = Side(11.5e-6, 19.9, u_t_K=0.05 * RECT)
    result = budget(
        L_mm, part, scale, SharedUncertainty(u_t_K=np.hypot(0.2, 0.5 / np.sqrt(2)), u_alpha_per_K=2e-6 * RECT)
    )
    nm = {line.name: line.u_um * 1000 for line in result.contributions}
    assert nm["expansion of the part"] == pytest.approx(2.88679, abs=1e-3)
    assert nm["temperature of the scale"] == pytest.approx(16.599, abs=2e-3)
    first = np.sqrt(other**2 + sum(u**2 for name, u in nm.items() if name != "second order"))
    assert first == pytest.approx(31.66, abs=0.03)
    assert np.hypot(first, nm["second order"]) == pytest.approx(34, abs=0.5)


def test_thermal_error_index_example() -> None:
    """ASME B89.6.2 (definitions from memory): NDE 7.250, UNDE 2.1625 µm, TEI 21.825 %, corrected 7.325 %."""
    part, scale = Side(23.1e-6, 22.5, 2.31e-6), Side(11.5e-6, 22.5, 1.15e-6)
    off = error_index(250.0, part, scale, tve_um=1.5, tolerance_um=50.0, corrected=False)
    on = error_index(250.0, part, scale, tve_um=1.5, tolerance_um=50.0, corrected=True)
    assert (off.nde_um, off.unde_um) == (pytest.approx(7.25), pytest.approx(2.1625))
    assert (off.tei_pct, on.tei_pct) == (pytest.approx(21.825), pytest.approx(7.325))


def test_the_same_example_in_quadrature() -> None:
    """α ±10 % and temperatures ±0.1 K, rectangular: u = 1.00286 µm to first order (computed by hand)."""
    part = Side(23.1e-6, 22.5, 2.31e-6 * RECT, 0.1 * RECT)
    scale = Side(11.5e-6, 22.5, 1.15e-6 * RECT, 0.1 * RECT)
    lines = [line.u_um for line in budget(250.0, part, scale).contributions if line.name != "second order"]
    assert np.sqrt(np.sum(np.square(lines))) == pytest.approx(1.00286, abs=1e-5)


def test_one_probe_for_steel_on_steel_adds_nothing() -> None:
    steel = Side(11.5e-6, 22.0)
    result = budget(500.0, steel, steel, SharedUncertainty(u_t_K=0.5))
    assert (result.nde_um, result.U_um) == (0.0, 0.0)


def test_aluminium_on_steel_at_21_degrees() -> None:
    """500 mm, 23.1 against 11.5e-6/K, both at 21 degC: 5.8 µm."""
    assert budget(500.0, Side(23.1e-6, 21.0), Side(11.5e-6, 21.0)).nde_um == pytest.approx(5.8)


@given(st.integers(0, 1000))
def test_agrees_with_monte_carlo(seed: int) -> None:
    """JCGM 101: the standard deviation of 40 000 draws, within 1.5 % (its own scatter is 0.35 %)."""
    rng = np.random.default_rng(seed)
    u = rng.uniform(0.2, 1.0, 6) * [0.1, 0.1, 0.1, 1e-6, 1e-6, 1e-6]
    part = Side(23.1e-6, 20 + rng.uniform(-3, 3), u[3], u[0])
    scale = Side(8.0e-6, 20 + rng.uniform(-3, 3), u[4], u[1])
    draws = rng.normal(0, 1, (6, 40_000)) * u[:, None]
    part_t, scale_t = part.t_C - 20 + draws[0] + draws[2], scale.t_C - 20 + draws[1] + draws[2]
    length = 300e3 * (
        (part.alpha_per_K + draws[3] + draws[5]) * part_t
        - (scale.alpha_per_K + draws[4] + draws[5]) * scale_t
    )
    result = budget(300.0, part, scale, SharedUncertainty(u[2], u[5]))
    assert result.u_um == pytest.approx(float(length.std()), rel=0.015)


def test_a_drift_check_enters_as_half_its_range() -> None:
    assert budget(100.0, Side(0.0, 20.0), IDEAL_SCALE, tve_um=2.0).u_um == pytest.approx(1 / np.sqrt(3))
