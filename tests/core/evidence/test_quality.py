"""Quality tests against ioos-qc 3.0, a public implementation of the QARTOD manuals, and where ours differs.

Ours differs on purpose: a value that its neighbours flank is part of a ramp or a step and no spike,
however large the statistic; and there is no rate test between two samples, which at 10 s and 0.01 K
of resolution calls a room that drifts by nothing a fault (the windows of the rules do that work).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ioos_qc import qartod

from logger.core.evidence.quality import confirmed_at, constant_runs, doubt_flags, gross_range, spike_flags
from logger.instants import NS
from logger.model import Channel, Quality


def minutes(n: int) -> np.ndarray:
    """n instants, a minute apart."""
    return np.arange(n, dtype=np.int64) * 60 * NS


@given(st.lists(st.floats(-50, 90), min_size=1, max_size=50))
def test_gross_range_as_in_the_manual(values: list[float]) -> None:
    ours = gross_range(np.array(values), (-40.0, 60.0), (10.0, 35.0))
    theirs = qartod.gross_range_test(values, (-40.0, 60.0), (10.0, 35.0))
    assert ours.tolist() == np.asarray(theirs).tolist()


def test_the_example_of_the_manual_is_a_spike() -> None:
    """20.00, 20.02, 20.01, 23.50, 20.03, 20.05: 3.48 K beside its neighbours, suspect at 3 K."""
    value = np.array([20.00, 20.02, 20.01, 23.50, 20.03, 20.05])
    ours = spike_flags(minutes(6), value, 3.0, 180.0)
    theirs = np.asarray(qartod.spike_test(value, suspect_threshold=3.0, fail_threshold=8.0))
    assert ours[1:-1].tolist() == theirs[1:-1].tolist() == [1, 1, 3, 1]


@given(st.integers(0, 10_000))
def test_spikes_agree_inside_a_positive_record_of_single_departures(seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = 20 + rng.normal(0, 0.01, 200)
    value[rng.choice(np.arange(5, 195, 5), 8, replace=False)] += rng.choice([-1.0, 1.0], 8)
    ours = spike_flags(minutes(200), value, 0.8, 180.0) == Quality.SUSPECT
    theirs = (
        np.asarray(qartod.spike_test(value, suspect_threshold=0.8, fail_threshold=5.0)) == Quality.SUSPECT
    )
    assert ours[1:-1].tolist() == theirs[1:-1].tolist()


def test_below_zero_a_quiet_record_has_no_spikes() -> None:
    assert (spike_flags(minutes(50), np.full(50, -5.0), 0.5, 180.0)[1:-1] == Quality.PASS).all()


def test_the_neighbours_of_a_step_are_no_spikes() -> None:
    """20.0, 20.0, 21.2, 21.2: ioos-qc's statistic is 0.6 on both sides of the step, and it flags both."""
    value = np.array([20.0, 20.0, 20.0, 21.2, 21.2, 21.2])
    theirs = np.asarray(qartod.spike_test(value, suspect_threshold=0.5, fail_threshold=5.0))
    assert theirs[1:-1].tolist() == [1, 3, 3, 1]
    assert spike_flags(minutes(6), value, 0.5, 180.0)[1:-1].tolist() == [1, 1, 1, 1]


def test_the_rate_between_two_samples_flags_a_quiet_room() -> None:
    """One count of 0.01 K in 10 s is 3.6 K/h: ioos-qc's rate test flags it at 1.8 K/h."""
    at = np.array([0, 10, 20]).astype("datetime64[s]")
    theirs = np.asarray(qartod.rate_of_change_test(np.array([20.0, 20.01, 20.0]), at, 1.8 / 3600))
    assert theirs.tolist() == [1, 3, 3]


def test_the_ends_of_a_record_are_not_evaluated() -> None:
    flags = spike_flags(minutes(5), np.array([25.0, 20.0, 20.0, 20.0, 25.0]), 0.5, 180.0)
    assert (flags[0], flags[-1]) == (Quality.NOT_EVALUATED, Quality.NOT_EVALUATED)


def test_a_spike_across_a_gap_is_not_evaluated() -> None:
    t = minutes(5)
    t[3:] += 3600 * NS
    assert spike_flags(t, np.array([20.0, 20.0, 20.0, 25.0, 20.0]), 0.5, 180.0)[2:4].tolist() == [2, 2]


def test_a_steep_ramp_is_no_spike() -> None:
    """0.3 K/min, a hundred times what a room can do, and still no single departure."""
    assert Quality.SUSPECT not in spike_flags(minutes(60), 20 + 0.3 * np.arange(60), 0.1, 180.0)


def test_a_value_that_failed_casts_no_doubt_on_its_neighbours() -> None:
    channel = Channel("T.t", "T", "temperature", "degC", 60, 180, 0.01, 0.0, (-40.0, 60.0), None, 0.5)
    value = np.array([20.0, 20.0, 85.0, 20.0, 20.0])
    flags = gross_range(value, channel.probe_span, None)
    assert not doubt_flags(channel, minutes(5), value, flags).any()


def test_flat_line_agrees_in_length_with_the_public_one() -> None:
    """ioos-qc flags from the end of the window on; ours gives the run itself, from its first value."""
    value = 20 + 0.01 * (np.arange(100) % 2)
    value[40:75] = 20.0
    ((begin, end),) = constant_runs(minutes(100), value, 30, 180.0)
    at = (np.arange(100) * 60).astype("datetime64[s]")
    theirs = np.asarray(qartod.flat_line_test(value, at, 29 * 60, 10**6, 0.001))
    assert (begin, end - 1) == (40, int(np.flatnonzero(theirs == Quality.SUSPECT)[-1]))


def test_a_gap_ends_a_constant_run() -> None:
    t = minutes(40)
    t[20:] += 600 * NS
    assert constant_runs(t, np.full(40, 20.0), 30, 180.0) == []


@pytest.mark.parametrize(("after", "confirmed"), [((21.2, 21.15), True), ((21.2, 20.0), False)])
def test_two_readings_that_follow_confirm_a_step(after: tuple[float, float], confirmed: bool) -> None:
    value = np.array([20.0, 21.2, *after, 20.0])
    places = confirmed_at(minutes(5), value, np.full(5, 0.1), 180.0, np.arange(5)).tolist()
    assert (1 in places) is confirmed


def test_missing_values_are_missing_and_nothing_else() -> None:
    assert gross_range(np.array([np.nan, np.inf]), (-40.0, 60.0), None).tolist() == [9, 9]
