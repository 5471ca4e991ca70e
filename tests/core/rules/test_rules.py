"""Rules in single cells: limits with guard band, spans, gradients, evidence. Numbers by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from logger.model import Conformity
from logger.model.reasons import Why
from logger.units import MICRO

LIMIT = {"lower": 19.0, "upper": 21.0}


@pytest.mark.parametrize(
    ("value", "r", "expected", "proven"),
    [
        (20.75, 1.0, Conformity.CONFORMING, False),
        (20.80, 1.0, Conformity.CONFORMING, False),
        (20.85, 1.0, Conformity.GUARD_BAND, False),
        (21.00, 1.0, Conformity.GUARD_BAND, False),
        (21.05, 1.0, Conformity.NONCONFORMING, False),
        (21.20, 1.0, Conformity.NONCONFORMING, False),
        (21.25, 1.0, Conformity.NONCONFORMING, True),
        (20.85, 0.0, Conformity.CONFORMING, False),
        (19.20, 1.0, Conformity.CONFORMING, False),
        (19.15, 1.0, Conformity.GUARD_BAND, False),
        (18.75, 1.0, Conformity.NONCONFORMING, True),
    ],
)
def test_band_with_guard_band(
    build: SimpleNamespace, value: float, r: float, expected: Conformity, proven: bool
) -> None:
    """Limits 20 ± 1 degC, U = 0.2 K: ILAC-G8:09/2019 guard band w = r·U."""
    setup = build.setup((build.rule(r=r),), U=0.2)
    finding = build.judged(setup, {"T1": build.series(np.full(1440, value))}).findings[0]
    assert set(finding.conformity.tolist()) == {expected}
    assert bool(finding.proven.all()) is proven


def test_no_swing_is_averaged_away(build: SimpleNamespace) -> None:
    """Mean 20.0, swing ±1.5 K, limit ±1 K: nonconforming 2/π·acos(1/1.5) of the time, about 54 %."""
    minutes = np.arange(1440)
    readings = build.series(20.0 + 1.5 * np.sin(2 * np.pi * minutes / 720))
    finding = build.judged(build.setup((build.rule(r=0.0),)), {"T1": readings}).findings[0]
    share = float((finding.conformity == Conformity.NONCONFORMING).mean())
    assert share == pytest.approx(2 / np.pi * np.arccos(1 / 1.5), abs=0.005)


def test_span_flags_a_ramp_when_it_has_moved_by_the_limit(build: SimpleNamespace) -> None:
    """0.5 K in 60 min against a span of 0.4 K in 1 h: 48 min after the ramp began."""
    ramp = np.clip((np.arange(1440) - 600) * 0.5 / 60, 0, 0.5)
    rule = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=0.4, unit="K", r=0.0)
    finding = build.judged(build.setup((rule,)), {"T1": build.series(20.0 + ramp)}).findings[0]
    first = int(np.flatnonzero(finding.conformity == Conformity.NONCONFORMING)[0])
    assert first - 600 == pytest.approx(48, abs=2)


@pytest.mark.parametrize(("amplitude", "period_min", "span"), [(0.5, 20, 1.0), (0.5, 60, 1.0)])
def test_span_of_a_cycle_is_its_whole_swing(
    build: SimpleNamespace, amplitude: float, period_min: int, span: float
) -> None:
    """values.csv, rate definitions: max − min in a sliding hour, whatever the phase."""
    readings = build.series(20.0 + amplitude * np.sin(2 * np.pi * np.arange(1440) / period_min))
    rule = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=5.0, unit="K")
    finding = build.judged(build.setup((rule,)), {"T1": readings}).findings[0]
    assert finding.value[120:].max() / MICRO == pytest.approx(span, abs=1e-3)


def test_calibration_offset_cancels_in_a_span(build: SimpleNamespace) -> None:
    """U(span) = 2·√2·u_cell with u_cell² = noise²/n + resolution²/12: 0.0295 K for 0.01 and 0.01."""
    rule = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=1.0, unit="K")
    setup = build.setup((rule,), channel={"noise": 0.01, "resolution": 0.01}, U=0.5)
    finding = build.judged(setup, {"T1": build.series(np.full(1440, 20.0))}).findings[0]
    by_hand = 2 * np.sqrt(2) * np.sqrt(0.01**2 + 0.01**2 / 12)
    assert finding.U[-1] / MICRO == pytest.approx(by_hand, abs=1e-6)


def gradient(build: SimpleNamespace, **changed: object) -> object:
    """A rule on the vertical gradient, 0.5 K/m."""
    return build.rule(
        **{
            "name": "vertical gradient",
            "kind": "gradient",
            "direction": "vertical",
            "unit": "K/m",
            "lower": None,
            "upper": 0.5,
            "disturbs": False,
            "d_min_m": 0.3,
        }
        | changed
    )


def test_vertical_gradient_names_its_worst_pair(build: SimpleNamespace) -> None:
    """19.8, 20.0, 20.4 degC at 0.5, 1.0, 2.0 m: 0.40 K/m."""
    places = {"T1": (0.0, 0.0, 0.5), "T2": (0.0, 0.0, 1.0), "T3": (0.0, 0.0, 2.0)}
    values = {"T1": 19.8, "T2": 20.0, "T3": 20.4}
    setup = build.setup((gradient(build, r=0.0),), places)
    readings = {p: build.series(np.full(1440, v)) for p, v in values.items()}
    finding = build.judged(setup, readings).findings[0]
    assert finding.value[-1] / MICRO == pytest.approx(0.4, abs=1e-6)


def test_gradient_of_two_probes_carries_both_uncertainties(build: SimpleNamespace) -> None:
    """Two probes of U = 0.10 K, 1 m apart and equal: U = 0.141 K/m."""
    setup = build.setup((gradient(build),), {"T1": (0.0, 0.0, 1.0), "T2": (0.0, 0.0, 2.0)}, U=0.1)
    readings = {p: build.series(np.full(1440, 20.0)) for p in ("T1", "T2")}
    finding = build.judged(setup, readings).findings[0]
    assert finding.U[-1] / MICRO == pytest.approx(0.1 * np.sqrt(2), abs=1e-6)
    assert finding.labels == ("T1–T2",)


def test_probes_at_one_height_say_nothing_of_the_vertical(build: SimpleNamespace) -> None:
    setup = build.setup((gradient(build),), {"T1": (0.0, 0.0, 1.0), "T2": (3.0, 0.0, 1.0)})
    readings = {p: build.series(np.full(1440, 20.0)) for p in ("T1", "T2")}
    finding = build.judged(setup, readings).findings[0]
    assert set(finding.conformity.tolist()) == {Conformity.INDETERMINATE}


@pytest.mark.parametrize(
    ("missing", "expected"),
    [(range(10, 14), Why.INCOMPLETE), (range(10, 12), Why.EVIDENCE), (range(10, 15), Why.GAP)],
    ids=["56 of 60", "58 of 60", "6 min without a reading"],
)
def test_a_window_needs_enough_readings(build: SimpleNamespace, missing: range, expected: Why) -> None:
    """At least 95 % of the readings of the hour, and no time without one above max(3 min, 5 min)."""
    values = np.full(1440, 20.0)
    values[[60 + m for m in missing]] = np.nan
    rule = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=1.0, unit="K")
    finding = build.judged(build.setup((rule,)), {"T1": build.series(values)}).findings[0]
    assert finding.why[119] == expected
    assert finding.why[200] == Why.EVIDENCE


def test_the_first_hour_of_a_record_has_no_full_window(build: SimpleNamespace) -> None:
    rule = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=1.0, unit="K")
    finding = build.judged(build.setup((rule,)), {"T1": build.series(np.full(1440, 20.0))}).findings[0]
    assert (finding.conformity[:50] == Conformity.INDETERMINATE).all()
    assert (finding.conformity[60:] == Conformity.CONFORMING).all()


def test_what_was_seen_beyond_a_limit_counts_even_in_an_incomplete_window(build: SimpleNamespace) -> None:
    values = np.full(1440, 20.0)
    values[600:] = 21.5
    values[601:640] = np.nan
    rule = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=1.0, unit="K")
    finding = build.judged(build.setup((rule,)), {"T1": build.series(values)}).findings[0]
    assert finding.conformity[620] == Conformity.NONCONFORMING


def test_one_of_three_may_fail_where_two_are_enough(build: SimpleNamespace) -> None:
    places = {f"T{i}": (float(i), 0.0, 1.0) for i in (1, 2, 3)}
    good = build.series(np.full(1440, 20.0))
    readings = {"T1": good, "T2": good, "T3": build.series(np.full(1440, np.nan))}
    all_three = build.judged(build.setup((build.rule(),), places), readings).findings[0]
    two = build.judged(build.setup((build.rule(need=2),), places), readings).findings[0]
    assert set(all_three.conformity.tolist()) == {Conformity.INDETERMINATE}
    assert set(two.conformity.tolist()) == {Conformity.CONFORMING}


def test_a_part_rule_refuses_an_air_probe(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(media=("part",)),))
    finding = build.judged(setup, {"T1": build.series(np.full(1440, 20.0))}).findings[0]
    assert set(finding.conformity.tolist()) == {Conformity.INDETERMINATE}
    assert set(finding.why.tolist()) == {Why.NO_PROBE}


def test_each_hour_is_judged_by_the_limit_that_was_in_force(build: SimpleNamespace) -> None:
    old = build.rule(upper=20.2, to_ns=build.at(12))
    new = build.rule(upper=21.0, from_ns=build.at(12))
    judgement = build.judged(build.setup((old, new)), {"T1": build.series(np.full(1440, 20.5))})
    assert set(judgement.reason[:720].tolist()) == {0}
    assert set(judgement.reason[720:].tolist()) == {5}


def test_slope_of_a_noisy_ramp(build: SimpleNamespace) -> None:
    """0.30 K/h with 0.02 K of noise: 0.30 ± 0.02 K/h over 4 h windows, as least squares by numpy says."""
    rng = np.random.default_rng(5)
    values = 19.0 + 0.3 * np.arange(1440) / 60 + rng.normal(0, 0.02, 1440)
    rule = build.rule(
        name="slope over 4 h", kind="slope", window_s=4 * 3600, lower=None, upper=1.0, unit="K/h"
    )
    setup = build.setup((rule,), channel={"noise": 0.02})
    finding = build.judged(setup, {"T1": build.series(values)}).findings[0]
    observed = finding.value[240:] / MICRO
    assert np.abs(observed - 0.30).max() < 0.02
    by_numpy = np.polyfit(np.arange(240) / 60, np.round(values[-240:], 6), 1)[0]
    assert finding.value[-1] / MICRO == pytest.approx(by_numpy, abs=2e-6)
    u = 0.02 / np.sqrt(((np.arange(240) / 60 - np.arange(240).mean() / 60) ** 2).sum())
    assert finding.U[-1] / MICRO == pytest.approx(2 * u, abs=2e-6)


def test_a_slope_is_never_judged_in_an_incomplete_window(build: SimpleNamespace) -> None:
    values = 20.0 + np.arange(1440) / 60
    values[600:640] = np.nan
    rule = build.rule(name="slope over 1 h", kind="slope", window_s=3600, lower=None, upper=0.5, unit="K/h")
    finding = build.judged(build.setup((rule,)), {"T1": build.series(values)}).findings[0]
    assert finding.conformity[500] == Conformity.NONCONFORMING
    assert finding.conformity[620] == Conformity.INDETERMINATE


def test_difference_between_media_has_a_sign(build: SimpleNamespace) -> None:
    """Plate top 20.5, bottom 20.0: +0.5 K, U = 0.14 K from two of 0.10."""
    rule = build.rule(
        name="top minus bottom", kind="difference", channels=("T1.temperature", "T2.temperature"),
        lower=-0.4, upper=0.4, unit="K",
    )  # fmt: skip
    setup = build.setup((rule,), {"T1": (0, 0, 1.0), "T2": (0, 0, 0.85)}, U=0.1)
    readings = {"T1": build.series(np.full(1440, 20.5)), "T2": build.series(np.full(1440, 20.0))}
    finding = build.judged(setup, readings).findings[0]
    assert finding.value[-1] / MICRO == pytest.approx(0.5)
    assert finding.U[-1] / MICRO == pytest.approx(0.1414, abs=1e-4)
    assert set(finding.conformity.tolist()) == {Conformity.NONCONFORMING}
