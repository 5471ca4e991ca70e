"""Where to put the probe: the planted best position is named or said to be tied,
with the rms of left-out days.
"""

from __future__ import annotations

import numpy as np
import pytest

from logger.core.study.channel_record import ChannelRecord
from logger.core.study.representativeness import representativeness
from logger.series import Float
from tests.core.study.planted import day_course, record_of, red_noise


def room(
    seed: int, days: int = 7, candidates: int = 8
) -> tuple[dict[str, ChannelRecord], dict[str, ChannelRecord]]:
    """Candidates follow the volume with growing noise of their own: P0 is the best;
    three positions inside.
    """
    chance = np.random.default_rng(seed)
    n = days * 288
    common = 20 + day_course(n, 0.3, 300) + red_noise(n, 3 * 3600, 0.1, chance, 300)

    def near(own: float, offset: float) -> Float:
        return common + offset + red_noise(n, 3600, own, chance, 300) + 0.005 * chance.normal(size=n)

    permanent = {f"P{i}": record_of(near(0.03 + 0.015 * i, 0.1 * i), 300) for i in range(candidates)}
    return permanent, {f"V{i}": record_of(near(0.03, 0.0), 300) for i in range(3)}


def test_the_planted_best_position_is_named_or_tied() -> None:
    """Ten rooms: P0 is advised, or the record says that it is not worse than the one advised."""
    named = 0
    for seed in range(10):
        answer = representativeness(*room(seed))
        best = answer.tables["candidates"]["position"][0]
        named += best == "P0"
        tied = dict(
            zip(
                answer.tables["candidates"]["position"], answer.tables["candidates"]["not worse"], strict=True
            )
        )
        assert tied["P0"], best
    assert named >= 6


def test_the_rms_is_that_of_a_plain_computation() -> None:
    """Day by day: offset from the other days, squares of what is left, root of the mean of the days."""
    permanent, volume = room(3)
    answer = representativeness(permanent, volume)
    best = answer.tables["candidates"]["position"][0]
    v = np.mean([r.value for r in volume.values()], axis=0).reshape(7, 288)
    x = permanent[best].value.reshape(7, 288)
    squares = []
    for day in range(7):
        others = [d for d in range(7) if d != day]
        offset = (v[others] - x[others]).mean()
        squares.append(((v[day] - x[day] - offset) ** 2).mean())
    assert answer.figures[0].value == pytest.approx(float(np.sqrt(np.mean(squares))), rel=1e-6)


def test_the_rms_comes_true_in_the_weeks_after() -> None:
    """Four weeks: the rms of the first is within a factor of 1.3 of what the same choice leaves in
    the next three.
    """
    for seed in range(3):
        permanent, volume = room(seed, days=28)
        first = [{k: record_of(r.value[: 7 * 288], 300) for k, r in rs.items()} for rs in (permanent, volume)]
        answer = representativeness(*first)
        best = answer.tables["candidates"]["position"][0]
        offset = answer.tables["candidates"]["offset"][0]
        later = slice(7 * 288, None)
        v = np.mean([r.value[later] for r in volume.values()], axis=0)
        rms = np.sqrt(((v - permanent[best].value[later] - offset) ** 2).mean())
        assert answer.figures[0].value == pytest.approx(rms, rel=0.3)


def test_four_days_are_too_few() -> None:
    """Blocks are days; five are the least."""
    figure = representativeness(*room(1, days=4)).figures[0]
    assert not figure.shown
    assert figure.why_not.startswith("4 days")
    assert "7 days" in figure.needed


def test_a_candidate_with_gaps_is_named() -> None:
    """A candidate with 80 % of the cells does not take part."""
    permanent, volume = room(2)
    value = permanent["P0"].value.copy()
    value[: len(value) // 5] = np.nan
    permanent["P0"] = record_of(value, 300)
    answer = representativeness(permanent, volume)
    assert "P0" not in answer.tables["candidates"]["position"]
    assert any(line.startswith("P0 has readings in 80") for line in answer.remarks)


def test_micrometres_follow_from_the_length() -> None:
    """1 m of steel: 11.5 µm a kelvin (Swyt 1994)."""
    answer = representativeness(*room(1), um_per_K=11.5)
    assert answer.figure("on the length").value == pytest.approx(11.5 * (answer.figures[0].value or 0))
