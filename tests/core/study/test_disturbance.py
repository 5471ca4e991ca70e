"""What disturbs: planted doors are measured with intervals that hold;
no effect, too few and gaps are not shown.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logger.core.study.channel_record import ChannelRecord
from logger.core.study.disturbance import disturbance, jackknife
from logger.series import Float
from tests.core.study.planted import START_S, day_course, record_of, red_noise, wandering_cycle

DECAY_S = 600


def room(
    seed: int,
    *,
    days: int = 12,
    events: int = 20,
    size: float = 0.30,
    differ: float = 0.4,
    cycle: float = 0.0,
    pairs: bool = False,
) -> tuple[ChannelRecord, Float]:
    """Doors between 7 and 18 h that add `size`·exp(−t/10 min), each cell its mean, differing by 40 %."""
    chance = np.random.default_rng(seed)
    n = days * 1440
    at = np.arange(n) * 60.0
    value = 20 + day_course(n, 0.3) + red_noise(n, 3 * 3600, 0.08, chance) + 0.01 * chance.normal(size=n)
    value += cycle * wandering_cycle(n, 1200, 0.05, chance) if cycle else 0.0
    order = chance.permutation(np.arange(1, days - 1))
    begins = np.sort([order[i % len(order)] * 86_400 + chance.uniform(7, 18) * 3600 for i in range(events)])
    if pairs:  # each second one 8 to 25 min after the one before
        begins[1::2] = begins[::2][: len(begins) // 2] + chance.uniform(8, 25, len(begins) // 2) * 60
    for begin in begins:
        since, until = np.maximum(at - begin, 0), np.maximum(at + 60 - begin, 0)
        response = DECAY_S / 60 * (np.exp(-since / DECAY_S) - np.exp(-until / DECAY_S))
        value += size * (1 + differ * chance.normal()) * response
    return record_of(value), START_S + begins


def cover(runs: int, **how: float) -> tuple[float, float, float]:
    """Share of runs whose interval holds the size, with an effect shown, and whose area holds."""
    size = how.get("size", 0.30)
    inside = visible = areas = 0
    for seed in range(runs):
        answer = disturbance(*room(seed, **how))  # type: ignore[arg-type]
        peak, area = answer.figure("peak"), answer.figure("area")
        assert peak.low is not None
        assert peak.high is not None
        assert area.low is not None
        assert area.high is not None
        inside += peak.low <= size <= peak.high
        visible += peak.shown
        areas += area.low <= size * DECAY_S / 3600 <= area.high
    return inside / runs, visible / runs, areas / runs


def test_doors_at_one_hour_of_the_room_are_not_told_from_its_day_over_a_change_of_the_clock() -> None:
    """Every day at 08:00, seven days before the clocks are set back and seven after: two hours by UTC."""
    record, _ = room(1, days=16)
    changed = record.at_s >= START_S + 8 * 86_400
    local = replace(record, offset_s=np.where(changed, 3600, 7200).astype(np.int64))
    doors = [START_S + day * 86_400 + (7 if day >= 8 else 6) * 3600 for day in range(1, 15)]
    peak = disturbance(local, doors).figure("peak")
    assert not peak.shown
    assert "within one quarter of an hour of the day" in peak.why_not


def test_a_planted_door_is_measured() -> None:
    """20 doors of +0.30 K decaying in 10 min, differing by 40 %: 0.30 ±0.05 K at the peak, about 10 min."""
    answer = disturbance(*room(1))
    peak, decay = answer.figure("peak"), answer.figure("decay")
    assert peak.shown
    assert peak.value == pytest.approx(0.30, abs=0.05)
    assert decay.value == pytest.approx(10, rel=0.3)
    assert answer.headline.startswith("One event costs +0.")
    assert len(answer.tables["response"]["minute"]) == 18


@pytest.mark.slow
def test_intervals_hold_with_and_without_an_effect() -> None:
    """Three rooms each: the size is held, and no effect is shown where there is none."""
    assert cover(3)[0] == 1
    assert cover(3, size=0.0)[1] == 0


@pytest.mark.long
def test_intervals_cover_in_a_campaign() -> None:
    """60 rooms each: cover 0.90 or more, of the area too; alike, with a cycle of ±0.15 K, with 8 events, in
    pairs; false in at most 10 %.
    """
    kinds: list[dict[str, float]] = [
        {},
        {"differ": 0.0},
        {"cycle": 0.15},
        {"events": 8, "days": 14},
        {"pairs": True},
    ]
    for how in kinds:
        value, visible, area = cover(60, **how)
        print(f"{how}: cover {value:.2f}, shown {visible:.2f}, area {area:.2f}")
        assert value >= 0.9
        assert area >= 0.9
    false = cover(60, size=0.0)
    print(f"no effect: cover {false[0]:.2f}, shown {false[1]:.2f}, area {false[2]:.2f}")
    assert false[1] <= 0.1


def test_too_few_events_say_how_many_are_needed() -> None:
    """Seven events, and eight on five days."""
    record, events = room(2, events=7)
    peak = disturbance(record, events).figure("peak")
    assert not peak.shown
    assert "8 events or more on 6 days or more" in peak.needed
    assert (
        not disturbance(record, np.repeat(START_S + 86_400.0, 20) + np.arange(20) * 60).figure("peak").shown
    )


def test_events_at_one_time_of_day_cannot_be_told_from_its_course() -> None:
    """Ten days, each at 10:00 to 10:10."""
    record, _ = room(3)
    events = START_S + np.arange(1, 11) * 86_400.0 + 36_000 + np.arange(10) * 60
    peak = disturbance(record, events).figure("peak")
    assert "one quarter of an hour of the day" in peak.why_not


def test_events_that_fill_the_day_leave_nothing_to_compare_with() -> None:
    """One every hour, day and night."""
    record, _ = room(3)
    events = START_S + 3600.0 * np.arange(1, 12 * 24 - 2) + 100
    assert "of the time" in disturbance(record, events).figure("peak").why_not


def test_gaps_are_counted() -> None:
    """Gaps around most events: those left are too few, and the answer says how many."""
    record, events = room(4)
    value = record.value.copy()
    for at in events[:16]:
        place = int((at - START_S) // 60)
        value[place + 5 : place + 30] = np.nan
    peak = disturbance(record.with_values(value), events).figure("peak")
    assert not peak.shown
    assert peak.why_not.startswith("gaps leave")


def test_sparse_readings_are_refused() -> None:
    """Readings every 10 min do not see a door."""
    record, events = room(5)
    peak = disturbance(record_of(record.value[::10], 600), events).figure("peak")
    assert "readings every 10 min" in peak.why_not


def test_the_jackknife_of_a_mean_is_its_standard_error() -> None:
    """Efron & Tibshirani (1993), chapter 11: for a mean the jackknife equals s/√n."""
    x = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    without = np.array([np.delete(x, i).mean() for i in range(5)])
    assert float(jackknife(without)) == pytest.approx(x.std(ddof=1) / 5**0.5)
