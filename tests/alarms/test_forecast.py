"""Forecast against closed forms and against noise, in which it must say nothing."""

from __future__ import annotations

import numpy as np
import pytest

from logger.core.judge.forecast import crossing, line, skill

MINUTE = np.arange(-59.0, 1.0)


def test_a_ramp_is_told_half_an_hour_before_or_more() -> None:
    """0.6 K/h from 20.2 to 21.0 takes 80 min; with noise of 0.02 K the interval holds the truth."""
    rng = np.random.default_rng(1)
    for passed in (25, 35, 50):
        now = 20.2 + 0.6 * passed / 60
        values = now + 0.6 * MINUTE / 60 + rng.normal(0, 0.02, 60)
        result = line(MINUTE, values)
        assert result is not None
        ahead = crossing(result, 19.0, 21.0)
        assert ahead is not None
        assert ahead.latest is not None
        assert ahead.earliest <= 80 - passed <= ahead.latest
        assert ahead.minutes == pytest.approx(80 - passed, rel=0.15)


def test_a_falling_value_crosses_the_lower_limit_and_a_one_sided_rule_has_no_other() -> None:
    """Exact line: 0.3 K at 0.6 K/h are 30 min."""
    result = line(MINUTE, 19.3 - 0.6 * MINUTE / 60)
    assert result is not None
    ahead = crossing(result, 19.0, 21.0)
    assert ahead is not None
    assert (ahead.limit, ahead.minutes) == (19.0, pytest.approx(30.0, abs=1e-3))
    assert crossing(result, None, 21.0) is None


def test_noise_and_too_few_values_say_nothing() -> None:
    """The slope of 200 hours of correlated noise is hardly ever taken for a trend that leads anywhere."""
    rng = np.random.default_rng(2)
    output = 0
    for _ in range(200):
        result = line(MINUTE, 20.0 + rng.normal(0, 0.02, 60))
        assert result is not None
        output += crossing(result, 19.5, 20.5) is not None
    assert output <= 2
    assert line(MINUTE[:19], np.full(19, 20.0)) is None
    assert line(MINUTE, np.full(60, np.nan)) is None


def test_skill_is_high_on_ramps_and_none_on_steps() -> None:
    """Slow excursions are foreseen; a door that opens is not, and nothing is invented for it."""
    rng = np.random.default_rng(4)
    n = np.arange(14 * 1440)
    ramps = 20.0 + 0.8 * np.sin(2 * np.pi * n / 720) + rng.normal(0, 0.01, len(n))
    steps = 20.0 + np.where(n % 720 < 30, 1.0, 0.0) + rng.normal(0, 0.01, len(n))

    slow, sudden = skill(ramps, 19.5, 20.5), skill(steps, 19.5, 20.5)

    assert slow.predicted >= 0.9 * slow.crossings
    assert slow.value_skill > 0.5
    assert slow.lead_min is not None
    assert slow.lead_min >= 30
    assert sudden.predicted <= 0.1 * sudden.crossings
    assert not sudden.has_skill
