"""The year for the management review: counted by hand on made excursions and periods."""

from __future__ import annotations

import pytest

from logger.instants import NS
from logger.model import Excursion, Period
from logger.record.year import before_after, repeats, stable_share

DAY = 86_400 * NS
AT = 1_000 * DAY


def beyond(day: float, hours: float = 1.0, rule: str = "bay.temperature") -> Excursion:
    begin = AT + round(day * DAY)
    return Excursion(
        "bay", rule, begin, begin + round(hours * 3600) * NS, 21.0, begin, 20.5, 0.1, "degC", 0.1, (), True
    )


def test_before_and_after_are_those_of_the_specification() -> None:
    """30 days each side, excursions 9 -> 2, hours 14 -> 1.5."""
    before = [beyond(-d, 14 / 9) for d in (29, 25, 21, 17, 13, 9, 6, 3, 1)]
    after = [beyond(4, 1.0), beyond(20, 0.5)]
    outside = [beyond(-40, 5.0), beyond(35, 5.0)]
    told = before_after([*before, *after, *outside], AT)
    assert (told["excursions_before"], told["excursions_after"]) == (9, 2)
    assert (told["hours_before"], told["hours_after"]) == (pytest.approx(14, abs=0.01), 1.5)


def test_the_third_within_thirty_days_is_a_repeat() -> None:
    found = [beyond(0), beyond(14), beyond(29), beyond(100), beyond(120), beyond(131)]
    (run,) = repeats(found)
    assert (run["times"], run["rule"]) == (3, "bay.temperature")
    assert list(repeats(found[:2])) == []
    assert [r["times"] for r in repeats([beyond(d) for d in (0, 10, 20, 30, 40, 90, 100, 110)])] == [5, 3]


def test_the_share_is_of_recorded_time_and_none_without_any() -> None:
    periods = [
        Period("bay", 0, 6 * DAY, "stable", "conforming"),
        Period("bay", 6 * DAY, 8 * DAY, "not shown", "indeterminate"),
    ]
    assert stable_share(periods) == 0.75
    assert stable_share(periods, [(5 * DAY, 7 * DAY)]) == 0.5
    assert stable_share([]) is None
