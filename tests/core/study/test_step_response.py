"""How fast it follows: planted time constants come back with intervals that hold;
cut-off steps are not shown.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from logger.core.study.channel_record import ChannelRecord
from logger.core.study.step_response import find_steps, fit_step, step_test
from tests.core.study.planted import START_S, day_course, record_of, red_noise

TAU_S = 7200.0


def step(
    seed: int, *, taus: float = 5.0, red: float = 0.0, white: float = 0.02, second_s: float = 0.0
) -> tuple[ChannelRecord, float]:
    """2 K with τ = 2 h after a dead time of 3 min; two hours before it."""
    chance = np.random.default_rng(seed)
    before, n = 120, 120 + int(taus * TAU_S / 60)
    t = (np.arange(n) - before) * 60 + 30.0
    since = np.maximum(t - 180, 0)
    g = np.exp(-since / TAU_S)
    if second_s:
        g = (TAU_S * g - second_s * np.exp(-since / second_s)) / (TAU_S - second_s)
    value = 20 + 2 * (1 - g) + white * chance.normal(size=n)
    value += red_noise(n, 1800, red, chance) if red else 0.0
    return record_of(value), START_S + before * 60.0


def cover(runs: int, **how: float) -> tuple[float, float]:
    """Share of the runs with a figure whose interval holds 2 h, and mean of τ in h."""
    inside, values = 0, list[float]()
    for seed in range(runs):
        record, at = step(seed, **how)
        figure = step_test(record, [at]).figures[0]
        if figure.value is None:
            assert "time constants recorded" in figure.why_not
            continue
        assert figure.low is not None
        assert figure.high is not None
        inside += figure.low <= 2.0 <= figure.high
        values.append(figure.value)
    assert len(values) >= 0.9 * runs
    return inside / len(values), float(np.mean(values))


@pytest.mark.slow
def test_a_planted_time_constant_comes_back() -> None:
    """τ 2 h in white and in red noise: within 1 and 5 %, held in nearly all of a few runs."""
    value, mean = cover(2)
    assert mean == pytest.approx(2.0, rel=0.01)
    assert value == 1
    value, mean = cover(2, red=0.03)
    assert mean == pytest.approx(2.0, rel=0.06)
    assert value == 1


@pytest.mark.long
def test_intervals_of_the_time_constant_cover() -> None:
    """60 runs each: white, red, 4 τ recorded: 0.9 or more."""
    for how in ({}, {"red": 0.03}, {"red": 0.03, "taus": 4.0}):
        value, mean = cover(60, **how)
        print(f"{how}: cover {value:.2f}, mean {mean:.3f} h")
        assert value >= 0.88


@pytest.mark.slow
def test_the_fit_is_that_of_another_method() -> None:
    """A step without noise to speak of: scipy's curve_fit of the plain exponential gives the same τ."""
    record, at = step(3, white=0.002)
    fit = fit_step(record, at, at + 1e6)
    t = record.at_s + 30 - at
    late = t > 300
    (_, tau, _), _ = curve_fit(
        lambda t, a, tau, c: c + a * np.exp(-t / tau), t[late], record.value[late], p0=(-2, 5000, 22)
    )
    assert fit.tau_s == pytest.approx(tau, rel=0.005)
    assert fit.dead_s == pytest.approx(180, abs=30)


@pytest.mark.slow
def test_a_second_time_constant_is_seen() -> None:
    """120 and 15 min: both come back; with one only, no second is named."""
    record, at = step(1, second_s=900.0, white=0.005, taus=6)
    fit = fit_step(record, at, at + 1e6)
    assert fit.second_s == pytest.approx(900, rel=0.3)
    assert fit.tau_s == pytest.approx(TAU_S, rel=0.05)
    record, at = step(2)
    assert fit_step(record, at, at + 1e6).second_s is None


@pytest.mark.slow
def test_a_step_cut_off_is_not_shown() -> None:
    """1.1 τ recorded: not shown, with how much longer to log."""
    record, at = step(1, taus=1.1)
    figure = step_test(record, [at]).figures[0]
    assert not figure.shown
    assert "time constants recorded" in figure.why_not or "±" in figure.why_not
    assert "Log" in figure.needed


@pytest.mark.slow
def test_a_step_within_the_noise_is_not_shown() -> None:
    """2 K in 0.5 K of noise."""
    record, at = step(1, white=0.5)
    assert not step_test(record, [at]).figures[0].shown


def test_a_record_without_a_step_says_what_to_do() -> None:
    """Red noise alone."""
    value = 20 + red_noise(7 * 1440, 6 * 3600, 0.05, np.random.default_rng(1))
    figure = step_test(record_of(value)).figures[0]
    assert not figure.shown
    assert "Mark one" in figure.needed


@pytest.mark.slow
def test_steps_are_found_beside_the_day() -> None:
    """Air handling off and on again on two days of ten, beside a day of ±0.2 K:
    found within a quarter hour.
    """
    n = 10 * 1440
    at = np.arange(n) * 60.0
    value, state = np.empty(n), 0.0
    target = np.zeros(n)
    for day in (3, 7):
        target[day * 1440 + 600 : day * 1440 + 1320] = 2.0
    for i in range(n):
        state += (target[i] - state) * 60 / TAU_S
        value[i] = state
    chance = np.random.default_rng(4)
    value += 20 + day_course(n, 0.2) + red_noise(n, 3600, 0.01, chance) + 0.005 * chance.normal(size=n)
    record = record_of(value)
    planted = [START_S + (day * 1440 + minute) * 60 for day in (3, 7) for minute in (600, 1320)]
    starts = [start for start, _ in find_steps(record)]
    assert at.size == len(record)
    for expected in planted:
        assert min(abs(start - expected) for start in starts) <= 1200
    assert len(starts) <= 6
    answer = step_test(record, planted[:2])
    assert answer.figures[0].value == pytest.approx(2.0, rel=0.08)
    assert "no interval: it counts from the start of the step as marked" in answer.figure("dead time").text
