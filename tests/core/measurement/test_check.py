"""The check of an interval: three answers, the pre-window, every rule listed, the digest."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.measurement.check import Check, check
from logger.model import Mark

VERDICTS = ("stable", "not stable", "not shown")


def answer(
    build: SimpleNamespace, values: object, start: float, end: float, *, pre_window_s: int = 0, **more: object
) -> Check:
    """Check [start, end) hours of a day with these minute values, band 19 … 21 degC, U = 0.2 K."""
    setup = build.setup((build.rule(),), settling_s=int(more.pop("settling_s", 0)))
    marks = tuple(more.pop("marks", ()))
    judgement = build.judged(setup, {"T1": build.series(values)}, marks=marks)
    return check(judgement, setup, build.at(start), build.at(end), pre_window_s=pre_window_s, marks=marks)


@pytest.fixture
def day() -> np.ndarray:
    """A day at 20.0 with an excursion 9:00–9:30, guard band 13:00–13:10, silence 16:00–17:00."""
    values = np.full(1440, 20.0)
    values[540:570] = 21.5
    values[780:790] = 20.9
    values[960:1020] = np.nan
    return values


@pytest.mark.parametrize(
    ("hours", "verdict", "reason"),
    [
        ((6.0, 8.0), "stable", None),
        ((8.5, 9.2), "not stable", "nonconforming"),
        ((15.5, 16.5), "not shown", "indeterminate"),
        ((12.9, 13.5), "not shown", "guard band"),
        ((8.5, 16.5), "not stable", "nonconforming"),
    ],
)
def test_three_answers(
    build: SimpleNamespace, day: np.ndarray, hours: tuple[float, float], verdict: str, reason: str | None
) -> None:
    result = answer(build, day, *hours)
    assert result.verdict == verdict
    assert (result.causes[0].reason if result.causes else None) == reason


def test_the_pre_window_asks_the_rules_alone(build: SimpleNamespace, day: np.ndarray) -> None:
    """Excursion one hour before the start, no settling: 2 h before is not stable, 30 min before is stable."""
    assert answer(build, day, 10.5, 11.5, pre_window_s=7200).verdict == "not stable"
    assert answer(build, day, 10.5, 11.5, pre_window_s=1800).verdict == "stable"


def test_settling_does_not_count_before_the_start(build: SimpleNamespace, day: np.ndarray) -> None:
    """Settling 2 h ends at 11:30: with 1 h before it, a start at 11:31 is stable, one at 11:29 is not."""
    late = answer(build, day, 11 + 31 / 60, 12.5, pre_window_s=3600, settling_s=7200)
    early = answer(build, day, 11 + 29 / 60, 12.5, pre_window_s=3600, settling_s=7200)
    assert (late.verdict, early.verdict) == ("stable", "not stable")
    assert early.causes[0].reason == "settling"
    assert early.causes[0].rule == "bay.temperature"


def test_a_mark_is_told_with_its_words(build: SimpleNamespace, day: np.ndarray) -> None:
    mark = Mark("bay", build.at(7), build.at(7.5), "filter changed", "Greta Holm")
    result = answer(build, day, 6.0, 8.0, marks=[mark])
    assert result.verdict == "not stable"
    assert result.causes[0].why == "filter changed (marked by Greta Holm)"


def test_every_reason_says_where_and_how_much(build: SimpleNamespace, day: np.ndarray) -> None:
    cause = answer(build, day, 8.5, 9.2).to_dict()["reasons"][0]
    assert cause["worst"] == 21.5
    assert (cause["limit"], cause["U"], cause["unit"], cause["proven"]) == (21.0, 0.2, "degC", True)
    assert (cause["probe"], cause["basis"]) == ("T1", "made for a test")
    assert cause["from"] == "2026-03-10T09:00:00Z"
    assert cause["to"] == "2026-03-10T09:12:00Z"


def test_min_max_span_and_share_stand_beside_the_mean(build: SimpleNamespace) -> None:
    """A swing of ±1.5 K about 20.0: the mean says nothing, min and max do."""
    values = 20.0 + 1.5 * np.sin(2 * np.pi * np.arange(1440) / 720)
    result = answer(build, values, 0.0, 24.0).to_dict()["statistics"]["T1.temperature"]
    assert result["mean"] == pytest.approx(20.0, abs=1e-3)
    assert (result["min"], result["max"]) == (pytest.approx(18.5), pytest.approx(21.5))
    assert result["span"] == pytest.approx(3.0)
    assert result["share_within"] == pytest.approx(1 - 2 / np.pi * np.arccos(1 / 1.5), abs=0.005)


def test_a_stable_answer_lists_every_rule_with_its_worst(build: SimpleNamespace, day: np.ndarray) -> None:
    (rule,) = answer(build, day, 6.0, 8.0).rules
    assert (rule.reason, rule.worst, rule.U) == ("conforming", 20.0, pytest.approx(0.2))


def test_the_digest_covers_the_finding_and_not_the_software(build: SimpleNamespace, day: np.ndarray) -> None:
    setup = build.setup((build.rule(),))
    judgement = build.judged(setup, {"T1": build.series(day)})
    item, other = (
        check(judgement, setup, build.at(6), build.at(8), pre_window_s=0, software=v).to_dict() for v in "12"
    )
    moved = check(judgement, setup, build.at(6), build.at(8.5), pre_window_s=0).to_dict()
    assert item["digest"] == other["digest"] != moved["digest"]


def test_a_probe_too_slow_for_the_cycle_is_told(build: SimpleNamespace) -> None:
    """A 12 min cycle of the air handling: 60 s resolve it, a probe that responds in 2 min does not follow."""
    values = 20.0 + 0.15 * np.sin(2 * np.pi * np.arange(1440) / 12)
    readings = {"T1": build.series(values)}
    output = []
    for response_s in (0.0, 120.0):
        setup = build.setup((build.rule(),), channel={"response_s": response_s})
        result = check(build.judged(setup, readings), setup, build.at(6), build.at(8), pre_window_s=0)
        output.append(result.to_dict()["notices"])
    assert output[0] == []
    assert output[1] == [
        "T1.temperature: probe too slow: it responds in 120 s, and the dominant period is 720 s "
        "(expected at most 72 s)"
    ]
