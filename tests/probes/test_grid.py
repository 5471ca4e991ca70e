"""The grid of polls against a clock that is set, slewed and held up."""

from __future__ import annotations

import threading
from itertools import pairwise

import pytest

from logger.probes.backoff import Backoff
from logger.probes.grid import PollGrid, divides_a_day

from .conftest import TurnedClock

WALL_S = 1_792_360_000.3
STOP = threading.Event()


def polls(
    clock: TurnedClock, interval_s: float, count: int, lasting_s: float = 0.03
) -> tuple[list[float], ...]:
    """Wall seconds of so many polls, steps that were seen, numbers of skipped polls."""
    grid = PollGrid(interval_s, 0.0, clock)
    walls, steps, skipped = [], [], []
    for _ in range(count):
        clock.pass_s(max(0.0, grid.due_s() - clock.now_s))
        steps.append(grid.arrive())
        walls.append(clock.wall_ns() / 1e9)
        clock.pass_s(lasting_s)
        skipped.append(float(grid.leave()))
    return walls, steps, skipped


def test_polls_lie_on_whole_intervals_of_utc() -> None:
    walls, steps, skipped = polls(TurnedClock(WALL_S, 1e6), 10.0, 20)
    assert walls == pytest.approx([1_792_360_010.0 + 10 * k for k in range(20)], abs=1e-5)
    assert not any(steps)
    assert not any(skipped)


@pytest.mark.parametrize("step_s", [-3600.4, 3600.0, -86400.0, 0.7], ids=lambda s: f"{s} s")
def test_no_poll_is_lost_when_the_wall_clock_is_set(step_s: float) -> None:
    """A scheduler on wall time went silent for an hour here; see also the clock's step being reported."""
    clock = TurnedClock(WALL_S, 1e6, {101.25: step_s})
    seen: list[float] = []
    grid = PollGrid(1.0, 0.0, clock)
    for _ in range(200):
        clock.pass_s(max(0.0, grid.due_s() - clock.now_s))
        seen.append(clock.now_s)
        step = grid.arrive()
        assert step == pytest.approx(step_s, abs=1e-5) or step == 0
        grid.leave()
    gaps = [b - a for a, b in pairwise(seen)]
    assert max(gaps) < 1.5
    assert min(gaps) > 0.25
    assert seen[-1] - seen[0] == pytest.approx(199, abs=1)
    assert clock.wall_ns() / 1e9 % 1 == pytest.approx(0, abs=1e-4)


def test_a_slow_change_of_the_clock_is_followed_without_a_step() -> None:
    clock = TurnedClock(WALL_S, 1e6, {float(k): 0.002 for k in range(10, 210)})
    walls, steps, _ = polls(clock, 1.0, 600)
    assert not any(steps)
    assert walls[-1] % 1 == pytest.approx(0, abs=0.005)


def test_polls_that_were_missed_because_one_took_long_are_counted() -> None:
    walls, _, skipped = polls(TurnedClock(WALL_S, 1e6), 10.0, 3, lasting_s=34.0)
    assert skipped == [3, 3, 3]
    assert [b - a for a, b in pairwise(walls)] == pytest.approx([40, 40], abs=1e-5)


@pytest.mark.parametrize(
    ("interval_s", "divides"), [(60, True), (0.5, True), (7, False), (0, False), (-60, False), (86400, True)]
)
def test_intervals_that_divide_a_day(interval_s: float, divides: bool) -> None:
    assert divides_a_day(interval_s) is divides


class Middle:
    """A source of chance that always lies in the middle."""

    def uniform(self, low: float, high: float) -> float:
        return (low + high) / 2


def test_the_pause_doubles_to_half_a_minute_and_only_an_answer_ends_it() -> None:
    backoff = Backoff(Middle())  # type: ignore[arg-type]
    pauses, now_s = [], 0.0
    for _ in range(10):
        assert backoff.may_ask(now_s)
        backoff.learn("timeout", now_s)
        pauses.append(next(p / 100 for p in range(1, 4000) if backoff.may_ask(now_s + p / 100)))
        now_s += pauses[-1]
    assert pauses == pytest.approx([0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 25.6, 30, 30], abs=0.011)
    backoff.learn("ok", now_s)
    assert backoff.failures == 0
    assert backoff.may_ask(now_s)
