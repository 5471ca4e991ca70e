"""Ready on Monday: bounds of 9 in 10 come true on returns that were not fitted;
what was never seen is refused.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import t

from logger.core.study.set_back_return import Coming, Return, set_back_return

BAND = 0.5


def returns(seed: int, n: int, scatter: float = 0.8) -> list[Return]:
    """R = 20 + 4·ln(D/band) − 0.4·outdoors ± 0.8 h."""
    chance = np.random.default_rng(seed)
    items = []
    for i in range(n):
        departure, outdoors = float(chance.uniform(1.5, 4)), float(chance.uniform(0, 12))
        hours = 20 + 4 * np.log(departure / BAND) - 0.4 * outdoors + scatter * chance.normal()
        items.append(Return(i * 604_800, departure, outdoors, float(hours)))
    return items


def promises(scatter: float, n: int, rooms: int = 200) -> tuple[list[float], int]:
    """Hours by which the bound was early, of those rooms in which it is shown; and in how many it is not."""
    early, refused = [], 0
    for seed in range(rooms):
        *observed, last = returns(seed, n + 1, scatter)
        figures = set_back_return(observed, Coming(last.departure, last.outdoors), BAND).figures
        bound = next((item for item in figures if item.name == "ready after, 9 of 10"), figures[0])
        if bound.shown and bound.value is not None and last.hours is not None:
            early.append(bound.value - last.hours)
        else:
            refused += 1
    return early, refused


@pytest.mark.slow
@pytest.mark.parametrize("n", [12, 20])
def test_sixteen_of_twenty_are_ready_by_the_bound_and_not_early_by_far(n: int) -> None:
    """One return not fitted in each of 200 rooms: 16 of 20 ready or more, on average 1.5 h early at most."""
    early, refused = promises(0.8, n)
    assert len(early) > 130
    assert 0.8 <= np.mean(np.array(early) >= 0) <= 0.96
    assert np.mean(early) <= 1.5
    assert refused > 0  # colder than any return of the record


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [0.3, 0.8, 2.0])
@pytest.mark.parametrize("n", [8, 12, 20, 40])
def test_the_interval_of_the_scatter_holds_what_was_planted(n: int, scatter: float) -> None:
    """Rooms of 8 to 40 returns: 0.9 or more of the intervals hold the planted hours."""
    inside = list[bool]()
    for seed in range(60):
        *observed, last = returns(seed, n + 1, scatter)
        answer = set_back_return(observed, Coming(last.departure, last.outdoors), BAND)
        item = next((item for item in answer.figures if item.name == "scatter of a return"), None)
        if item is not None:
            assert item.low is not None
            assert item.high is not None
            inside.append(item.low <= scatter <= item.high)
    print(f"{n} returns, {scatter} h: cover {np.mean(inside):.3f} of {len(inside)}")
    assert len(inside) >= 40
    assert np.mean(inside) >= 0.9


def two_node_rooms(rooms: int, n: int) -> list[list[Return]]:
    """Returns of rooms with air and walls: a set-back of 44 to 64 h, then a plant of limited power."""
    chance, dt = np.random.default_rng(5), 0.1
    low, high = np.array([[0.3, 6, 8, 1.5, 2, 0.5], [1.2, 30, 40, 4, 10, 3]])
    air_h, wall_h, out_h, power, season, gain = (chance.uniform(low, high, (rooms, 6))).T
    weather, listed = np.zeros(rooms), [list[Return]() for _ in range(rooms)]
    for number in range(n):
        weather = 0.5 * weather + 3 * chance.normal(size=rooms)
        outdoors, length = season + weather, chance.uniform(44, 64, rooms)
        air = np.full(rooms, 20.0)
        wall, ready = air.copy(), np.full(rooms, np.nan)

        def drift(air: np.ndarray, wall: np.ndarray, outdoors: np.ndarray = outdoors) -> np.ndarray:
            return np.asarray((wall - air) / air_h + (outdoors + 6 - air) / out_h)

        for k in range(640):
            more = np.where(k * dt < length, dt, 0.0)
            air, wall = air + more * drift(air, wall), wall + more * (air - wall) / wall_h
        departure, most = np.abs(air - 20), power * np.exp(0.03 * chance.normal(size=rooms))
        for k in range(1000):
            plant = np.clip(4 * gain * (20 - air), -most, most)
            air, wall = air + dt * (drift(air, wall) + plant), wall + dt * (air - wall) / wall_h
            here = (np.abs(air - 20) < BAND) & (np.abs(wall - 20) < BAND) & np.isnan(ready)
            ready[here] = (k + 1) * dt
        ready *= np.exp(0.04 * chance.normal(size=rooms))
        for j in range(rooms):
            hours = None if np.isnan(ready[j]) else float(ready[j])
            at_s, outside = number * 604_800, float(outdoors[j] + 0.5 * chance.normal())
            listed[j].append(Return(at_s, float(departure[j]), outside, hours))
    return listed


@pytest.mark.slow
def test_the_bound_holds_in_rooms_of_air_and_walls() -> None:
    """150 rooms that no formula made, one return not fitted: 16 of 20 ready, 1.5 h early at most."""
    early = []
    for *observed, last in two_node_rooms(150, 21):
        figures = set_back_return(observed, Coming(last.departure, last.outdoors), BAND).figures
        bound = next((item for item in figures if item.name == "ready after, 9 of 10"), figures[0])
        if bound.shown and bound.value is not None and last.hours is not None:
            early.append(bound.value - last.hours)
    ready = float(np.mean(np.array(early) >= 0))
    print(f"shown in {len(early)} of 150, ready {ready:.2f}, early {np.mean(early):.2f} h")
    assert len(early) > 30
    assert ready >= 0.8
    assert np.mean(early) <= 1.5


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [1.2, 3.0])
def test_returns_that_scatter_have_no_bound(scatter: float) -> None:
    """3 h of scatter made the bound 4.1 to 4.9 h early; the few that are shown keep 16 of 20."""
    early, refused = promises(scatter, 12)
    assert refused > 0.6 * 200
    if len(early) > 10:
        assert np.mean(np.array(early) >= 0) >= 0.8
    assert np.mean(early or [0.0]) <= 1.5
    answer = set_back_return(returns(1, 12, 3.0), Coming(2.5, 6.0), BAND)
    bound = answer.figure("ready after, 9 of 10")
    assert not bound.shown
    assert "early on average; 1.5 h is the most." in bound.why_not
    assert answer.figures[0].shown  # the half of them
    assert "when 9 of 10 are is not shown: returns scatter by " in answer.headline


def test_eight_returns_say_when_half_are_ready_and_no_more() -> None:
    """With 8, a bound passed only where the scatter was small by chance, and held in 0.77 of rooms."""
    answer = set_back_return(returns(2, 8), Coming(2.5, 6.0), BAND)
    half, bound = answer.figures[0], answer.figure("ready after, 9 of 10")
    assert half.shown
    assert half.low < half.value < half.high
    assert bound.why_not == "8 returns recorded."
    assert any(line.startswith("Each of the 8 returns foretold from the others:") for line in answer.remarks)


def test_the_bound_is_that_of_another_optimiser() -> None:
    """Coefficients by scipy's `least_squares` with Huber's loss; one further value on that plane."""
    observed, at = returns(5, 20), np.array([1.0, np.log(2.2 / BAND), 6.0])
    design = np.array([[1.0, np.log(r.departure / BAND), r.outdoors] for r in observed])
    y = np.log([r.hours for r in observed])
    scale = 0.05
    for _ in range(30):
        fit = least_squares(
            lambda b: design @ b - y, np.zeros(3), loss="huber", f_scale=1.345 * scale, xtol=1e-12
        )
        rest = y - design @ fit.x
        scale = 1.4826 * np.sort(np.abs(rest))[11]  # the middle of 20 residuals of which 3 may be 0
    weight = np.minimum(1, 1.345 * scale / np.abs(rest))
    sd = np.sqrt((np.maximum(rest, -1.345 * scale) ** 2).sum() / 17)
    wide = np.sqrt(1 + at @ np.linalg.inv(design.T @ np.diag(weight) @ design) @ at)
    answer = set_back_return(observed, Coming(2.2, 6.0), BAND)
    assert answer.figures[0].value == pytest.approx(np.exp(at @ fit.x), rel=1e-4)
    bound = np.exp(at @ fit.x + t.ppf(0.9, 17) * sd * wide)
    assert answer.figure("ready after, 9 of 10").value == pytest.approx(bound, rel=1e-4)


def test_one_return_that_was_ready_at_once_does_not_spoil_the_others() -> None:
    """Eleven that took 24 h and one of 5 h: least squares said 52 h, where no return took more than 24.4."""
    hours = [24.1, 24.4, 24.3, 24.4, 24.3, 24.2, 24.0, 24.1, 4.9, 24.3, 23.9, 24.2]
    departures = [0.95, 1.02, 1.03, 0.9, 0.83, 0.72, 0.67, 0.66, 0.57, 0.62, 0.56, 0.55]
    observed = [Return(i, d, None, h) for i, (d, h) in enumerate(zip(departures, hours, strict=True))]
    bound = set_back_return(observed, Coming(0.7, None), BAND).figure("ready after, 9 of 10")
    assert bound.shown
    assert 24 <= bound.value <= 25.5


def test_too_few_and_unfinished_returns_are_not_shown() -> None:
    """Seven returns; and one of the last eight that never got there."""
    figure = set_back_return(returns(1, 7), Coming(2.0, 5.0), BAND).figures[0]
    assert figure.why_not == "7 returns recorded."
    late = [*returns(2, 11), Return(10**9, 2.0, 5.0, None)]
    assert (
        "did not get there in 1 of the last 8"
        in set_back_return(late, Coming(2.0, 5.0), BAND).figures[0].why_not
    )


def test_colder_than_any_return_is_refused() -> None:
    """Outdoors −10 °C where 0 to 12 were seen; and a departure never seen."""
    cold = set_back_return(returns(3, 20), Coming(2.0, -10.0), BAND).figures[0]
    assert not cold.shown
    assert "below every return in the record" in cold.why_not
    far = set_back_return(returns(3, 20), Coming(9.0, 5.0), BAND).figures[0]
    assert "above every return" in far.why_not


def test_without_outdoors_the_answer_says_what_it_does_not_know() -> None:
    """A bound from the departure alone."""
    answer = set_back_return(returns(4, 20), Coming(2.0, None), BAND)
    assert answer.figures[0].shown
    assert any("Without outdoors" in line for line in answer.remarks)
