"""How often intervals hold what was planted: each in some ten made rooms, and in a hundred or more (long).

The planted value is that of the process, not of the one record, where a figure speaks of the room as a rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import pytest

from logger.core.study.best_hours import HOURS, best_hours
from logger.core.study.causes import CauseInputs, causes
from logger.core.study.disturbance import disturbance
from logger.core.study.figure import Answer, Figure
from logger.core.study.follower import follower
from logger.core.study.forecast_skill import forecast_skill
from logger.core.study.representativeness import representativeness
from logger.core.study.set_back_return import Coming, set_back_return
from logger.core.study.slot_plan import choices_so_far
from logger.core.study.step_response import step_test
from logger.core.study.week_forecast import foretell
from logger.series import Float
from tests.core.study import (
    test_disturbance,
    test_follower,
    test_set_back_return,
    test_slot_plan,
    test_step_response,
)
from tests.core.study.planted import day_course, record_of, red_noise

STEP_S, DAY = 300, 288
Trial = Callable[[int], dict[str, bool | None]]


def holds(item: Figure, planted: float) -> bool | None:
    """Whether the interval holds a planted value; None where the figure is not shown."""
    if item.low is None or item.high is None:
        return None
    return bool(item.low <= planted <= item.high)


def named(answer: Answer, name: str) -> Figure | None:
    return next((item for item in answer.figures if item.name == name), None)


def cover(trial: Trial, seeds: Iterable[int]) -> dict[str, tuple[float, int]]:
    """Figure -> share of the trials that show it in which its interval holds, and how many those are."""
    outcomes = [trial(seed) for seed in seeds]
    shares = {}
    for name in sorted({name for outcome in outcomes for name in outcome}):
        shown = [outcome[name] for outcome in outcomes if outcome.get(name) is not None]
        shares[name] = (float(np.mean(shown)) if shown else float("nan"), len(shown))
        print(f"{trial.__name__}, {name}: cover {shares[name][0]:.3f} of {len(shown)}")
    return shares


def room_by_cause(
    seed: int, weeks: int = 26, memory_s: float = 2 * 86_400
) -> tuple[Answer, dict[str, float]]:
    """Outdoors 0.30, day 0.15 and a rest of 0.08 K by their processes; and what is planted by figure."""
    chance = np.random.default_rng(seed)
    n = weeks * 7 * DAY
    at = np.arange(n) * STEP_S
    outdoors = red_noise(n, memory_s, 1.0, chance, STEP_S)
    day = 2**0.5 * np.cos(2 * np.pi * (at / 86_400 - 0.5))
    value = 20 + 0.30 * outdoors + 0.15 * day + red_noise(n, 3600, 0.08, chance, STEP_S)
    squares = {"outdoors": 0.30**2, "day and week": 0.15**2, "rest": 0.08**2}
    answer = causes(record_of(value, STEP_S), CauseInputs(record_of(5 * outdoors, STEP_S)))
    return answer, {name: square**0.5 for name, square in squares.items()}


def variation(seed: int) -> dict[str, bool | None]:
    """26 weeks: whole variation, what is left without outdoors, and the rest."""
    answer, planted = room_by_cause(seed)
    without = (planted["day and week"] ** 2 + planted["rest"] ** 2) ** 0.5
    whole = (without**2 + planted["outdoors"] ** 2) ** 0.5
    left = named(answer, "left without outdoors")
    return {
        "whole variation": holds(answer.figure("whole variation"), whole),
        "left": None if left is None else holds(left, without),
        "rest": holds(answer.figure("rest"), planted["rest"]),
    }


def short_variation(seed: int) -> dict[str, bool | None]:
    """8 weeks of weather with a memory of half a day."""
    answer, planted = room_by_cause(seed, 8, 43_200)
    without = (planted["day and week"] ** 2 + planted["rest"] ** 2) ** 0.5
    left = named(answer, "left without outdoors")
    return {
        "whole variation": holds(answer.figure("whole variation"), (without**2 + 0.09) ** 0.5),
        "left": None if left is None else holds(left, without),
        "rest": holds(answer.figure("rest"), planted["rest"]),
    }


def one_step(seed: int) -> dict[str, bool | None]:
    """2 K, τ 2 h in red noise: size, and 95 % of it after 3 min and 3 τ (−ln 0.05 = 2.996)."""
    record, at = test_step_response.step(seed, red=0.03)
    answer = step_test(record, [at])
    if not answer.figures[0].shown:
        return {}
    ready = -np.log(0.05) * 2.0 + 0.05
    return {
        "size": holds(answer.figure("size of the largest step"), 2.0),
        "ready": holds(answer.figure("95 % of a step after"), float(ready)),
    }


def two_constants(seed: int) -> dict[str, bool | None]:
    """120 and 15 min in white noise of 0.01 K and red noise of 0.01 K: both, and the size."""
    record, at = test_step_response.step(seed, second_s=900.0, white=0.01, red=0.01)
    answer = step_test(record, [at])
    if not answer.figures[0].shown:
        return {}
    since = np.linspace(0, 10, 200_001)
    left = (2 * np.exp(-since / 2) - 0.25 * np.exp(-since / 0.25)) / 1.75
    ready = float(since[np.flatnonzero(left <= 0.05)[0]]) + 0.05
    second = named(answer, "second time constant")
    return {
        "τ": holds(answer.figures[0], 2.0),
        "second": None if second is None else holds(second, 15.0),
        "size": holds(answer.figure("size of the largest step"), 2.0),
        "ready": holds(answer.figure("95 % of a step after"), ready),
    }


def doors(seed: int) -> dict[str, bool | None]:
    """20 doors of 0.30 K that fade in 10 min: below 0.02 K after 10·ln 15 min."""
    answer = disturbance(*test_disturbance.room(seed), small=0.02)
    over = named(answer, "over after")
    return {"over after": None if over is None else holds(over, 10 * float(np.log(15)))}


def returns(seed: int, n: int = 14) -> dict[str, bool | None]:
    """Returns that scatter by 0.8 h: how early the bound is against the mean that was planted."""
    *observed, last = test_set_back_return.returns(seed, n + 1, 0.8)
    answer = set_back_return(observed, Coming(last.departure, last.outdoors), test_set_back_return.BAND)
    early, bound = named(answer, "early on average by it"), named(answer, "ready after, 9 of 10")
    if early is None or bound is None or not early.shown or bound.value is None:
        return {}
    mean = 20 + 4 * np.log(last.departure / test_set_back_return.BAND) - 0.4 * (last.outdoors or 0.0)
    return {"early": holds(early, bound.value - float(mean))}


def bodies(seed: int) -> dict[str, bool | None]:
    """A body of 40 min that follows the air with a gain of 1."""
    answer = follower(*test_follower.pair(seed, tau_s=2400.0, days=3))
    gain = named(answer, "gain")
    return {"gain": None if gain is None else holds(gain, 1.0)}


def three_best(seed: int) -> dict[str, bool | None]:
    """26 weeks with moods: the three starts that are advised, which are chosen for looking good."""
    chance, hours = np.random.default_rng(seed), np.arange(HOURS)
    true = np.clip(0.5 + 0.35 * np.sin(2 * np.pi * (hours % 24 - 8) / 24) - 0.2 * (hours >= 120), 0.05, 0.9)
    logit = np.log(true / (1 - true))
    p = 1 / (1 + np.exp(-(logit + 0.5 * chance.normal(size=(26, 1)))))
    many = (1 / (1 + np.exp(-(logit + 0.5 * chance.normal(size=(2000, 1)))))).mean(axis=0)
    answer = best_hours(chance.random((26, HOURS)) < p, np.ones((26, HOURS), np.bool_), 1)
    places = answer.tables["best"]["hour of week"]
    return {
        f"start {number}": holds(item, 100 * float(many[place]))
        for number, (item, place) in enumerate(zip(answer.figures, places, strict=True), start=1)
    }


def position_room(seed: int, memory_s: float) -> tuple[dict[str, Float], dict[str, Float]]:
    """28 days of 14 candidates, each with noise of its own of 0.030, 0.035, … K, and three in the volume."""
    chance, n = np.random.default_rng(seed), 28 * DAY
    common = 20 + day_course(n, 0.3, 300) + red_noise(n, 3 * 3600, 0.1, chance, 300)

    def near(own: float, offset: float) -> Float:
        return common + offset + red_noise(n, memory_s, own, chance, 300) + 0.005 * chance.normal(size=n)

    candidates = {f"P{i}": near(0.03 + 0.005 * i, 0.1 * i) for i in range(14)}
    return candidates, {f"V{i}": near(0.03, 0.0) for i in range(3)}


def positions(seed: int, memory_s: float) -> dict[str, bool | None]:
    """A week of a room: rms and offset of the advised position; what the two weeks after leave; the tie."""
    candidates, volume = position_room(seed, memory_s)
    first = [{k: record_of(x[: 7 * DAY], 300) for k, x in part.items()} for part in (candidates, volume)]
    answer = representativeness(*first)
    table = answer.tables["candidates"]
    name = str(table["position"][0])
    number, later = int(name[1:]), slice(7 * DAY, 21 * DAY)
    own = 0.03 + 0.005 * number
    rms = (own**2 + 0.005**2 + (0.03**2 + 0.005**2) / 3) ** 0.5
    left = np.mean([x[later] for x in volume.values()], axis=0) - candidates[name][later]
    times = float(next(line for line in answer.remarks if "Expect up to" in line).split()[3])
    came = float(np.sqrt(((left - table["offset"][0]) ** 2).mean()))
    tied = dict(zip(table["position"], table["not worse"], strict=True))
    three = {k: record_of(x[: 21 * DAY], 300) for k, x in volume.items()}
    longer = representativeness({name: record_of(candidates[name][: 21 * DAY], 300)}, three).figures[0]
    value = answer.figures[0].value or 0.0
    return {
        "rms": holds(answer.figures[0], rms),
        "offset": holds(answer.figures[1], -0.1 * number),
        "two weeks after": came <= times * value,
        "best or tied": bool(tied["P0"]),
        "within 10 % of three weeks": abs(value / (longer.value or 1.0) - 1) <= 0.1,
    }


def quick_positions(seed: int) -> dict[str, bool | None]:
    """What is left forgets within an hour."""
    return positions(seed, 3600)


def slow_positions(seed: int) -> dict[str, bool | None]:
    """What is left forgets within six hours: the rms of three weeks is then known to 10 % less often."""
    outcome = positions(seed, 6 * 3600)
    del outcome["within 10 % of three weeks"]
    return outcome


def very_slow_positions(seed: int) -> dict[str, bool | None]:
    """What is left forgets within a day."""
    outcome = positions(seed, 86_400)
    del outcome["within 10 % of three weeks"]
    return outcome


def chosen_starts(seed: int) -> dict[str, bool | None]:
    """The start that is advised for the week to come: its interval, against 0.87, which such starts kept.

    In 880 weeks of 20 other rooms of this kind the highest promises were 0.92 and came true in 0.87.
    """
    stable = test_slot_plan.random_weeks(seed)
    past = foretell(stable, np.ones(stable.shape, np.bool_))
    choices = choices_so_far(past, np.ones(HOURS, np.bool_))
    highest = float(past.ahead.max())
    value, low, high = choices.moved(highest)
    assert low is not None
    assert high is not None
    return {"start": low <= highest - 0.05 <= high, "value": abs(value - (highest - 0.05)) <= 0.08}


CAMPAIGNS: dict[str, tuple[Trial, float]] = {
    trial.__name__: (trial, least)
    for trial, least in (
        (variation, 0.9),
        (short_variation, 0.9),
        (one_step, 0.9),
        (two_constants, 0.9),
        (doors, 0.9),
        (returns, 0.9),
        (bodies, 0.9),
        (three_best, 0.9),
        (quick_positions, 0.9),
        (slow_positions, 0.9),
        (very_slow_positions, 0.85),
        (chosen_starts, 0.9),
    )
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CAMPAIGNS)
def test_intervals_hold_in_ten_rooms(name: str) -> None:
    """Ten made rooms: seven or more of ten intervals hold, of those that are shown."""
    for figure, (share, n) in cover(CAMPAIGNS[name][0], range(10)).items():
        assert n >= 4, figure
        assert share >= 0.7, figure


@pytest.mark.long
@pytest.mark.parametrize("name", CAMPAIGNS)
def test_intervals_hold_in_a_hundred_rooms(name: str) -> None:
    """120 made rooms that took no part in the ten."""
    trial, least = CAMPAIGNS[name]
    for figure, (share, n) in cover(trial, range(1000, 1120)).items():
        assert n >= 40, figure
        assert share >= least, figure


def forecast_figures(seeds: Iterable[int]) -> dict[str, list[Figure]]:
    """21 days of ±0.3 K over the day, weather with a memory of 3 h and noise of the probe, limits ±0.4 K."""
    figures: dict[str, list[Figure]] = {}
    for seed in seeds:
        chance, n = np.random.default_rng(seed), 21 * 1440
        value = 20 + day_course(n, 0.3) + red_noise(n, 3 * 3600, 0.1, chance) + 0.01 * chance.normal(size=n)
        for item in forecast_skill(record_of(value), (19.6, 20.4)).figures:
            if item.low is not None:
                figures.setdefault(item.name, []).append(item)
    return figures


@pytest.mark.long
def test_skill_and_crossings_hold_in_a_hundred_rooms() -> None:
    """The mean over the rooms is what a room has as a rule: nine of ten intervals hold it, or more.

    Skill is shown in nearly every room at 60 min; of the crossings a tenth or more are foretold at 50 %.
    """
    figures = forecast_figures(range(100))
    for name, items in figures.items():
        mean = float(np.mean([item.value or 0.0 for item in items]))
        share = float(np.mean([holds(item, mean) for item in items]))
        print(f"{name}: mean {mean:.3f}, cover {share:.2f} of {len(items)}")
        assert len(items) >= 80, name
        assert share >= 0.9, name
    assert np.mean([item.shown for item in figures["skill at 60 min"]]) >= 0.9
    assert np.mean([item.value or 0.0 for item in figures["of the crossings, foretold at 50 % or more"]]) > 10
    assert np.mean([item.value or 0.0 for item in figures["of those foretold, came true"]]) > 50


@pytest.mark.slow
def test_skill_holds_in_a_few_rooms() -> None:
    """Four rooms: 0.18 at 60 min, the mean of a hundred rooms, is held in three or more."""
    items = forecast_figures(range(4))["skill at 60 min"]
    assert sum(bool(holds(item, 0.18)) for item in items) >= 3
