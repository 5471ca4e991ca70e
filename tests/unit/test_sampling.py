"""Sampling adequacy: a cycle that is not resolved has no span; periods are recovered from records."""

from __future__ import annotations

import numpy as np
import pytest

from logger.sampling import adequacy, dominant_period_s


def test_a_quarter_hour_sampled_each_quarter_hour_has_no_span() -> None:
    """±0.5 K of 15 min: sampled at 15 min the span is 0.00, at 60 s it is 1.00 (−0.04) K."""
    swing = lambda t: 20 + 0.5 * np.sin(2 * np.pi * t / 900)  # noqa: E731
    coarse, fine = swing(np.arange(0, 86_400, 900.0)), swing(np.arange(0, 86_400, 60.0))
    assert np.ptp(coarse) == pytest.approx(0.0, abs=1e-9)
    assert np.ptp(fine) == pytest.approx(1.0, abs=0.04)
    period = dominant_period_s(fine, 60.0)
    assert period == pytest.approx(900, rel=0.01)
    assert adequacy(900, period).warning.startswith("period not resolved")
    assert adequacy(60, period).resolved


@pytest.mark.parametrize(("minutes", "amplitude"), [(12, 0.3), (23, 0.1), (60, 0.5)])
def test_the_period_of_a_noisy_cycle_is_found(minutes: float, amplitude: float) -> None:
    """Within 2 %, under 0.05 K of noise and a slow drift."""
    rng = np.random.default_rng(3)
    t = np.arange(2880)
    value = 20 + amplitude * np.sin(2 * np.pi * t / minutes + 1.0) + rng.normal(0, 0.05, 2880) + t / 5000
    assert dominant_period_s(value, 60.0) == pytest.approx(minutes * 60, rel=0.02)


def test_noise_has_no_dominant_period() -> None:
    rng = np.random.default_rng(5)
    assert dominant_period_s(rng.normal(20, 0.05, 1440), 60.0) is None


def test_a_slow_probe_damps_what_it_shows() -> None:
    assert "too slow" in adequacy(10, 720, response_s=200).warning


def test_too_little_says_nothing() -> None:
    assert dominant_period_s(np.full(10, 20.0), 60.0) is None
    assert dominant_period_s(np.full(1440, 20.0), 60.0) is None
    assert dominant_period_s(np.full(1440, np.nan), 60.0) is None
