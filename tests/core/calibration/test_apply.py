"""Correction and uncertainty: with worked numbers."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.calibration.apply import certificate_U, correct_readings
from logger.model import Certificate, Channel
from logger.model.reasons import Why

T1 = Channel("T1.temperature", "T1", "temperature", "degC", 60, 180, 0.0, 0.0, (-40.0, 60.0))


def paper(**changed: object) -> Certificate:
    """Errors of +0.10 at 18 and +0.20 at 22 degC, U = 0.1 (k = 2)."""
    fields = {
        "number": "C",
        "channel": "T1.temperature",
        "issuer": "",
        "accreditation": "",
        "calibrated_on": "",
        "valid_from_ns": 0,
        "due_ns": None,
        "indications": (18.0, 22.0),
        "corrections": (-0.1, -0.2),
        "U": (0.1, 0.1),
        "k": 2.0,
        "range": (18.0, 22.0),
    }
    return Certificate(**(fields | changed))  # type: ignore[arg-type]


def test_two_points_are_interpolated_over_the_indication() -> None:
    outcome = correct_readings(T1, [paper()], np.array([0]), np.array([20.0]))
    assert outcome.value[0] == pytest.approx(19.85, abs=1e-12)
    assert outcome.U[0] == pytest.approx(0.1)


def test_outside_the_range_the_end_correction_is_shown_and_supports_nothing() -> None:
    outcome = correct_readings(T1, [paper()], np.array([0, 1]), np.array([24.0, 21.0]))
    assert outcome.value[0] == pytest.approx(23.8)
    assert outcome.why.tolist() == [Why.OUTSIDE_RANGE, Why.EVIDENCE]


def test_a_reading_uses_the_certificate_in_force_when_it_was_taken() -> None:
    old, new = paper(corrections=(0.0, 0.0)), paper(valid_from_ns=100, corrections=(0.5, 0.5))
    outcome = correct_readings(T1, [old, new], np.array([99, 100]), np.array([20.0, 20.0]))
    assert outcome.value.tolist() == [20.0, 20.5]


def test_due_holds_to_the_end_of_the_day_and_not_beyond() -> None:
    outcome = correct_readings(T1, [paper(due_ns=100)], np.array([99, 100]), np.array([20.0, 20.0]))
    assert outcome.why.tolist() == [Why.EVIDENCE, Why.OVERDUE]


def test_before_the_first_certificate_there_is_none() -> None:
    outcome = correct_readings(T1, [paper(valid_from_ns=50)], np.array([10]), np.array([20.0]))
    assert outcome.why.tolist() == [Why.NO_CERTIFICATE]
    assert np.isnan(outcome.U[0])


def test_without_any_certificate_readings_are_as_they_came_and_support_nothing() -> None:
    outcome = correct_readings(T1, [], np.array([10, 20]), np.array([20.0, np.nan]))
    assert outcome.why.tolist() == [Why.NO_CERTIFICATE, Why.NO_CERTIFICATE]
    assert np.array_equal(outcome.value, [20.0, np.nan], equal_nan=True)
    assert np.isnan(outcome.U).all()


@pytest.mark.parametrize("instants", [range(0), range(60, 90), range(100, 130), range(40, 240, 7)])
@pytest.mark.parametrize("number", [0, 1, 2, 3])
def test_many_readings_are_corrected_as_each_alone(instants: range, number: int) -> None:
    papers = [paper(valid_from_ns=50), paper(valid_from_ns=100, U=(0.1, 0.3)), paper(valid_from_ns=200)]
    taken_ns = np.array(list(instants), np.int64)
    raw = np.where(taken_ns % 5, 17.0 + taken_ns % 7, np.nan)
    whole = correct_readings(T1, papers[:number], taken_ns, raw)
    assert len(whole.value) == len(taken_ns)
    for i in range(len(taken_ns)):
        alone = correct_readings(T1, papers[:number], taken_ns[i : i + 1], raw[i : i + 1])
        for name in ("value", "U", "why"):
            assert np.array_equal(getattr(whole, name)[i : i + 1], getattr(alone, name), equal_nan=True)


def test_between_points_the_larger_uncertainty_counts() -> None:
    stated = certificate_U(paper(U=(0.1, 0.3)), np.array([17.0, 18.0, 19.0, 22.0, 23.0]))
    assert stated.tolist() == [0.1, 0.1, 0.3, 0.3, 0.3]


def test_a_probe_in_fahrenheit_is_corrected_in_its_own_unit() -> None:
    """A correction of 0.18 degF is 0.1 K: never 32 degrees more."""
    channel = Channel("T1.temperature", "T1", "temperature", "degF", 60, 180, 0.0, 0.0, (-40.0, 140.0))
    certificate = paper(indications=(68.0,), corrections=(0.18,), U=(0.36,), range=(50.0, 86.0))
    outcome = correct_readings(channel, [certificate], np.array([0]), np.array([68.0]))
    assert outcome.value[0] == pytest.approx(20.1)
    assert outcome.U[0] == pytest.approx(0.2)


def test_an_overdue_probe_never_shows_a_stable_room(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),), certificate={"due_ns": build.at(12)})
    judgement = build.judged(setup, {"T1": build.series(np.full(1440, 20.0))})
    reasons = judgement.reason.tolist()
    assert set(reasons[:720]) == {5}
    assert set(reasons[720:]) == {3}
