"""Whether forecasts are worth anything: skill where there is a course to know, none on a random walk."""

from __future__ import annotations

import numpy as np
import pytest

from logger.core.study.forecast_skill import forecast_skill
from tests.core.study.planted import day_course, record_of, red_noise


@pytest.mark.slow
def test_a_course_of_the_day_has_skill_that_is_shown() -> None:
    """±0.3 K over the day and weather: better than staying at 60 min; promises are counted."""
    n = 20 * 1440
    chance = np.random.default_rng(1)
    value = 20 + day_course(n, 0.3) + red_noise(n, 3 * 3600, 0.1, chance) + 0.01 * chance.normal(size=n)
    answer = forecast_skill(record_of(value), (19.6, 20.4))
    hour = answer.figure("skill at 60 min")
    assert hour.shown
    assert hour.low is not None
    assert hour.low > 0
    assert answer.figure("crossings, gain over their frequency").value is not None
    assert sum(answer.tables["crossings"]["times"]) > 500
    assert "less than “it stays as it is”" in answer.headline


def test_a_random_walk_has_none() -> None:
    """Nothing is shown above 0 half an hour ahead, and the sentence says so."""
    walk = 20 + np.cumsum(0.003 * np.random.default_rng(2).normal(size=12 * 1440))
    answer = forecast_skill(record_of(walk), None)
    half = answer.figure("skill at 30 min")
    assert not (half.shown and (half.value or 0) > 0)
    assert answer.headline.endswith("none is shown.")


def test_too_short_or_too_sparse_says_what_to_log() -> None:
    """Six days; readings every 10 min."""
    assert forecast_skill(record_of(np.full(6 * 1440, 20.0)), None).figures[0].why_not == "6.0 days recorded."
    assert "every 600 s" in forecast_skill(record_of(np.full(2000, 20.0), 600), None).figures[0].why_not
