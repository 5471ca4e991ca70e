"""Comparison side by side and review of intervals: numbers that were put in come out again.

Offsets and noise are invented (features of a comparison have no published table); the standard deviation of
a mean is that of JCGM 100, 4.2.3; the effective number of values of a first-order dependence that of
Zieba 2010, whose limit n(1 − ρ)/(1 + ρ) is checked against a made series of known ρ.
"""

from __future__ import annotations

import numpy as np
import pytest

from logger.core.calibration.comparison import compare_side_by_side, independent
from logger.core.calibration.interval import review
from logger.errors import Refused
from logger.model import AsFound, Certificate


def test_six_probes_are_recovered() -> None:
    """Offsets within ±0.05 K, noise 0.01 K, two hours by the minute: within ±0.01 K, and U covers them."""
    rng = np.random.default_rng(5)
    offsets = np.array([0.05, -0.04, 0.02, 0.0, -0.03, 0.01])
    room = 20 + 0.1 * np.sin(np.arange(120) / 15)
    values = {f"P{i}": room + offset + rng.normal(0, 0.01, 120) for i, offset in enumerate(offsets)}
    result = compare_side_by_side(values)
    expected = offsets - offsets.mean()
    for item, offset in zip(result.offsets, expected, strict=True):
        assert item.offset == pytest.approx(offset, abs=0.01)
        assert abs(item.offset - offset) < 2 * item.U
        assert item.repeatability == pytest.approx(0.01 * np.sqrt(5 / 6), rel=0.2)
    pair = next(p for p in result.pairs if (p.first, p.second) == ("P0", "P1"))
    assert pair.difference == pytest.approx(0.09, abs=0.01)
    assert pair.repeatability == pytest.approx(0.01 * np.sqrt(2), rel=0.2)
    assert len(result.pairs) == 15


def test_neighbouring_values_count_for_less() -> None:
    """A first-order series with ρ = 0.8 holds (1 − 0.8)/(1 + 0.8) = 1/9 of its values; white noise all."""
    rng = np.random.default_rng(1)
    white = rng.normal(size=20_000)
    slow = np.empty_like(white)
    slow[0] = white[0]
    for i in range(1, len(white)):
        slow[i] = 0.8 * slow[i - 1] + white[i]
    assert independent(slow) / len(slow) == pytest.approx(1 / 9, rel=0.1)
    assert independent(white) / len(white) > 0.95
    assert independent(np.zeros(50)) == 50


@pytest.mark.parametrize("values", [{}, {"a": np.arange(20.0)}, {"a": np.arange(9.0), "b": np.arange(9.0)}])
def test_too_little_is_refused(values: dict[str, np.ndarray]) -> None:
    """One channel alone, or fewer than ten common minutes, say nothing."""
    with pytest.raises(Refused):
        compare_side_by_side(values)


def history(*moved: float, allowed: float = 0.10) -> list[Certificate]:
    """Certificates without corrections whose as-found errors are those given."""
    result = [None, *(AsFound((20.0,), (m,)) for m in moved)]
    return [
        Certificate(f"{i}", "P1.temperature", "", "", f"20{20 + i}-01-01", i, None, (20.0,), (0.0,), (0.06,),
                    2.0, (15.0, 25.0), drift=allowed, as_found=item)
        for i, item in enumerate(result)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("moved", "proposal"),
    [
        ((0.02, 0.02, 0.03), "longer"),
        ((0.02, 0.02, 0.12), "shorter"),
        ((-0.12,), "shorter"),
        ((0.02, 0.03), "keep"),
        ((0.02, 0.09, 0.02), "keep"),
        ((), "not known"),
    ],
)
def test_interval_follows_what_was_found(moved: tuple[float, ...], proposal: str) -> None:
    """Well inside three times: longer; beyond the allowance: shorter; else as it is."""
    assert review(history(*moved)).proposal == proposal


def test_movement_is_against_what_was_left() -> None:
    """An error of +0.30 that the certificate before had stated as +0.28 is a movement of 0.02."""
    before, after = history(0.30)
    remaining = Certificate(**{**vars(before), "corrections": (-0.28,)})
    result = review([remaining, after])
    assert result.findings[0].moved == pytest.approx(0.02)
    assert review(history(0.02, allowed=0.0)).proposal == "not known"
