"""A judgement that is extended minute by minute is the one that is made of the whole record at once."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.core.evidence.grid import Grid
from logger.core.judge.judgement import Judgement
from logger.core.judge.live import Trail, begin_trail, extend_trail
from logger.core.judge.settings import judge_over
from logger.core.judge.settling import at_start_of_record
from logger.instants import NS
from logger.model import Setup
from logger.series import Readings
from tests.core.judge.test_judgement import random_record

DAYS = 2
Known = Mapping[str, Readings]


def until(readings: Known, now_ns: int) -> dict[str, Readings]:
    """What had been taken by then, as if it arrived at once."""
    return between(readings, -(2**62), now_ns)


def between(readings: Known, from_ns: int, to_ns: int) -> dict[str, Readings]:
    """What was taken in [from, to)."""
    result = {}
    for key, some in readings.items():
        part = slice(*np.searchsorted(some.taken_ns, [from_ns, to_ns]))
        result[key] = Readings(*(column[part] for column in vars(some).values()))
    return result


def whole(build: SimpleNamespace, setup: Setup, readings: Known, now_ns: int, marks: object) -> Judgement:
    """Everything from the first midnight up to now in one go."""
    grid = Grid(build.at(0) // (60 * NS), (now_ns - build.at(0)) // (60 * NS), 60)
    state = at_start_of_record(setup.zones["bay"])
    return judge_over("bay", setup, until(readings, now_ns), grid, state, now_ns=now_ns, marks=marks)  # type: ignore[arg-type]


def same(live: Judgement, once: Judgement) -> None:
    """Every array of every finding and of the verdict, and what is provisional."""
    part = slice(live.grid.first - once.grid.first, once.grid.n)
    assert live.grid.first + live.grid.n == once.grid.first + once.grid.n
    np.testing.assert_array_equal(live.reason, once.reason[part])
    for item, other in zip(live.findings, once.findings, strict=True):
        assert (item.rule, item.labels) == (other.rule, other.labels)
        for name, value in vars(item).items():
            if isinstance(value, np.ndarray):
                np.testing.assert_array_equal(value, getattr(other, name)[part], err_msg=name)
    assert live.memory.states[live.grid.n] == once.memory.states[once.grid.n]
    assert live.provisional_from == once.provisional_from


def turns(seed: int) -> list[int]:
    """Seconds from one judgement to the next: most within a minute, some a restart of the service away."""
    rng = np.random.default_rng(seed)
    return rng.choice([5, 20, 41, 60, 60, 60, 120, 420, 1800], size=60).tolist()


def live(build: SimpleNamespace, seed: int, start: int) -> tuple[int, Judgement, Judgement]:
    """A random record judged as it grows: how often the trail went on, and both judgements at the end."""
    setup, reference, marks = random_record(build, seed, DAYS * 1440)
    readings = {f"{probe}.temperature": some for probe, some in reference.items()}
    now_ns = build.at(0) + start * 60 * NS
    first = whole(build, setup, readings, now_ns, marks)
    state = at_start_of_record(setup.zones["bay"])
    trail: Trail | None = begin_trail(setup, first, state, until(readings, now_ns), now_ns)
    extensions = 0
    for seconds in turns(seed):
        then_ns, now_ns = now_ns, now_ns + seconds * NS
        fresh = between(readings, then_ns, now_ns)
        trail = extend_trail(trail, setup, fresh, now_ns, marks) if trail else None
        extensions += trail is not None
        if trail is None:
            again = whole(build, setup, readings, now_ns, marks)
            trail = begin_trail(setup, again, state, until(readings, now_ns), now_ns)
    assert trail is not None
    return extensions, trail.judgement, whole(build, setup, readings, now_ns, marks)


@pytest.mark.slow
@settings(max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000), start=st.integers(2, DAYS * 1440 - 500))
def test_minute_by_minute_is_the_same_as_at_once(build: SimpleNamespace, seed: int, start: int) -> None:
    same(*live(build, seed, start)[1:])


def test_readings_in_order_extend_it_every_time(build: SimpleNamespace) -> None:
    """Random record 3 has no clock that stepped back: all 60 turns go on from the one before."""
    extensions, item, other = live(build, 3, 700)
    same(item, other)
    assert extensions == 60


@pytest.mark.long
@settings(max_examples=800, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6), start=st.integers(2, DAYS * 1440 - 500))
def test_minute_by_minute_is_the_same_as_at_once_long(build: SimpleNamespace, seed: int, start: int) -> None:
    same(*live(build, seed, start)[1:])


@pytest.mark.slow
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000), minute=st.integers(60, DAYS * 1440))
def test_what_is_not_provisional_never_changes(build: SimpleNamespace, seed: int, minute: int) -> None:
    """With readings in order of time; what comes late judges its days again, and says so."""
    setup, reference, marks = random_record(build, seed, DAYS * 1440)
    readings = {f"{probe}.temperature": some for probe, some in reference.items()}
    then = whole(build, setup, readings, build.at(0) + minute * 60 * NS, marks)
    later = whole(build, setup, readings, build.at(24 * DAYS), marks)
    final = min(then.provisional_from - then.grid.first, then.grid.n)
    np.testing.assert_array_equal(then.reason[:final], later.reason[:final])


def test_an_older_reading_is_no_extension(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),))
    readings = {"T1.temperature": build.series(np.full(1440, 20.0))}
    now_ns = build.at(10)
    state = at_start_of_record(setup.zones["bay"])
    trail = begin_trail(
        setup, whole(build, setup, readings, now_ns, ()), state, until(readings, now_ns), now_ns
    )
    assert trail is not None
    late = between(readings, build.at(9), build.at(9.5))
    assert extend_trail(trail, setup, late, now_ns + 60 * NS, ()) is None
    ahead = between(readings, build.at(11), build.at(12))
    assert extend_trail(trail, setup, ahead, now_ns + 60 * NS, ()) is None
