"""When to measure: probabilities by start hour with intervals that hold; unknown hours are left out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from logger.core.study.best_hours import HOURS, best_hours, outcomes, week_map
from logger.series import Bool, Float

WORKING = np.array([10 <= hour % 24 < 16 and hour < 120 for hour in range(HOURS)])


def all_shown(stable: Bool) -> Bool:
    return np.ones(stable.shape, np.bool_)


def test_a_room_that_is_stable_from_ten_to_four_says_so() -> None:
    """Stable on working days from 10 to 16 only:
    for 1, 2 and 4 h the map agrees with the plan at every start.
    """
    stable = np.tile(WORKING, (12, 1))
    for hours in (1, 2, 4):
        chart = week_map(stable, all_shown(stable), hours)
        expected = np.array(
            [all(WORKING[(start + k) % HOURS] for k in range(hours)) for start in range(HOURS)]
        )
        assert ((chart.probability > 0.5) == expected).all(), hours
    answer = best_hours(stable, all_shown(stable), 4)
    assert "10:00" in answer.headline or "11:00" in answer.headline or "12:00" in answer.headline


def test_one_hour_that_fails_decides_whatever_is_unknown_beside_it() -> None:
    """Two hours: failed and unknown is known to fail; stable and unknown is unknown."""
    stable = np.zeros((1, HOURS), np.bool_)
    stable[0, :4] = [True, True, False, True]
    sure = np.zeros((1, HOURS), np.bool_)
    sure[0, :4] = [True, True, True, False]
    good, decided = outcomes(stable, sure, 2)
    assert good[0, :4].tolist() == [True, False, False, False]
    assert decided[0, :4].tolist() == [True, True, True, False]


def test_three_weeks_show_nothing_and_unknown_hours_are_blank() -> None:
    """Fewer than four weeks: not shown; an hour unknown in most weeks has no number."""
    stable = np.tile(WORKING, (3, 1))
    answer = best_hours(stable, all_shown(stable), 2)
    assert not answer.figures[0].shown
    assert "4 weeks" in answer.figures[0].needed
    stable = np.tile(WORKING, (6, 1))
    sure = all_shown(stable)
    sure[:4, 10] = False
    assert np.isnan(week_map(stable, sure, 1).probability[10])


def test_four_of_four_is_no_certainty() -> None:
    """Jeffreys for 4 of 4: lower end at the 2.5 % quantile of Beta(4.5,
    0.5) = 0.5555 (scipy's beta by hand).
    """
    chart = week_map(np.ones((4, HOURS), np.bool_), np.ones((4, HOURS), np.bool_), 1)
    assert float(chart.low[5]) == pytest.approx(0.5555, abs=0.002)


def test_jeffreys_lies_within_the_exact_interval() -> None:
    """13 weeks, 9 stable, no neighbours' help: inside Clopper & Pearson's exact interval
    (scipy.stats.binomtest).
    """
    stable = np.zeros((6, HOURS), np.bool_)
    stable[[0, 2, 5], 30] = True
    chart = week_map(stable, all_shown(stable), 1)
    exact = binomtest(3, 6).proportion_ci(0.95, "exact")
    assert exact.low < float(chart.low[30]) < 0.5 < float(chart.high[30]) < exact.high


def cover(runs: int, weeks: int, moods: float) -> float:
    """Share of start hours whose interval holds the true probability; weeks may have moods."""
    inside: list[Float] = []
    hours = np.arange(HOURS)
    true = np.clip(0.55 + 0.4 * np.sin(2 * np.pi * (hours % 24 - 8) / 24) - 0.2 * (hours >= 120), 0.03, 0.97)
    for seed in range(runs):
        chance = np.random.default_rng(seed)
        logit = np.log(true / (1 - true))
        mood = moods * chance.normal(size=(weeks, 1))
        p = 1 / (1 + np.exp(-(logit + mood)))
        # The probability that counts is the one over all moods.
        many = 1 / (1 + np.exp(-(logit + moods * chance.normal(size=(2000, 1)))))
        chart = week_map(chance.random((weeks, HOURS)) < p, np.ones((weeks, HOURS), np.bool_), 1)
        inside.append((chart.low <= many.mean(axis=0)) & (many.mean(axis=0) <= chart.high))
    return float(np.mean(inside))


def test_intervals_hold_the_true_probability() -> None:
    """8 and 26 weeks, even and with moods: nine of ten starts or more."""
    assert cover(4, 8, 0.0) >= 0.88
    assert cover(4, 26, 0.5) >= 0.85


@pytest.mark.long
def test_intervals_of_the_map_cover() -> None:
    """50 rooms each: 0.92 or more for 8, 13, 26 and 52 weeks, with and without moods."""
    for weeks in (8, 13, 26, 52):
        for moods in (0.0, 0.5):
            share = cover(50, weeks, moods)
            print(f"{weeks} weeks, moods {moods}: {share:.3f}")
            assert share >= 0.9


def test_starts_are_chosen_within_the_hours_of_use() -> None:
    """Always stable, used on Tuesday from 8 to 12: the best start lies there."""
    stable = np.ones((8, HOURS), np.bool_)
    use = np.zeros(HOURS, np.bool_)
    use[32:36] = True
    assert "Tue" in best_hours(stable, all_shown(stable), 1, use).headline
