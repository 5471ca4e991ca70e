"""Verdicts over time: gaps, excursions, settling, unknown bodies, marks; and one judge for any split."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.core.judge.judgement import Judgement
from logger.core.judge.periods import excursion, excursion_runs, join_periods, join_runs, periods
from logger.core.judge.settling import at_start_of_record
from logger.instants import NS
from logger.model import REASONS, AsFound, Conformity, Mark, Period, Setup
from logger.series import Readings

HOUR = 60  # cells


def reason_at(judgement: Judgement, hour: float) -> str:
    """Reason of the cell in which an hour of the day begins."""
    return REASONS[int(judgement.reason[round(hour * HOUR)])]


def flat(build: SimpleNamespace, value: float = 20.0) -> object:
    """A day at one temperature."""
    return build.series(np.full(1440, value))


def test_an_hour_without_data_is_not_shown(build: SimpleNamespace) -> None:
    readings = build.without(flat(build), build.at(10), build.at(11))
    judgement = build.judged(build.setup((build.rule(),)), {"T1": readings})
    assert set(judgement.reason[600:660].tolist()) == {REASONS.index("indeterminate")}
    assert set(judgement.reason[:600].tolist()) == {REASONS.index("conforming")}


def test_a_short_gap_is_covered_by_its_two_neighbours(build: SimpleNamespace) -> None:
    """One lost poll within max_age: the cell takes min and max of both, nothing is interpolated."""
    values = np.full(1440, 20.0)
    values[600], values[601] = 20.1, np.nan
    judgement = build.judged(build.setup((build.rule(),)), {"T1": build.series(values)})
    cells = judgement.cells["T1.temperature"]
    assert (cells.low[601], cells.high[601]) == (20_000_000, 20_100_000)
    assert reason_at(judgement, 601 / 60) == "conforming"


def test_excursion_of_a_triangle(build: SimpleNamespace) -> None:
    """Peak 0.6 K beyond the limit on a base of 2 h: exceedance 0.60 K·h, duration 2 h."""
    minutes = np.arange(1440)
    beyond = np.clip(0.6 - np.abs(minutes + 0.5 - 660) * 0.6 / 60, -1, None)
    setup = build.setup((build.rule(r=0.0),))
    finding = build.judged(setup, {"T1": build.series(21.0 + beyond)}).findings[0]
    (run,) = join_runs(excursion_runs(finding, slice(0, 1440)))
    result = excursion(run, setup.rules[0], run.to_ns)
    assert result.exceedance == pytest.approx(0.60, abs=0.002)
    assert (result.to_ns - result.from_ns) / NS == pytest.approx(7200, abs=60)
    assert result.worst == pytest.approx(21.6, abs=0.01)
    assert abs(result.worst_ns - build.at(11)) <= 60 * NS
    assert (result.limit, result.probes, result.proven) == (21.0, ("T1",), True)


def test_settling_ends_four_hours_after_the_room_is_back(build: SimpleNamespace) -> None:
    """Back in limits at 10:00, settling 4 h: 13:59 settles still, 14:00 does not."""
    values = np.full(1440, 20.0)
    values[540:600] = 21.5
    judgement = build.judged(build.setup((build.rule(),), settling_s=4 * 3600), {"T1": build.series(values)})
    assert reason_at(judgement, 9.5) == "nonconforming"
    assert reason_at(judgement, 10.0) == "settling"
    assert reason_at(judgement, 14 - 1 / 60) == "settling"
    assert reason_at(judgement, 14.0) == "conforming"


def test_a_rule_that_does_not_disturb_needs_no_settling(build: SimpleNamespace) -> None:
    values = np.full(1440, 20.0)
    values[540:600] = 21.5
    setup = build.setup((build.rule(disturbs=False),), settling_s=4 * 3600)
    judgement = build.judged(setup, {"T1": build.series(values)})
    assert reason_at(judgement, 10.0) == "conforming"


def test_after_an_outage_bodies_are_unknown_until_there_is_evidence_again(build: SimpleNamespace) -> None:
    """A 12 h outage ends at 14:00: not shown until 4 h of evidence have come."""
    readings = build.without(flat(build), build.at(2), build.at(14))
    judgement = build.judged(build.setup((build.rule(),), settling_s=4 * 3600), {"T1": readings})
    assert reason_at(judgement, 14.0) == "indeterminate"
    assert reason_at(judgement, 18 - 1 / 60) == "indeterminate"
    assert reason_at(judgement, 18.0) == "conforming"


def test_time_without_evidence_does_not_advance_settling(build: SimpleNamespace) -> None:
    """Out until 6:00, silent 7:00–7:50 (short of body_gap), settling 4 h: it ends at 10:50, not at 10:00."""
    values = np.full(1440, 20.0)
    values[300:360] = 21.5
    readings = build.without(build.series(values), build.at(7), build.at(7 + 50 / 60))
    judgement = build.judged(build.setup((build.rule(),), settling_s=4 * 3600), {"T1": readings})
    assert reason_at(judgement, 10 + 49 / 60) == "settling"
    assert reason_at(judgement, 10 + 50 / 60) == "conforming"


def test_the_start_of_a_record_knows_no_bodies(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),), settling_s=2 * 3600)
    judgement = build.judged(setup, {"T1": flat(build)}, state=at_start_of_record(setup.zones["bay"]))
    assert reason_at(judgement, 1.9) == "indeterminate"
    assert reason_at(judgement, 2.0) == "conforming"


def test_a_marked_time_is_not_stable(build: SimpleNamespace) -> None:
    mark = Mark("bay", build.at(9), build.at(11), "air handling serviced", "somebody")
    judgement = build.judged(build.setup((build.rule(),)), {"T1": flat(build)}, marks=(mark,))
    assert [reason_at(judgement, h) for h in (8.9, 9.0, 10.9, 11.0)] == [
        "conforming",
        "marked",
        "marked",
        "conforming",
    ]


def test_a_wild_value_is_bad_data_and_no_bad_room(build: SimpleNamespace) -> None:
    """85.0 once: outside the probe's span, so it takes no part and the minute is covered."""
    values = np.full(1440, 20.0)
    values[600] = 85.0
    judgement = build.judged(build.setup((build.rule(),)), {"T1": build.series(values)})
    assert set(judgement.reason.tolist()) == {REASONS.index("conforming")}


def test_a_single_departure_is_suspect_and_supports_neither_side(build: SimpleNamespace) -> None:
    """+0.8 K once is suspect; a true ramp of 0.3 K/min is none."""
    values = np.full(1440, 20.0)
    values[600] = 20.8
    values[900:] = 20.0 + np.minimum(0.3 * np.arange(540), 15.0)
    setup = build.setup(
        (build.rule(upper=40.0),), channel={"spike": 0.5}, certificate={"range": (10.0, 45.0)}
    )
    judgement = build.judged(setup, {"T1": build.series(values)})
    assert np.flatnonzero(judgement.reason == REASONS.index("indeterminate")).tolist() == [600]


def test_a_true_step_is_confirmed_by_the_next_two_readings(build: SimpleNamespace) -> None:
    """A door opens: +1.2 K that stays is no spike, though it overshoots by a hundredth."""
    values = np.full(1440, 19.6)
    values[600:] = 20.8
    values[600] = 20.81
    judgement = build.judged(
        build.setup((build.rule(),), channel={"spike": 0.5}), {"T1": build.series(values)}
    )
    assert REASONS.index("indeterminate") not in judgement.reason


def test_a_probe_beside_it_confirms_a_single_departure(build: SimpleNamespace) -> None:
    values = np.full(1440, 20.0)
    values[600] = 20.6
    setup = build.setup((build.rule(),), {"T1": (0, 0, 1), "T2": (1, 0, 1)}, channel={"spike": 0.4})
    both = build.judged(setup, {"T1": build.series(values), "T2": build.series(values, phase_s=20)})
    alone = build.judged(setup, {"T1": build.series(values), "T2": flat(build)})
    assert reason_at(alone, 10.0) == "indeterminate"
    assert set(both.cells["T1.temperature"].why.tolist()) == {0}


def test_beyond_the_users_span_a_value_is_flagged_and_still_judged(build: SimpleNamespace) -> None:
    values = np.full(1440, 20.0)
    values[600:660] = 21.5
    setup = build.setup((build.rule(),), channel={"user_span": (19.0, 21.0)})
    judgement = build.judged(setup, {"T1": build.series(values)})
    assert reason_at(judgement, 10.5) == "nonconforming"


def test_a_stuck_probe_is_suspect_from_its_first_value(build: SimpleNamespace) -> None:
    """30 identical values at 0.01 while the neighbour moved by 0.1 K; the neighbour itself is fine."""
    values = 20.0 + 0.01 * (np.arange(1440) % 2)
    neighbour = 20.0 + 0.1 * np.sin(np.arange(1440) * 2 * np.pi / 60)
    values[600:640] = 20.0
    setup = build.setup(
        (build.rule(),),
        {"T1": (0, 0, 1), "T2": (1, 0, 1)},
        channel={"flat_n": 30, "resolution": 0.01, "noise": 0.0},
    )
    judgement = build.judged(setup, {"T1": build.series(values), "T2": build.series(neighbour)})
    doubtful = np.flatnonzero(judgement.reason == REASONS.index("indeterminate"))
    assert (doubtful.min(), doubtful.max()) == (600, 639 if values[640] != 20.0 else 640)


def test_a_steady_probe_beside_steady_neighbours_is_no_stuck_probe(build: SimpleNamespace) -> None:
    setup = build.setup(
        (build.rule(),), {"T1": (0, 0, 1), "T2": (1, 0, 1)}, channel={"flat_n": 30, "resolution": 0.1}
    )
    neighbour = 20.0 + 0.2 * np.sin(np.arange(1440) * 2 * np.pi / 60)
    judgement = build.judged(setup, {"T1": flat(build), "T2": build.series(np.round(neighbour, 1))})
    assert set(judgement.reason.tolist()) == {REASONS.index("conforming")}


def test_two_values_for_one_instant_support_nothing(build: SimpleNamespace) -> None:
    readings = flat(build)
    readings.taken_ns[601] = readings.taken_ns[600]
    readings.value[601] = 20.5
    judgement = build.judged(build.setup((build.rule(),)), {"T1": readings})
    assert reason_at(judgement, 10.0) == "indeterminate"


def test_the_newest_minutes_are_provisional(build: SimpleNamespace) -> None:
    """Two more readings, each at most max_age later, and the cover before: three times 180 s."""
    judgement = build.judged(build.setup((build.rule(),)), {"T1": flat(build)}, now_ns=build.at(24))
    assert 1440 - (judgement.provisional_from - judgement.grid.first) == pytest.approx(9, abs=1)


def test_no_rules_show_nothing(build: SimpleNamespace) -> None:
    judgement = build.judged(build.setup(()), {"T1": flat(build)})
    assert set(judgement.reason.tolist()) == {REASONS.index("indeterminate")}


def test_a_zone_without_probes_shows_nothing(build: SimpleNamespace) -> None:
    bare = replace(build.setup((build.rule(),)), placements=())
    judgement = build.judged(bare, {})
    assert set(judgement.reason.tolist()) == {REASONS.index("indeterminate")}


def test_no_readings_show_nothing(build: SimpleNamespace) -> None:
    judgement = build.judged(build.setup((build.rule(),)), {})
    assert set(judgement.reason.tolist()) == {REASONS.index("indeterminate")}
    assert set(judgement.findings[0].conformity.tolist()) == {Conformity.INDETERMINATE}


def random_record(
    build: SimpleNamespace, seed: int, n: int
) -> tuple[Setup, dict[str, Readings], tuple[Mark, ...]]:
    """Gaps, doubles, spikes, stuck runs, excursions, failed polls, a clock that stepped back, marks, and
    limits and a certificate that change on the way; four probes, one of which leaves the others for a while.
    """
    rng = np.random.default_rng(seed)
    values = 20.0 + np.cumsum(rng.normal(0, 0.02, n)) + 0.3 * np.sin(np.arange(n) / 200)
    for _ in range(6):
        begin = int(rng.integers(0, n))
        values[begin : begin + int(rng.integers(1, 300))] = rng.choice([np.nan, 20.0, 21.4])
    values[rng.integers(0, n, 20)] += 1.0
    change = build.at(0) + int(rng.integers(0, n)) * 60 * NS
    span = build.rule(
        name="span in 1 h", kind="span", window_s=3600, lower=None, upper=0.8, unit="K", disturbs=False
    )
    slope = build.rule(
        name="slope over 2 h", kind="slope", window_s=7200, lower=None, upper=0.4, unit="K/h", disturbs=False
    )
    plane = build.rule(
        name="plane", kind="plane", direction="vertical", unit="K/m", lower=None, upper=0.9, disturbs=False
    )
    spread = build.rule(name="spread", kind="spread", lower=None, upper=1.2, unit="K", disturbs=False)
    rules = (build.rule(to_ns=change), build.rule(upper=20.8, from_ns=change), span, slope, plane, spread)
    places = {"T1": (0, 0, 1), "T2": (1, 0, 2), "T3": (2, 0, 1), "T4": (1, 2, 1)}
    tested = {"flat_n": 30, "resolution": 0.01, "spike": 0.5}
    setup = build.setup(rules, places, settling_s=2 * 3600, channel=tested)
    overdue = replace(setup.certificates[0], due_ns=change - int(rng.integers(1, 400)) * 60 * NS, drift=0.06)
    newer = replace(setup.certificates[0], number="C2", valid_from_ns=change, corrections=(-0.05,))
    released = AsFound((20.0,), (float(rng.choice([0.05, 0.07])),))  # within the drift, or not
    calibrated_ns = change - int(rng.integers(0, 90)) * 60 * NS
    newer = replace(newer, as_found=released, calibrated_ns=calibrated_ns, releases_overdue="late")
    zone = replace(setup.zones["bay"], agree_K=0.4)
    setup = replace(setup, certificates=(overdue, *setup.certificates[1:], newer), zones={"bay": zone})
    beside = 20.0 + 0.2 * np.sin(np.arange(n) / 30)
    apart = beside + 0.02
    apart[n // 3 : n // 3 + int(rng.integers(0, 200))] += 0.7
    jumped = build.series(values)
    again = slice(int(rng.integers(0, n - 60)), None)
    jumped.taken_ns[again] -= int(rng.integers(0, 3)) * 1200 * NS
    order = np.argsort(jumped.taken_ns, kind="stable")
    jumped = Readings(*(array[order] for array in vars(jumped).values()))
    begin = int(rng.integers(0, n)) * 60 * NS + build.at(0)
    marks = (Mark("bay", begin, begin + int(rng.integers(1, 9000)) * NS, "serviced", "somebody"),)
    steady = build.series(beside - 0.1)
    return setup, {"T1": jumped, "T2": build.series(beside), "T3": build.series(apart), "T4": steady}, marks


def whole_and_split(build: SimpleNamespace, seed: int, cut: int) -> tuple[list[Period], list[Period]]:
    """A random record judged in one go and in two pieces."""
    n = 3 * 1440
    setup, readings, marks = random_record(build, seed, n)
    start, end = at_start_of_record(setup.zones["bay"]), build.at(0, day=3)
    item = build.judged(setup, readings, build.at(0), end, state=start, marks=marks)
    middle = build.at(0) + cut * 60 * NS
    first = build.judged(setup, readings, build.at(0), middle, state=start, marks=marks)
    state = first.memory.states[cut]
    second = build.judged(setup, readings, middle, end, state=state, marks=marks)
    whole = join_periods(periods(item, slice(0, n)))
    return whole, join_periods([*periods(first, slice(0, cut)), *periods(second, slice(0, n - cut))])


@pytest.mark.slow
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10_000), cut=st.integers(1, 3 * 1440 - 1))
def test_any_split_gives_the_same_periods(build: SimpleNamespace, seed: int, cut: int) -> None:
    whole, split = whole_and_split(build, seed, cut)
    assert split == whole
    assert len({p.reason for p in whole}) > 1


@pytest.mark.long
@settings(max_examples=1500, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6), cut=st.integers(1, 3 * 1440 - 1))
def test_any_split_gives_the_same_periods_long(build: SimpleNamespace, seed: int, cut: int) -> None:
    whole, split = whole_and_split(build, seed, cut)
    assert split == whole


def test_the_trace_names_the_rule_that_lies_furthest_out_of_its_own_limits(build: SimpleNamespace) -> None:
    """21.6 degC is out of 19 … 21 by 0.6 of half the band, 65 % out of 40 … 60 % by 0.5, though 5 > 0.6."""
    damp = build.rule(name="humidity", quantity="relative_humidity", unit="%RH", lower=40.0, upper=60.0)
    setup = build.setup((damp, build.rule()), quantities={"T1": ("temperature", "relative_humidity")})
    readings = {
        "T1.temperature": build.series(np.full(1440, 21.6)),
        "T1.relative_humidity": build.series(np.full(1440, 65.0)),
    }
    (item,) = periods(build.judged(setup, readings), slice(0, 1440))
    assert (item.rule, item.margin) == ("bay.temperature", pytest.approx(-0.6))
