"""What a calibration found re-judges the past: step or even drift."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.acts import inspections as actions
from logger.core.calibration.apply import correct_readings
from logger.core.calibration.as_found import change, effect, elapsed_share
from logger.core.physics.expansion import material_of
from logger.core.validity.versions import Version, effective_setup
from logger.inspections.setup_impact import changed_verdicts
from logger.instants import NS
from logger.model import AsFound, Certificate, Channel, Inspection, Row, Setup
from logger.store import Store

T1 = Channel("T1.temperature", "T1", "temperature", "degC", 60, 180, 0.0, 0.0, (-40.0, 60.0))
MONTH = 30 * 86_400 * NS
BEFORE = Certificate(
    "C-1", "T1.temperature", "", "", "", 0, None, (20.0,), (0.0,), (0.1,), 2.0, (10.0, 30.0), drift=0.06
)


def certificate_with_error(error: float, model: str = "linear", months: int = 12) -> Certificate:
    """The next certificate, after so many months, with one error as found."""
    as_found = AsFound((20.0,), (error,), model)  # type: ignore[arg-type]
    return replace(BEFORE, number="C-2", valid_from_ns=months * MONTH, as_found=as_found)


def at(month: float, raw: float, *papers: Certificate) -> tuple[float, float]:
    """Corrected value and U of a reading after so many months."""
    outcome = correct_readings(T1, papers, np.array([round(month * MONTH)]), np.array([raw]))
    return round(float(outcome.value[0]), 6), round(float(outcome.U[0]), 6)


def test_even_drift_at_month_6() -> None:
    """Correction −0.15, U from 0.10 to 0.20; stored 19.20 becomes 19.05 (no drift declared)."""
    bare = replace(BEFORE, drift=0.0)
    assert at(6, 19.20, bare) == (19.20, 0.10)
    value, U = at(6, 19.20, bare, certificate_with_error(0.30))
    assert value == 19.05
    assert pytest.approx(0.20, abs=1e-6) == U  # 2·√(0.05² + (0.15/√3)²)


@pytest.mark.parametrize(("month", "correction"), [(0, 0.0), (3, -0.075), (9, -0.225), (11.999, -0.299975)])
def test_even_drift_grows_with_time(month: float, correction: float) -> None:
    value, _ = at(month, 20.0, BEFORE, certificate_with_error(0.30))
    assert value - 20.0 == pytest.approx(correction, abs=2e-6)


def test_even_drift_takes_the_place_of_the_declared_one() -> None:
    """2·√(0.05² + 0.02²/3) = 0.1026, whatever was declared."""
    assert at(6, 20.0, BEFORE, certificate_with_error(-0.04))[1] == pytest.approx(0.10263, abs=1e-5)


def test_a_step_widens_and_does_not_shift() -> None:
    """2·√(0.05² + 0.06²/3 + 0.3²/3) = 0.3672; a step says nothing against drift."""
    assert at(6, 20.0, BEFORE, certificate_with_error(0.30, "step")) == (
        20.0,
        pytest.approx(0.367151, abs=1e-6),
    )


def test_without_a_model_nothing_follows() -> None:
    assert at(6, 20.0, BEFORE, certificate_with_error(0.30, "")) == at(6, 20.0, BEFORE)


def test_readings_under_the_new_certificate_are_its_own() -> None:
    assert at(12, 20.0, BEFORE, certificate_with_error(0.30)) == at(12, 20.0, BEFORE)
    third = replace(BEFORE, number="C-3", valid_from_ns=24 * MONTH)
    assert at(18, 20.0, BEFORE, certificate_with_error(0.30), third) == (20.0, at(12, 20.0, BEFORE)[1])


def test_the_change_is_against_the_error_as_left() -> None:
    """As left +0.10 at 18 and +0.20 at 22; as found +0.50 throughout: 0.35 at 20, 0.30 at 22 and beyond."""
    remaining = replace(BEFORE, indications=(18.0, 22.0), corrections=(-0.10, -0.20), U=(0.1, 0.1))
    changed = change(remaining, certificate_with_error(0.50), np.array([18.0, 20.0, 22.0, 25.0]))
    assert changed.tolist() == pytest.approx([0.40, 0.35, 0.30, 0.30])


def test_drift_runs_from_calibration_to_calibration_not_from_use_to_use() -> None:
    """Calibrated two months before it was put in use, found a month before the next was."""
    old = replace(BEFORE, calibrated_ns=-2 * MONTH)
    new = replace(certificate_with_error(0.30), calibrated_ns=10 * MONTH)
    share = elapsed_share(old, new, np.array([0, 4 * MONTH, 10 * MONTH, 11 * MONTH]))
    assert share.tolist() == pytest.approx([2 / 12, 0.5, 1.0, 1.0])


@given(st.floats(-2, 2), st.floats(0, 11.99), st.floats(-1, 1))
def test_no_value_that_the_drift_allows_lies_outside(error: float, month: float, left: float) -> None:
    """Both ends, as left and as found, lie within the half-width around what even drift gives at mid-time."""
    old = replace(BEFORE, corrections=(-left,))
    new = certificate_with_error(error)
    outcome = effect(old, new, np.array([round(month * MONTH)]), np.array([20.0]))
    assert outcome is not None
    delta = error - left
    assert outcome.half_width[0] == pytest.approx(abs(delta) / 2)
    assert outcome.correction[0] == pytest.approx(-delta * month / 12, abs=1e-6)
    mid = effect(old, new, np.array([6 * MONTH]), np.array([20.0]))
    assert mid is not None
    for end in (0.0, -delta):
        assert abs(end - mid.correction[0]) <= mid.half_width[0] + 1e-9


def test_a_probe_in_fahrenheit_drifts_in_its_own_unit() -> None:
    """As found +0.54 degF at the end of the year: −0.27 degF, 0.15 K, at mid-year."""
    channel = replace(T1, unit="degF", probe_span=(-40.0, 140.0))
    old = replace(BEFORE, indications=(68.0,), U=(0.18,), range=(50.0, 86.0), drift=0.0)
    new = replace(old, number="C-2", valid_from_ns=12 * MONTH, as_found=AsFound((68.0,), (0.54,), "linear"))
    outcome = correct_readings(channel, [old, new], np.array([6 * MONTH]), np.array([68.0]))
    assert outcome.value[0] == pytest.approx(19.85)
    assert outcome.U[0] == pytest.approx(0.20, abs=1e-4)


# Which verdicts change: through a version of the setup, on a stored record.


def test_inspections_whose_verdict_changes_are_listed(build: SimpleNamespace, store: Store) -> None:
    """19.20 conformed from 19.10 on; 19.05 with acceptance from 19.20 is guard band."""
    first = build.setup((build.rule(lower=19.0, upper=21.0),), U=0.10)
    (paper,) = first.certificates
    half_year = round(build.at(12) - datetime(2025, 9, 10, tzinfo=UTC).timestamp() * NS)
    old = replace(paper, valid_from_ns=build.at(12) - half_year)
    new = replace(
        old,
        number="C-2",
        valid_from_ns=build.at(12) + half_year,
        as_found=AsFound((20.0,), (0.30,), "linear"),
    )
    first = replace(first, certificates=(old,))
    second = replace(first, version=2, digest="second", certificates=(old, new))
    start = build.at(0) + 30 * NS
    values = np.where(np.arange(1440) < 1080, 19.20, 19.90)
    store.append("w", [Row("T1.temperature", start + i * 60 * NS, 0, float(v)) for i, v in enumerate(values)])
    for key, begin in (("J-1", 8), ("J-2", 20)):
        job = Inspection(key, "bay", build.at(begin), build.at(begin + 1), f"Housing {key}")
        actions.add_inspection(store, first, job, "Radek")
    after = in_force_together(first, second, build.at(20))

    changed = changed_verdicts(store, first, after, build.at(200))

    assert [(c.what, c.job, c.was, c.becomes) for c in changed] == [
        ("inspection J-1", "Housing J-1", "stable (conforming)", "not shown (guard band)")
    ]
    assert changed[0].sentence == "inspection J-1: was stable (conforming), now not shown (guard band)"
    assert changed_verdicts(store, first, first, build.at(200)) == []
    assert store.verdict_cache.days("bay", 0, 10**6) == {}, "asking stores nothing"


def test_figures_that_move_are_listed_where_the_verdict_stays(build: SimpleNamespace, store: Store) -> None:
    """20.50 corrected by another −0.10 K: 500 mm of aluminium on steel, 5e5 µm · Δα · 0.50 and 0.40 K."""
    first = build.setup((build.rule(lower=19.0, upper=21.0),), U=0.10)
    (paper,) = first.certificates
    colder = replace(paper, corrections=tuple(c - 0.10 for c in paper.corrections), U=(0.20,) * len(paper.U))
    second = replace(first, version=2, digest="second", certificates=(colder,))
    start = build.at(0) + 30 * NS
    store.append("w", [Row("T1.temperature", start + i * 60 * NS, 0, 20.50) for i in range(1440)])
    lone = Inspection("J-1", "bay", build.at(8), build.at(9), "Rail", "", "aluminium", 500.0, 40.0)
    actions.add_inspection(store, first, lone, "Radek")
    actions.add_inspection(store, first, replace(lone, key="J-2", length_mm=None), "Radek")

    (moved,) = changed_verdicts(store, first, second, build.at(200))

    assert not moved.is_other_verdict
    assert (moved.what, moved.was, moved.becomes) == ("inspection J-1", *["stable (conforming)"] * 2)
    delta = material_of("aluminium").alpha_per_K - material_of("steel").alpha_per_K
    were, become = moved.figures_were, moved.figures_become
    assert were.error_um == pytest.approx(5e5 * delta * 0.50, abs=1e-6)
    assert become.error_um == pytest.approx(5e5 * delta * 0.40, abs=1e-6)
    assert (become.U_um or 0.0) > (were.U_um or 0.0) > 0
    error = f"error {were.error_um:.2f} → {become.error_um:.2f} µm"
    U = f"U {were.U_um:.2f} → {become.U_um:.2f} µm"
    assert moved.sentence == f"inspection J-1: stable (conforming) as before; {error}, {U}"
    assert store.verdict_cache.days("bay", 0, 10**6) == {}, "asking stores nothing"


def in_force_together(first: Setup, second: Setup, approved_ns: int) -> Setup:
    return effective_setup([Version(first, 0), Version(second, approved_ns)])
