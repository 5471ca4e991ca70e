"""Did it help: a planted shift is found with the weather taken out,
and what cannot be told apart is not shown.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.core.study.channel_record import ChannelRecord
from logger.core.study.intervention import Comparison, before_and_after
from tests.core.study.planted import DAY_S, START_S, record_of, red_noise


def room(
    seed: int,
    *,
    days: int = 56,
    shift: float = -0.20,
    memory_d: float = 1.0,
    sd: float = 0.08,
    season_K: float = 0.0,
) -> tuple[ChannelRecord, ChannelRecord, Comparison]:
    """A room that takes 3 % of outdoors (±8 K), shifted in the middle; noise with a memory of days."""
    chance = np.random.default_rng(seed)
    n = days * 24
    at = np.arange(n) / 24
    outdoors = 10 + 4 * red_noise(n, 3 * DAY_S, 1.0, chance, 3600) + 5 * np.cos(2 * np.pi * (at - 0.6))
    outdoors += season_K * at / days
    step_s = START_S + days // 2 * DAY_S + 12 * 3600
    value = 20 + 0.03 * outdoors + red_noise(n, memory_d * DAY_S, sd, chance, 3600)
    value += shift * (START_S + np.arange(n) * 3600 >= step_s)
    return record_of(value, 3600), record_of(outdoors, 3600), Comparison(step_s)


def cover(runs: int, shift: float, memory_d: float) -> tuple[float, float]:
    """Share of runs whose interval holds the shift, and in which a shift is shown."""
    inside = visible = counted = 0
    for seed in range(runs):
        record, outdoors, what = room(seed, shift=shift, memory_d=memory_d)
        level = before_and_after(record, what, outdoors).figures[0]
        if level.low is None or level.high is None:
            continue
        counted += 1
        inside += level.low <= shift <= level.high
        visible += level.shown
    return inside / counted, visible / counted


@pytest.mark.slow
def test_a_planted_shift_is_within_its_interval() -> None:
    """−0.20 K in 28 + 28 days: held in nearly every run; without a shift, hardly ever one is shown."""
    assert cover(12, -0.20, 1.0)[0] >= 0.85
    assert cover(12, 0.0, 3.0)[1] <= 0.1


@pytest.mark.long
def test_intervals_of_the_shift_cover() -> None:
    """100 runs each: cover 0.93 or more, false shifts in at most 5 of 100, at memories of 1 and 3 days."""
    for memory_d in (1.0, 3.0):
        value, false = cover(100, -0.20, memory_d)[0], cover(100, 0.0, memory_d)[1]
        print(f"memory {memory_d} d: cover {value:.2f}, false {false:.2f}")
        assert value >= 0.93
        assert false <= 0.05


def test_a_quiet_room_shows_the_shift_to_five_hundredths() -> None:
    """Daily noise of 0.03 K: −0.20 ±0.05 K, and the plain difference beside it."""
    record, outdoors, what = room(3, sd=0.03, season_K=3.0)
    answer = before_and_after(record, what, outdoors)
    level = answer.figures[0]
    assert level.shown
    assert level.value == pytest.approx(-0.20, abs=0.05)
    assert answer.figure("plain difference").value is not None
    assert "weather taken out" in answer.headline


def test_a_season_misleads_the_plain_difference() -> None:
    """A month that warms outdoors by 5 K: the plain difference lies beyond the interval,
    and is said to mislead.
    """
    record, outdoors, what = room(5, sd=0.02, season_K=9.0)
    answer = before_and_after(record, what, outdoors)
    assert answer.figures[0].value == pytest.approx(-0.20, abs=0.05)
    plain = answer.figure("plain difference").value or 0.0
    assert plain > -0.15
    assert "would mislead" in answer.headline


def test_weather_that_does_not_overlap_is_refused() -> None:
    """After is 20 K colder than any day before: not shown, and what to wait for."""
    record, outdoors, what = room(1)
    cold = outdoors.value - 40 * (outdoors.at_s >= what.at_s)
    answer = before_and_after(record, what, outdoors.with_values(cold))
    assert not answer.figures[0].shown
    assert "colder than before" in answer.figures[0].why_not
    assert "Wait for days" in answer.figures[0].needed


def test_six_days_on_a_side_are_too_few() -> None:
    """Days with fewer than 18 h do not count."""
    record, outdoors, what = room(1, days=12)
    level = before_and_after(record, what, outdoors).figures[0]
    assert not level.shown
    assert "whole days before the intervention" in level.why_not
    assert "7 days or more" in level.needed


def test_an_intervention_inside_a_gap_is_answered_from_what_is_there() -> None:
    """Five days lack around it: the rest still holds the shift."""
    record, outdoors, what = room(2, sd=0.03)
    gap = np.abs(record.at_s - what.at_s) < 2.5 * DAY_S
    answer = before_and_after(record.with_values(np.where(gap, np.nan, record.value)), what, outdoors)
    level = answer.figures[0]
    assert "The intervention lies in a gap of 119 h: whatever else" in answer.remarks[-1]
    assert level.shown
    assert level.value == pytest.approx(-0.20, abs=0.07)


def test_another_intervention_inside_is_refused() -> None:
    """Two at once cannot be told apart."""
    record, outdoors, what = room(1)
    two = replace(what, others_s=(what.at_s + 5 * DAY_S,))
    assert "other intervention lies inside" in before_and_after(record, two, outdoors).figures[0].why_not


def test_without_outdoors_the_answer_says_so() -> None:
    """The shift is printed as not separated from the weather."""
    record, _, what = room(4, sd=0.02)
    answer = before_and_after(record, what)
    assert "not separated from the weather" in answer.headline
    assert any("No outdoor channel" in line for line in answer.remarks)


@pytest.mark.slow
def test_weekdays_have_levels_of_their_own() -> None:
    """A set-back of 0.8 K at weekends hides a shift of −0.15 K from plain days; with weekdays it is held."""
    record, outdoors, what = room(2, days=112, shift=-0.15, sd=0.04)
    day = (np.arange(len(record)) // 24) % 7
    set_back = record.with_values(record.value + 0.8 * np.isin(day, (5, 6)))
    level = before_and_after(set_back, what, outdoors).figures[0]
    assert level.low is not None
    assert level.high is not None
    assert level.low <= -0.15 <= level.high
    assert level.high - level.low < 0.12
