"""Sampling adequacy: a cycle that is not resolved has no span; periods are recovered from records."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.evidence.sampling import adequacy, dominant_period_s


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


@given(
    st.integers(16, 400),
    st.sampled_from([1.0, 60.0, 900.0]),
    st.floats(-40, 60),
    st.floats(0.01, 500),
    st.floats(0, 2),
    st.integers(0, 10_000),
)
def test_a_period_lies_within_its_range_or_is_none(
    n: int, step_s: float, level: float, cycle: float, amplitude: float, seed: int
) -> None:
    """Between four steps and a third of the record, whatever the values: constant, noise, any cycle."""
    t = np.arange(n)
    noise = np.random.default_rng(seed).normal(0, 0.01 * (seed % 3), n)
    period = dominant_period_s(level + amplitude * np.sin(2 * np.pi * t / cycle) + noise, step_s)
    assert period is None or 4 * step_s <= period <= n * step_s / 3


@pytest.mark.parametrize("level", [20.0, 20.3, -7.77, 0.1])
@pytest.mark.parametrize("n", [97, 240, 1441])
def test_a_constant_or_a_ramp_has_no_period(level: float, n: int) -> None:
    """What is left of a straight line is rounding, whose largest line means nothing."""
    assert dominant_period_s(np.full(n, level), 60.0) is None
    assert dominant_period_s(level + 0.0031 * np.arange(n), 60.0) is None


def test_a_slow_probe_damps_what_it_shows() -> None:
    assert "too slow" in adequacy(10, 720, response_s=200).warning


def test_too_little_says_nothing() -> None:
    assert dominant_period_s(np.full(10, 20.0), 60.0) is None
    assert dominant_period_s(np.full(1440, 20.0), 60.0) is None
    assert dominant_period_s(np.full(1440, np.nan), 60.0) is None
