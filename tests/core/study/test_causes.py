"""What to mend first: planted causes are recovered, one that does nothing is not shown,
the rest is what it was.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from logger.core.study.causes import CauseInputs, causes
from logger.core.study.channel_record import ChannelRecord
from tests.core.study.planted import START_S, record_of, red_noise, wandering_cycle

STEP_S = 300
DAY = 288


def room(
    seed: int, *, weeks: int = 26, sizes: tuple[float, float, float] = (0.30, 0.15, 0.05), people: float = 0.0
) -> tuple[ChannelRecord, CauseInputs]:
    """Outdoors, day and doors of these standard deviations, a rest of 0.08 K, people who do `people` K."""
    chance = np.random.default_rng(seed)
    n = weeks * 7 * DAY
    at = np.arange(n) * STEP_S
    outdoors = 4 * red_noise(n, 2 * 86_400, 1.0, chance, STEP_S)
    day = np.cos(2 * np.pi * (at / 86_400 - 0.6))
    working = (at // 86_400 % 7 < 5) & (at % 86_400 > 7 * 3600) & (at % 86_400 < 17 * 3600)
    present = (working & np.repeat(chance.random(n // DAY) < 0.8, DAY)).astype(float)
    doors = np.flatnonzero(working & (chance.random(n) < 0.05))
    door = np.zeros(n)
    for k in range(12):  # the means over cells of what fades from the start of the first one on
        place = doors + k
        np.add.at(door, place[place < n], np.exp(-k / 2))
    value = (
        20 + sizes[0] * outdoors / outdoors.std() + sizes[1] * day / day.std() + sizes[2] * door / door.std()
    )
    value += red_noise(n, 3600, 0.08, chance, STEP_S) + people * present
    inputs = CauseInputs(record_of(outdoors, STEP_S), record_of(present, STEP_S), START_S + doors * STEP_S)
    return record_of(value, STEP_S), inputs


def test_planted_causes_are_recovered() -> None:
    """0.30, 0.15 and 0.05 K within 15 %; people who do nothing are not shown; the rest is 0.08 K."""
    answer = causes(*room(1), um_per_K=11.5)
    for name, size in (("outdoors", 0.30), ("day and week", 0.15), ("doors", 0.05)):
        figure = answer.figure(name)
        assert figure.shown, name
        assert figure.value == pytest.approx(size, rel=0.15)
    assert not answer.figure("people").shown
    rest = answer.figure("rest")
    assert rest.value == pytest.approx(0.08, rel=0.15)
    assert 0.06 < rest.low < 0.08 < rest.high < 0.1
    assert answer.headline.startswith("Start with outdoors: without it, 0.3")
    assert "µm on the length" in answer.headline


@pytest.mark.slow
@pytest.mark.parametrize("fading_min", [5, 20, 40])
def test_doors_cost_what_they_cost_however_fast_they_fade(fading_min: int) -> None:
    """Doors at any instant, 0.25 K each: their share is held by its interval and within 3 % in the mean."""
    ratios, n, fade = list[float](), 26 * 7 * 1440, np.exp(-1 / fading_min)
    for seed in range(4):
        chance = np.random.default_rng(seed)
        day = np.repeat(np.arange(26 * 7), chance.poisson(8, 26 * 7))
        doors = np.sort(day * 1440 + chance.uniform(6 * 60, 18 * 60, len(day)))
        jumps = np.bincount(doors.astype(int), 0.25 * fade ** (np.ceil(doors) - doors - 0.5), n)
        door = np.asarray(lfilter([1.0], [1.0, -fade], jumps)).reshape(-1, 5).mean(axis=1)
        value = 20 + door + red_noise(len(door), 86_400, 0.05, chance, STEP_S)
        value += 0.03 * chance.normal(size=len(door))
        figure = causes(record_of(value, STEP_S), CauseInputs(doors_s=START_S + doors * 60)).figure("doors")
        assert figure.low is not None
        assert figure.high is not None
        assert figure.low <= door.std() <= figure.high
        ratios.append(float(figure.value or 0.0) / float(door.std()))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("cycle", [0.0, 0.1])
def test_the_interval_of_the_rest_holds_what_was_planted(cycle: float) -> None:
    """40 rooms of 8 weeks, 0.08 K of rest, without and with a cycle: 0.9 or more of the intervals hold it."""
    inside = list[bool]()
    for seed in range(100, 140):
        record, inputs = room(seed, weeks=8)
        if cycle:
            wave = cycle * wandering_cycle(len(record), 2400, 0.05, np.random.default_rng(seed), STEP_S)
            record = record.with_values(record.value + wave)
            inputs = replace(inputs, cycle_amplitude=cycle, u_cycle=0.002)
        rest = causes(record, inputs).figure("rest")
        assert rest.low is not None
        assert rest.high is not None
        inside.append(rest.low <= 0.08 <= rest.high)
    print(f"rest, cycle {cycle:g} K: cover {np.mean(inside):.3f}")
    assert np.mean(inside) >= 0.9


@pytest.mark.long
def test_intervals_of_the_causes_cover() -> None:
    """40 rooms: within 15 % in 95 of 100, held by the interval in 90 of 100,
    people shown in at most 10 of 100.
    """
    near = {"outdoors": 0, "day and week": 0, "doors": 0}
    value, rest, false, runs = dict(near), 0, 0, 40
    for seed in range(runs):
        answer = causes(*room(seed))
        for name, size in (("outdoors", 0.30), ("day and week", 0.15), ("doors", 0.05)):
            figure = answer.figure(name)
            near[name] += abs((figure.value or 0) / size - 1) < 0.15
            value[name] += (figure.low or 0) <= size <= (figure.high or 0)
        rest += (answer.figure("rest").low or 0) <= 0.08 <= (answer.figure("rest").high or 0)
        false += answer.figure("people").shown
    print(near, value, f"rest {rest}", false)
    assert rest >= 0.9 * runs
    assert min(near.values()) >= 0.9 * runs
    assert min(value.values()) >= 0.85 * runs
    assert false <= 0.1 * runs


def test_nothing_planted_shows_nothing() -> None:
    """A room of noise: no cause is shown, and the sentence says that the recorded causes do not
    explain it.
    """
    answer = causes(*room(2, weeks=12, sizes=(0.0, 0.0, 0.0)))
    names = ("outdoors", "day and week", "doors", "people")
    assert not any(answer.figure(name).shown for name in names)
    assert answer.headline == "The causes that are recorded do not explain this room."


def test_what_remains_is_never_below_the_rest() -> None:
    """People who cool at hours at which the day warms hide a part of each other: 0.30 K of day and 0.30 K of
    people make 0.27 K together. In quadrature 0 K remained where the rest alone is 0.08 K.
    """
    record, inputs = room(8, sizes=(0.0, 0.0, 0.0))
    assert inputs.people is not None
    at, present = np.arange(len(record)) * STEP_S, inputs.people.value
    value = record.value + 0.42 * np.cos(2 * np.pi * (at / 86_400 - 0.5)) - 0.65 * present
    answer = causes(record.with_values(value), CauseInputs(people=inputs.people))
    table, rest = answer.tables["causes"], answer.figure("rest").value or 0.0
    left = [x for x in table["left"] if x is not None]
    assert len(left) == 2
    assert min(left) >= rest
    assert left[-1] == pytest.approx(rest)
    assert any("Causes work against each other" in line for line in answer.remarks)
    # Without the first the variance is that of the channel without its effect, computed plainly.
    gone = {"people": 0.65 * present, "day and week": -0.42 * np.cos(2 * np.pi * (at / 86_400 - 0.5))}
    first = table["cause"][0]
    assert left[0] == pytest.approx(float((value + gone[first]).std()), rel=0.05)
    figure = answer.figure(f"left without {first}")
    assert figure.low <= left[0] <= figure.high
    assert answer.headline.startswith("Fix what follows the day and the week")
    assert "together, since they work against each other: 0.28 K would become 0.10 K" in answer.headline


def test_a_cycle_that_means_over_cells_hide_counts_in_the_whole() -> None:
    """12 min ±0.20 K: means over 5 min have sinc(5/12)² = 0.545 of its variance; the rest stays 0.08 K."""
    record, inputs = room(9, weeks=12, sizes=(0.0, 0.0, 0.0))
    wave = 0.20 * np.sin(2 * np.pi * np.arange(len(record)) * STEP_S / 720.7)
    seen = float(np.sinc(300 / 720.7) ** 2)
    means = record.with_values(record.value + seen**0.5 * wave)
    cycle = CauseInputs(inputs.outdoors, cycle_amplitude=0.20, u_cycle=0.002, cycle_seen=seen)
    answer = causes(means, cycle)
    assert answer.figure("rest").value == pytest.approx(0.08, rel=0.1)
    assert answer.figure("whole variation").value == pytest.approx((0.08**2 + 0.02) ** 0.5, rel=0.05)


def test_seven_weeks_are_too_few() -> None:
    """Not shown, with what to record."""
    figure = causes(*room(3, weeks=7)).figures[0]
    assert not figure.shown
    assert figure.why_not == "7 weeks recorded."
    assert "8 weeks" in figure.needed


def test_what_is_not_recorded_is_named() -> None:
    """Without outdoors its share stands elsewhere, and the answer says so."""
    record, _ = room(4, weeks=8)
    answer = causes(record, CauseInputs())
    assert any("Outdoors was not recorded" in line for line in answer.remarks)


def test_two_causes_that_move_together_are_one() -> None:
    """A second record that repeats outdoors is merged with it."""
    record, inputs = room(5, weeks=8)
    assert inputs.outdoors is not None
    twin = CauseInputs(inputs.outdoors, inputs.outdoors.with_values(inputs.outdoors.value + 50))
    answer = causes(record, twin)
    assert answer.figure("outdoors or people").shown


def test_the_cycle_takes_part() -> None:
    """±0.14 K is 0.10 K of standard deviation, and the rest is smaller by it."""
    record, inputs = room(6, weeks=10)
    cycle, u = 0.10 * 2**0.5, 0.01 * 2**0.5
    answer = causes(record, CauseInputs(inputs.outdoors, cycle_amplitude=cycle, u_cycle=u))
    item = answer.figure("cycle")
    assert (item.low, item.value, item.high) == pytest.approx((0.08, 0.10, 0.12))
