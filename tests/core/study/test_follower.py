"""How fast a body follows: planted time constants come back, by another way too; too little is not shown."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logger.core.study.channel_record import ChannelRecord
from logger.core.study.follower import follower
from logger.series import Float
from tests.core.study.planted import day_course, record_of, red_noise

TAU_S = 3 * 3600.0


def following(air: Float, tau_s: float, noise: float, seed: int, step_s: int = 60) -> Float:
    """A body by the differential equation itself (scipy.integrate), not by our filter."""
    at = np.arange(len(air)) * float(step_s)
    solved = solve_ivp(
        lambda t, y: (np.interp(t, at, air) + 0.1 - y) / tau_s,
        (0, at[-1]), [air[0]], t_eval=at, max_step=step_s * 5, rtol=1e-6,
    )  # fmt: skip
    return np.asarray(solved.y[0] + noise * np.random.default_rng(seed).normal(size=len(air)))


def pair(
    seed: int, *, days: float = 5, tau_s: float = TAU_S, noise: float = 0.005
) -> tuple[ChannelRecord, ChannelRecord]:
    n = int(days * 1440)
    air = 20 + day_course(n, 0.4) + red_noise(n, 3600, 0.1, np.random.default_rng(seed))
    return record_of(air), record_of(following(air, tau_s, noise, seed))


@pytest.mark.slow
def test_a_planted_time_constant_comes_back() -> None:
    """3 h within 1 %, held; gain 1."""
    figure = follower(*pair(1)).figure("time constant")
    assert figure.value == pytest.approx(3.0, rel=0.01)
    assert figure.low is not None
    assert figure.high is not None
    assert figure.low <= 3.0 <= figure.high
    assert follower(*pair(1)).figure("gain").value == pytest.approx(1.0, abs=0.02)


@pytest.mark.long
def test_intervals_of_a_follower_cover() -> None:
    """30 bodies each of 3 h and 40 min: 0.9 or more."""
    for tau_s in (TAU_S, 2400.0):
        within = 0
        for seed in range(30):
            figure = follower(*pair(seed, tau_s=tau_s, days=3)).figure("time constant")
            assert figure.low is not None
            assert figure.high is not None
            within += figure.low <= tau_s / 3600 <= figure.high
        print(f"{tau_s / 60:.0f} min: cover {within / 30:.2f}")
        assert within >= 27


def test_quiet_air_and_a_short_record_are_not_shown() -> None:
    """Air that moves by its noise only; 2 h of a body of 3 h; fewer than 100 cells."""
    n = 3 * 1440
    quiet = 20 + 0.001 * np.random.default_rng(2).normal(size=n)
    body = 20 + 0.02 * np.random.default_rng(3).normal(size=n)
    assert not follower(record_of(quiet), record_of(body)).figures[0].shown
    air, part = pair(4, days=0.2)
    assert not follower(air, part).figures[0].shown
    assert "fewer than 100 cells" in follower(record_of(quiet[:50]), record_of(body[:50])).headline


@pytest.mark.slow
def test_the_longest_stretch_between_gaps_is_used() -> None:
    """A gap of 3 h on the second day: what follows it still gives the time constant."""
    air, body = pair(5, days=6)
    value = body.value.copy()
    value[1500:1680] = np.nan
    answer = follower(air, body.with_values(value))
    assert answer.figure("time constant").value == pytest.approx(3.0, rel=0.02)
    assert "116 h without a gap" in answer.remarks[0]
