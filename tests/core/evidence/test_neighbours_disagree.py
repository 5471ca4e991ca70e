"""A probe that departs from its neighbours is a probe's fault; a slow drift against the group is found."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.evidence.neighbours import drift
from logger.model import Conformity, Setup
from logger.model.reasons import Why

PLACES = {f"T{i}": (float(i), 0.0, 1.0) for i in range(1, 6)}


@pytest.fixture
def five(build: SimpleNamespace) -> Setup:
    """Five probes in air, limit 21.0 degC, four of which are enough; they should agree within 0.3 K."""
    setup = build.setup((build.rule(need=4),), PLACES)
    return replace(setup, zones={"bay": replace(setup.zones["bay"], agree_K=0.3)})


def air(build: SimpleNamespace, seed: int, step: float = 0.0, start: int = 600) -> object:
    """A day near 20.7 degC with 0.01 K of noise, and a step from a minute on."""
    rng = np.random.default_rng(seed)
    values = 20.7 + rng.normal(0, 0.01, 1440)
    values[start:] += step
    return build.series(values)


def test_one_probe_that_departs_is_doubted_and_the_room_is_not_out(
    build: SimpleNamespace, five: Setup
) -> None:
    """+0.4 K on one of five at 10:00 would read 21.1 against a limit of 21.0."""
    readings = {f"T{i}": air(build, i, 0.4 if i == 2 else 0.0) for i in range(1, 6)}
    judgement = build.judged(five, readings)
    flagged = np.flatnonzero(judgement.cells["T2.temperature"].why == Why.DISAGREES)
    assert flagged.min() == 600
    assert flagged.max() == 1439
    assert (judgement.findings[0].conformity != Conformity.NONCONFORMING).all()
    assert all((judgement.cells[f"T{i}.temperature"].why == 0).all() for i in (1, 3, 4, 5))


def test_a_room_that_moves_as_a_whole_is_no_probes_fault(build: SimpleNamespace, five: Setup) -> None:
    judgement = build.judged(five, {f"T{i}": air(build, i, 0.4) for i in range(1, 6)})
    assert all((judgement.cells[f"T{i}.temperature"].why == 0).all() for i in range(1, 6))
    assert (judgement.findings[0].conformity[620:] == Conformity.NONCONFORMING).all()


def test_a_short_departure_is_none(build: SimpleNamespace, five: Setup) -> None:
    """Eight minutes beside a warm lamp are less than the 80 % of 15 min that the test asks for."""
    values = {f"T{i}": air(build, i) for i in range(1, 6)}
    values["T2"].value[600:608] += 0.4
    judgement = build.judged(five, values)
    assert not (judgement.cells["T2.temperature"].why == Why.DISAGREES).any()


def test_of_two_probes_that_differ_neither_is_believed(build: SimpleNamespace) -> None:
    """Nobody can say who is wrong: both are suspect from the first reading on, and no excursion begins."""
    setup = build.setup((build.rule(),), {"T1": (0, 0, 1), "T2": (1, 0, 1)})
    setup = replace(setup, zones={"bay": replace(setup.zones["bay"], agree_K=0.3)})
    judgement = build.judged(setup, {"T1": air(build, 1), "T2": air(build, 2, 1.0)})
    assert all((c.why[600:] == Why.DISAGREES).all() for c in judgement.cells.values())
    assert (judgement.findings[0].conformity != Conformity.NONCONFORMING).all()


@pytest.mark.parametrize("interval_s", [60, 120, 300, 900])
@pytest.mark.parametrize("phase_s", [0, 7])
def test_a_probe_that_departs_is_named_at_any_sampling_interval(
    build: SimpleNamespace, interval_s: int, phase_s: int
) -> None:
    """+0.9 K on one of five for 12 h: it is suspect from its first reading on, and the room is not out."""
    n, step = 86_400 // interval_s, 28_800 // interval_s
    setup = build.setup(
        (build.rule(need=4),), PLACES, channel={"interval_s": interval_s, "max_age_s": 3 * interval_s}
    )
    setup = replace(setup, zones={"bay": replace(setup.zones["bay"], agree_K=0.3)})

    def read(i: int) -> object:
        values = 20.5 + np.random.default_rng(i).normal(0, 0.01, n)
        values[step : step + 43_200 // interval_s] += 0.9 if i == 2 else 0.0
        return build.series(values, interval_s=interval_s, phase_s=phase_s * i % interval_s)

    judgement = build.judged(setup, {f"T{i}": read(i) for i in range(1, 6)})
    flagged = judgement.cells["T2.temperature"].why == Why.DISAGREES
    assert flagged[480:1200].all()
    # Empty cells beside its readings are covered by none; later than that nothing is doubted.
    assert not flagged[: 480 - interval_s // 60].any()
    assert not flagged[1200 + interval_s // 60 :].any()
    assert (judgement.findings[0].conformity != Conformity.NONCONFORMING).all()
    assert not any((judgement.cells[f"T{i}.temperature"].why == Why.DISAGREES).any() for i in (1, 3, 4, 5))


def test_a_departure_is_doubted_in_its_first_minute(build: SimpleNamespace, five: Setup) -> None:
    """At the live edge, too: an excursion of the room would begin and be taken back 12 min later."""
    readings = {f"T{i}": air(build, i, 0.9 if i == 2 else 0.0) for i in range(1, 6)}
    for minute in (601, 602, 611, 630):
        now_ns = build.at(0) + minute * 60_000_000_000
        reference = {p: build.without(r, now_ns, build.at(48)) for p, r in readings.items()}
        judgement = build.judged(five, reference, build.at(0), now_ns, now_ns=now_ns)
        assert (judgement.cells["T2.temperature"].why[600:] == Why.DISAGREES).all()
        assert (judgement.findings[0].conformity != Conformity.NONCONFORMING).all()


@pytest.mark.parametrize("interval_s", [60, 900])
def test_humidity_is_compared_by_dew_point(build: SimpleNamespace, interval_s: int) -> None:
    """+9 %RH on one of three is named; 1 K warmer air with the same moisture (−2.9 %RH at 20 °C) is not.

    At 20 °C and 50 %RH 9 %RH are 2.5 K of dew point (saturation over water, Hyland & Wexler 1983).
    """
    n = 86_400 // interval_s
    both = ("temperature", "relative_humidity")
    places = {f"T{i}": (float(i), 0.0, 1.0) for i in range(1, 4)}
    rule = build.rule(
        name="humidity", quantity="relative_humidity", unit="%RH", lower=40.0, upper=55.0, need=2
    )
    setup = build.setup(
        (rule,), places, quantities=dict.fromkeys(places, both),
        channel={"interval_s": interval_s, "max_age_s": 3 * interval_s}, U={"relative_humidity": 1.5},
    )  # fmt: skip
    setup = replace(setup, zones={"bay": replace(setup.zones["bay"], agree_dew_point_K=0.7)})

    def judged(t: float, rh: float) -> object:
        readings = {}
        for i in range(1, 4):
            t_C, rh_pct = np.full(n, 20.0), np.full(n, 50.0)
            if i == 2:
                t_C[n // 3 :], rh_pct[n // 3 :] = t, rh
            readings |= {
                f"T{i}.{q}": build.series(v, interval_s=interval_s)
                for q, v in zip(both, (t_C, rh_pct), strict=True)
            }
        return build.judged(setup, readings)

    off = judged(20.0, 59.0)
    assert (off.cells["T2.relative_humidity"].why[480:] == Why.DISAGREES).all()
    assert not (off.cells["T1.relative_humidity"].why == Why.DISAGREES).any()
    assert (off.findings[0].conformity != Conformity.NONCONFORMING).all()
    assert not (judged(21.0, 47.0).cells["T2.relative_humidity"].why == Why.DISAGREES).any()


def test_a_slow_drift_is_found_within_six_weeks() -> None:
    """0.02 K a week under 0.02 K of day-to-day scatter; without drift none is found (95 % of 200 runs)."""
    day = np.arange(42.0)
    rng = np.random.default_rng(1)
    result = [drift(day, 0.02 * day / 7 + rng.normal(0, 0.02, 42)) for _ in range(200)]
    none = [drift(day, rng.normal(0, 0.02, 42)) for _ in range(200)]
    assert all(d is not None and d.is_proven for d in result)
    assert np.mean([d.K_per_week for d in result if d]) == pytest.approx(0.02, abs=0.002)
    assert sum(d.is_proven for d in none if d) <= 20


def test_a_few_days_say_nothing_of_a_drift() -> None:
    assert drift(np.arange(6.0), np.zeros(6)) is None
