"""The error model of every regression: known cases by another way, and intervals that hold under a memory."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.stats import linregress

from logger.core.study.noise import _Memory, in_blocks, regress
from tests.core.study.planted import red_noise


def test_white_noise_gives_the_line_of_scipy() -> None:
    """A straight line in white noise: slope and its uncertainty as scipy.stats.linregress has them."""
    chance = np.random.default_rng(1)
    t = np.arange(120.0)
    y = 3 + 0.05 * t + chance.normal(size=120)
    fit = regress(np.column_stack((np.ones(120), t)), y, t)
    line = linregress(t, y)
    assert fit.beta[1] == pytest.approx(line.slope, abs=0.3 * line.stderr)
    assert np.sqrt(fit.covariance[1, 1]) == pytest.approx(line.stderr, rel=0.5)


def cover_of_mean(runs: int, n: int, memory: float) -> float:
    """Share of runs whose interval of a mean holds 0, in noise with a memory of so many steps."""
    inside = 0
    for seed in range(runs):
        y = red_noise(n, memory, 1.0, np.random.default_rng(seed), 1.0)
        _, low, high = regress(np.ones((n, 1)), y, np.arange(float(n))).interval(np.ones(1))
        inside += low <= 0 <= high
    return inside / runs


def test_a_mean_in_noise_with_a_memory_has_an_interval_that_holds() -> None:
    """60 values with a memory of 5: independent values would hold the mean in half of the runs only."""
    assert cover_of_mean(20, 60, 5.0) >= 0.85


@pytest.mark.long
def test_the_interval_of_a_mean_covers() -> None:
    """150 runs each: cover 0.93 or more at memories of 2, 5 and 10 steps in 60."""
    for memory in (2.0, 5.0, 10.0):
        cover = cover_of_mean(150, 60, memory)
        print(f"memory {memory}: {cover:.2f}")
        assert cover >= 0.92


def test_too_few_values_and_dependent_columns_are_errors() -> None:
    """No number comes out of what does not determine it."""
    with pytest.raises(ValueError, match="do not determine"):
        regress(np.ones((2, 1)), np.ones(2), np.arange(2.0))
    with pytest.raises(ValueError, match="depend on each other"):
        regress(np.ones((20, 2)), np.ones(20), np.arange(20.0))


def test_blocks_hold_the_means_of_neighbours() -> None:
    """Ten values in five blocks."""
    t, y = in_blocks(np.arange(10.0), np.arange(10.0) * 2, most=5)
    assert t.tolist() == [0.5, 2.5, 4.5, 6.5, 8.5]
    assert y.tolist() == [1, 5, 9, 13, 17]


def test_the_fit_is_that_of_the_whole_matrix() -> None:
    """From no white noise to nothing else, times with gaps: R⁻¹ and ln |R| as numpy has them."""
    chance = np.random.default_rng(3)
    t = np.sort(chance.choice(300, 80, replace=False)).astype(np.float64)
    columns = chance.normal(size=(80, 3))
    for memory, white in ((0.5, 0.0), (20.0, 0.1), (150.0, 0.9), (3.0, 1.0)):
        whole = (1 - white) * np.exp(-np.abs(t[:, None] - t) / memory) + white * np.eye(80)
        solved, log_r = _Memory.of(t, memory).solve(white, columns)
        assert solved == pytest.approx(np.linalg.solve(whole, columns), rel=1e-6, abs=1e-9)
        assert log_r == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-9, abs=1e-9)
    mixed = chance.permutation(80)
    y = columns[:, 0] + 0.1 * t
    design = np.column_stack((np.ones(80), columns[:, 1]))
    assert regress(design[mixed], y[mixed], t[mixed]).beta == pytest.approx(regress(design, y, t).beta)


def test_a_year_of_days_is_fitted_within_a_moment() -> None:
    """365 days: the whole matrix, seventy times, took 0.5 to 6 s of processor time."""
    chance = np.random.default_rng(4)
    t = np.arange(365.0)
    design = np.column_stack((np.ones(365), t > 180))
    y = chance.normal(size=365)
    regress(design, y, t)
    begin = time.process_time()
    regress(design, y, t)
    assert time.process_time() - begin < 0.2
