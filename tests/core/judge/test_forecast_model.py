"""Forecasts against "it stays as it is": better where something can be known, silent where nothing can.

Made series, and an open recording (tests/data, with its source): an office with four probes.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from logger.core.judge.forecast import better_gain, gain, in_minutes
from logger.core.judge.forecast_model import DAY_MIN, HORIZONS, features, fit, learn, leaving, leavings
from logger.series import Float

DATA = Path(__file__).parents[2] / "data"
BAND = (19.6, 20.4)
WEEKS_4 = 28 * DAY_MIN


def red(n: int, memory_min: float, sd: float, seed: int) -> Float:
    from scipy.signal import lfilter

    keep = np.exp(-1 / memory_min)
    shocks = sd * np.sqrt(1 - keep**2) * np.random.default_rng(seed).normal(size=n)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def room(seed: int, days: int = 28) -> Float:
    """A course of the day of ±0.3 K, weather with a memory of 3 h, noise of the probe."""
    n = days * DAY_MIN
    noise = 0.01 * np.random.default_rng(seed + 1000).normal(size=n)
    return np.asarray(20 + 0.3 * np.cos(2 * np.pi * np.arange(n) / DAY_MIN) + red(n, 180, 0.1, seed) + noise)


@pytest.mark.slow
def test_a_course_of_the_day_is_foretold_better_than_staying() -> None:
    """The straight line is worse than staying on the same room; the regression is better, and proven so."""
    y = room(1)
    _, score = learn(y, len(y), BAND)
    assert score.forecasts > 1000
    assert score.error < 0.95 * score.staying
    assert score.t > 3
    assert gain(y, *BAND, 60).skill < 0


@pytest.mark.slow
def test_where_nothing_can_be_known_nothing_is_said() -> None:
    """A random walk has no skill to find: the gain is not proven, whatever its sign; nor is it by half."""
    silent = 0
    for seed in range(4):
        walk = 20 + np.cumsum(0.003 * np.random.default_rng(seed).normal(size=WEEKS_4))
        measured = better_gain(walk, (18.0, 22.0), (0, 60))
        silent += not measured.speaks
        assert measured.skill > -0.02
    assert silent >= 3


def test_a_young_record_is_silent() -> None:
    """Under two days there is no model, and the answer is that of before."""
    y = room(2, 2)[:-60]
    model, score = learn(y, len(y), BAND)
    assert (model, score.forecasts) == (None, 0)


@pytest.mark.slow
def test_forecasts_of_a_day_hang_on_earlier_days_only() -> None:
    """What comes later changes nothing: the score of 20 days is that of the first 20 of 28."""
    y = room(3)
    other = y.copy()
    other[20 * DAY_MIN :] += 5
    first, second = (learn(x[: 20 * DAY_MIN], 0, BAND)[1] for x in (y, other))
    assert first == second


def calibration(seeds: range) -> tuple[Float, Float]:
    """Probabilities and outcomes of leaving the band within the hour, on 14 days that took no part."""
    promised, came = [], []
    for seed in seeds:
        y = room(seed, 42)
        model, _ = learn(y[:WEEKS_4], WEEKS_4, BAND, 0.01)
        assert model is not None
        for at in range(WEEKS_4 + 60, len(y) - 60, 60):
            expected = leaving(model, y[WEEKS_4 : at + 1], WEEKS_4, BAND, 0.01)
            if expected is not None:
                ahead = y[at + 1 : at + 61]
                promised.append(expected.probability)
                came.append(bool(((ahead < BAND[0]) | (ahead > BAND[1])).any()))
    return np.array(promised), np.array(came, np.float64)


@pytest.mark.slow
def test_probabilities_of_leaving_come_true_on_days_not_learned_from() -> None:
    """Within 5 points on the whole, and better than the plain share (Brier 1950)."""
    promised, came = calibration(range(2))
    assert abs(promised.mean() - came.mean()) < 0.05
    assert ((promised - came) ** 2).mean() < 0.8 * came.var()


@pytest.mark.long
def test_probabilities_of_leaving_are_calibrated_by_classes() -> None:
    """Twelve rooms, 14 days each that took no part: mean distance of promise and share at most 5 points."""
    promised, came = calibration(range(12))
    number = np.digitize(promised, (0.1, 0.3, 0.5, 0.7, 0.9))
    off = 0.0
    for kind in np.unique(number):
        here = number == kind
        print(f"promised {promised[here].mean():.2f}, came true {came[here].mean():.2f}, {here.sum()} times")
        off += here.sum() * abs(promised[here].mean() - came[here].mean()) / len(promised)
    skill = 1 - ((promised - came) ** 2).mean() / came.var()
    print(f"miscalibration {off:.3f}, skill against the plain share {skill:+.2f}")
    assert off <= 0.05
    assert skill > 0.2


@pytest.mark.slow
def test_a_ramp_towards_a_limit_is_likely_to_cross() -> None:
    """0.6 K/h, 0.04 K below the limit: much likelier to leave than from rest in the middle."""
    y = room(4, 30)[: WEEKS_4 + 600]
    model, _ = learn(y[:WEEKS_4], WEEKS_4, BAND, 0.01)
    assert model is not None
    ramp = 20.36 - 0.6 * np.arange(90)[::-1] / 60
    near = leaving(model, ramp, WEEKS_4 + 600, BAND, 0.01)
    rest = leaving(model, np.full(90, 20.0), WEEKS_4 + 600, BAND, 0.01)
    assert near is not None
    assert rest is not None
    assert near.probability > 3 * rest.probability
    assert near.upper
    assert leaving(model, np.full(90, 20.6), WEEKS_4 + 600, BAND, 0.01) is None
    assert leaving(model, np.full(90, np.nan), WEEKS_4 + 600, BAND, 0.01) is None


def test_least_absolute_deviations_are_those_of_a_linear_programme() -> None:
    """Without a ridge to speak of the fit is that of scipy's `linprog`, another way to the same minimum."""
    from scipy.optimize import linprog

    chance = np.random.default_rng(5)
    x = chance.normal(size=(400, 3))
    y = x @ np.array([0.5, -0.2, 0.1]) + chance.standard_t(3, size=400)
    n, k = x.shape
    costs = np.concatenate((np.zeros(k), np.ones(n)))
    sides = np.block([[x, -np.eye(n)], [-x, -np.eye(n)]])
    bounds = [(None, None)] * k + [(0, None)] * n
    exact = linprog(costs, A_ub=sides, b_ub=np.concatenate((y, -y)), bounds=bounds).x[:k]
    assert fit(x, y, 1e9, 5) == pytest.approx(exact, abs=0.05)


def test_features_are_what_they_say() -> None:
    """On a straight line of 0.01 a minute every slope is 0.01·h, and the means lag by half their length."""
    y = 0.01 * np.arange(9 * DAY_MIN, dtype=np.float64)
    row = features(y, np.array([8 * DAY_MIN]), 30)[0]
    assert row[:2] == pytest.approx([0.3, 0.3])
    assert row[2] == pytest.approx(0.0, abs=1e-9)
    assert row[3] == pytest.approx(-0.045)
    assert row[4] == pytest.approx(-0.01 * (DAY_MIN - 1) / 2)
    assert row[5:7] == pytest.approx([0.3, 0.3])
    assert len(HORIZONS) == 12


def test_cells_become_whole_minutes() -> None:
    """Cells of 30 s from an odd one on: the first half minute is left out."""
    minutes, first = in_minutes(np.array([9.0, 1.0, 3.0, np.nan, 5.0]), 41, 30)
    assert (minutes.tolist(), first) == ([2.0, 5.0], 21)


def test_on_open_recordings_it_is_never_much_worse_than_staying() -> None:
    """Four probes of an office, every 30 s (UCI, tests/data): skill at least −0.02."""
    with (DATA / "uci_room_occupancy_4probe" / "Occupancy_Estimation.csv").open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    for name in ("S1_Temp", "S2_Temp", "S3_Temp", "S4_Temp"):
        y = np.array([float(row[name]) for row in rows])[::2]
        _, score = learn(y, len(y), (None, None))
        assert score.forecasts == 0 or score.error <= 1.02 * score.staying, name


@pytest.mark.parametrize(
    "seeds",
    [
        pytest.param(range(40, 42), marks=pytest.mark.slow),
        pytest.param(range(60, 72), marks=pytest.mark.long),
    ],
)
def test_the_band_holds_what_comes_in_8_cases_of_10(seeds: range) -> None:
    """On 14 days that took no part, 5 to 60 min ahead; within 6 points over rooms (10 and 90 % quantiles)."""
    ahead, inside = np.array(HORIZONS), []
    for seed in seeds:
        y = room(seed, 42)
        model, _ = learn(y[:WEEKS_4], WEEKS_4, BAND, 0.01)
        assert model is not None
        for at in range(WEEKS_4 + 60, len(y) - 60, 180):
            expected = leaving(model, y[WEEKS_4 : at + 1], WEEKS_4, BAND, 0.01)
            if expected is not None:
                low, high = expected.fan
                inside.append((low <= y[at + ahead]) & (y[at + ahead] <= high))
    shares = np.mean(inside, axis=0)
    print(f"held at 5, 30, 60 min: {shares[0]:.2f}, {shares[5]:.2f}, {shares[-1]:.2f}; {len(inside)} times")
    assert abs(float(shares.mean()) - 0.8) < 0.06


@pytest.mark.slow
def test_many_minutes_at_once_are_foretold_as_one_by_one() -> None:
    """Nothing behind a minute is known to it: the same probability as from a series that ends there."""
    y = 20 + red(WEEKS_4 + 2 * DAY_MIN, 240, 0.15, 3)
    y[WEEKS_4 + 700 : WEEKS_4 + 720] = np.nan
    model, _ = learn(y[:WEEKS_4], WEEKS_4, BAND, 0.01)
    assert model is not None
    minutes = np.arange(60, 2 * DAY_MIN, 97)
    together = leavings(model, y[WEEKS_4:], WEEKS_4, minutes, (BAND, 0.01))
    singly = [leaving(model, y[WEEKS_4 : WEEKS_4 + i + 1], WEEKS_4, BAND, 0.01) for i in minutes]
    assert [a and a.probability for a in together] == [b and b.probability for b in singly]
    assert sum(item is not None for item in together) > 10
