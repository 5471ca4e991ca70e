"""From a record and from the answer to one date, corrections and their U can be worked out again."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.acts import inspections as actions
from logger.core.calibration.apply import correct_readings
from logger.core.calibration.breakdown import correction_breakdown
from logger.inspections import impact as affected
from logger.instants import NS, rfc3339
from logger.model import AsFound, Certificate, Channel, Inspection, Row, Setup
from logger.record.at_instant import state_at
from logger.record.corrections import as_found_words
from logger.record.fact_forms import AsFoundFacts
from logger.record.facts import record_facts
from logger.record.interval import Interval
from logger.record.section_words import limits
from logger.record.words import _beginning
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.builders import build

__all__ = ["build"]
HOUR = 3600 * NS
PAPER = Certificate("C-1", "T1.temperature", "Lab", "D-K 1", "2026-01-01", 0, None, (20.0,), (-0.01,),
                    (0.03,), 2.0, (10.0, 30.0), calibrated_ns=0)  # fmt: skip


@pytest.fixture
def setup(build: SimpleNamespace) -> Setup:
    """T1 under C-1 (−0.010 K, U 0.03) until noon, then under C-2, which found an error of +0.13 K, linear."""
    room: Setup = build.setup((build.rule(disturbs=False),), pre_window_s=0)
    later = build.at(12)
    as_found = AsFound((20.0,), (0.13,), "linear")
    begin = replace(PAPER, valid_from_ns=build.at(0), calibrated_ns=build.at(0))
    after = replace(PAPER, number="C-2", valid_from_ns=later, calibrated_ns=later, corrections=(-0.13,),
                    as_found=as_found)  # fmt: skip
    return replace(room, certificates=(begin, after))


@pytest.fixture
def store(tmp_path: object, setup: Setup, build: SimpleNamespace) -> object:
    with Store.open(tmp_path / "data", create=True, simulated=True) as opened:  # type: ignore[operator]
        first = build.at(0) + 30 * NS
        taken = [first + i * 60 * NS for i in range(1440)]
        opened.append("w", [Row("T1.temperature", t, t, 20.0) for t in taken])
        yield opened


def test_a_correction_and_its_U_are_told_part_by_part(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    """Just before noon: −0.130 = −0.010 − 0.120 within 0.001; U from 0.015 and 0.12/2/√3: 0.0754."""
    state = state_at(store, Verdicts(store, setup), "bay", build.at(12) - 60 * NS, build.at(48))
    (reading,) = state["readings"]
    parts = reading["worked_out"]
    assert [p["name"].split(",")[0] for p in parts["correction"]] == ["certificate C-1", "as found by C-2"]
    assert [p["value"] for p in parts["correction"]] == pytest.approx([-0.010, -0.120], abs=0.001)
    assert reading["correction"] == pytest.approx(-0.130, abs=0.001)
    assert reading["U"] == pytest.approx(2 * math.hypot(0.015, 0.12 / 2 / math.sqrt(3)), abs=1e-6)
    U = 2 * math.hypot(*(p["value"] for p in parts["standard_uncertainty"]))
    assert reading["U"] == pytest.approx(U, abs=1e-6)


@given(
    st.floats(10, 30), st.floats(0, 0.1), st.floats(0, 0.1), st.floats(0, 0.1), st.floats(-0.3, 0.3),
    st.sampled_from(["", "linear", "step"]), st.integers(0, 20),
)  # fmt: skip
def test_the_parts_are_those_that_the_judge_used(
    at: float, resolution: float, drift: float, other: float, error: float, model: str, hour: int
) -> None:
    """Sum of the corrections and root of the squares, against the correction of the same reading."""
    channel = Channel("T1.temperature", "T1", "temperature", "degC", 60, 180, resolution, 0.004, (-40, 60))
    first = replace(PAPER, drift=drift, other_u=other)
    after = replace(PAPER, number="C-2", valid_from_ns=12 * HOUR, calibrated_ns=12 * HOUR,
                    as_found=AsFound((20.0,), (error,), model))  # type: ignore[arg-type]  # fmt: skip
    papers = (first, after)
    corrected = correct_readings(channel, papers, np.array([hour * HOUR]), np.array([at]))
    parts = correction_breakdown(channel, papers, hour * HOUR, at)
    assert parts is not None
    assert at + parts.total == pytest.approx(float(corrected.value[0]), abs=1e-9)
    assert pytest.approx(float(corrected.U[0]), abs=1e-9) == parts.U


def test_a_record_names_the_later_certificate_and_all_that_enters_U(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    """From the paper alone: −0.010, error found 0.13, from calibration to calibration; U 0.03, k 2."""
    facts = record_facts(
        store, Verdicts(store, setup), setup, Interval("bay", build.at(1), build.at(2), build.at(48))
    )
    (paper,) = facts["probes"][0]["certificates"]
    assert paper["points"] == [{"indication": 20.0, "correction": -0.01, "U": 0.03}]
    result = paper["as_found"]
    assert (result["certificate"], result["model"], result["points"][0]["error"]) == ("C-2", "linear", 0.13)
    assert result["largest_change"] == pytest.approx(0.12)
    assert (result["from"], result["to"]) == ("2026-03-10T00:00:00Z", "2026-03-10T12:00:00Z")


def test_the_later_certificate_lists_the_inspections_that_it_re_judged(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    """An inspection in the morning, under C-1: touched by what C-2 found, by 0.12 K; one at night is, too."""
    actions.add_inspection(
        store, setup, Inspection("R-1", "bay", build.at(6), build.at(7), "Ring"), "Radek Sova"
    )
    verdicts = Verdicts(store, setup)
    assert [t.job.key for t in affected.by_certificate(verdicts, "C-2", build.at(48))] == ["R-1"]
    assert [t.job.key for t in affected.by_certificate(verdicts, "C-1", build.at(48))] == ["R-1"]


def test_limits_gaps_and_corrections_say_what_they_are_about(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    """An activity stands beside its limits, a probe placed at noon was not silent before, and a thermometer
    that no limit rests on is read now and then, not silent.
    """
    blocks = build.rule(name="gauge blocks", activity="gauge blocks", upper=20.5)
    places = {"T1": (1.0, 1.0, 1.0), "T2": (2.0, 1.0, 1.0), "T3": (3.0, 1.0, 1.0)}
    rules = (build.rule(channels=("T1.temperature", "T2.temperature")), blocks)
    room: Setup = build.setup(
        (rules[0], replace(blocks, channels=("T1.temperature",))), places, pre_window_s=0
    )
    stays = tuple(replace(p, from_ns=build.at(12)) if p.probe == "T2" else p for p in room.placements)
    room = replace(room, placements=stays)
    taken = [build.at(12) + (30 + 60 * i) * NS for i in range(720)]
    store.append("w", [Row("T2.temperature", t, t, 20.0) for t in taken])
    store.append("w", [Row("T3.temperature", build.at(h), build.at(h), 20.0) for h in (3, 20)])
    span = Interval("bay", build.at(0), build.at(24), build.at(48))
    facts = record_facts(store, Verdicts(store, room), room, span)
    assert facts["gaps"] == []
    (by_hand,) = facts["without_limit"]
    assert (by_hand["channel"], by_hand["readings"], by_hand["longest_silence_s"]) == (
        "T3.temperature", 2, 17 * 3600,
    )  # fmt: skip
    vienna = ZoneInfo("Europe/Vienna")
    assert [row[:2] for row in limits(facts, vienna)["rows"]] == [
        ["temperature", "all"], ["gauge blocks", "gauge blocks"],
    ]  # fmt: skip
    assert _beginning("1970-01-01T00:00:00Z", vienna) == "the beginning of the data"


def test_a_recalibration_acts_until_its_day_on_the_clock_of_the_room() -> None:
    """Midnight of 18 August in Lisbon is 23:00 of 17 August in UTC: the record says the 18th."""
    as_found: AsFoundFacts = {
        "certificate": "K-21",
        "model": "linear",
        "points": [{"indication": 20.11, "error": 0.11}],
        "largest_change": 0.09,
        "from": "2026-03-02T00:00:00Z",
        "to": "2026-08-17T23:00:00Z",
    }
    words = as_found_words(as_found, "K at °C", ZoneInfo("Europe/Lisbon"))
    assert words == "K-21: errors (K at °C) +0.11 at 20.11, linear from 2026-03-02 to 2026-08-18"


def test_a_certificate_is_worked_out_while_its_probe_stood_in_the_zone(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    """T1 left at 08:00: the trace is of a time before, and C-2, in use from noon on, is no part of it."""
    left = replace(setup, placements=tuple(replace(p, to_ns=build.at(8)) for p in setup.placements))
    span = Interval(left.rules[0].zone, build.at(0), build.at(24), build.at(30))
    (stay,) = record_facts(store, Verdicts(store, left), left, span)["probes"]
    (paper,) = stay["certificates"]
    assert paper["number"] == "C-1"
    trace = paper["worked_out"]
    assert trace is not None
    assert trace["at"] == rfc3339(build.at(4))
