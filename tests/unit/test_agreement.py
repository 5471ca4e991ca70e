"""A probe that departs from its neighbours is a probe's fault; a slow drift against the group is found."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger.agreement import drift
from logger.calibration import Why
from logger.model import Conformity, Setup

PLACES = {f"T{i}": (float(i), 0.0, 1.0) for i in range(1, 6)}


@pytest.fixture
def five(made: SimpleNamespace) -> Setup:
    """Five probes in air, limit 21.0 degC, four of which are enough; they should agree within 0.3 K."""
    setup = made.setup((made.rule(need=4),), PLACES)
    return replace(setup, zones={"bay": replace(setup.zones["bay"], agree_K=0.3)})


def air(made: SimpleNamespace, seed: int, step: float = 0.0, start: int = 600) -> object:
    """A day near 20.7 degC with 0.01 K of noise, and a step from a minute on."""
    rng = np.random.default_rng(seed)
    values = 20.7 + rng.normal(0, 0.01, 1440)
    values[start:] += step
    return made.series(values)


def test_one_probe_that_departs_is_doubted_and_the_room_is_not_out(
    made: SimpleNamespace, five: Setup
) -> None:
    """+0.4 K on one of five at 10:00 would read 21.1 against a limit of 21.0."""
    readings = {f"T{i}": air(made, i, 0.4 if i == 2 else 0.0) for i in range(1, 6)}
    judgement = made.judged(five, readings)
    flagged = np.flatnonzero(judgement.cells["T2.temperature"].why == Why.DISAGREES)
    assert 600 - 15 <= flagged.min() <= 600
    assert flagged.max() == 1439
    assert (judgement.findings[0].conformity != Conformity.NONCONFORMING).all()
    assert all((judgement.cells[f"T{i}.temperature"].why == 0).all() for i in (1, 3, 4, 5))


def test_a_room_that_moves_as_a_whole_is_no_probes_fault(made: SimpleNamespace, five: Setup) -> None:
    judgement = made.judged(five, {f"T{i}": air(made, i, 0.4) for i in range(1, 6)})
    assert all((judgement.cells[f"T{i}.temperature"].why == 0).all() for i in range(1, 6))
    assert (judgement.findings[0].conformity[620:] == Conformity.NONCONFORMING).all()


def test_a_short_departure_is_none(made: SimpleNamespace, five: Setup) -> None:
    """Eight minutes beside a warm lamp are less than the 80 % of 15 min that the test asks for."""
    values = {f"T{i}": air(made, i) for i in range(1, 6)}
    values["T2"].value[600:608] += 0.4
    judgement = made.judged(five, values)
    assert not (judgement.cells["T2.temperature"].why == Why.DISAGREES).any()


def test_two_probes_cannot_say_who_is_wrong(made: SimpleNamespace) -> None:
    setup = made.setup((made.rule(),), {"T1": (0, 0, 1), "T2": (1, 0, 1)})
    setup = replace(setup, zones={"bay": replace(setup.zones["bay"], agree_K=0.3)})
    judgement = made.judged(setup, {"T1": air(made, 1), "T2": air(made, 2, 1.0)})
    assert not any((c.why == Why.DISAGREES).any() for c in judgement.cells.values())


def test_a_slow_drift_is_found_within_six_weeks() -> None:
    """0.02 K a week under 0.02 K of day-to-day scatter; without drift none is found (95 % of 200 runs)."""
    day = np.arange(42.0)
    rng = np.random.default_rng(1)
    found = [drift(day, 0.02 * day / 7 + rng.normal(0, 0.02, 42)) for _ in range(200)]
    none = [drift(day, rng.normal(0, 0.02, 42)) for _ in range(200)]
    assert all(d is not None and d.found for d in found)
    assert np.mean([d.K_per_week for d in found if d]) == pytest.approx(0.02, abs=0.002)
    assert sum(d.found for d in none if d) <= 20


def test_a_few_days_say_nothing_of_a_drift() -> None:
    assert drift(np.arange(6.0), np.zeros(6)) is None
