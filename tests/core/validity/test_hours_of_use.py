"""Hours of use across clock changes, and which excursions ask a person."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.validity.hours_of_use import Span, asks_disposition, overlap_ns, spans
from logger.instants import NS
from logger.model import HoursOfUse, Zone

VIENNA = "Europe/Vienna"
HOUR = 3600 * NS
WEEK = HoursOfUse(tuple((day, 6 * 60, 22 * 60) for day in range(5)))
NIGHT = HoursOfUse(tuple((day, 22 * 60, 30 * 60) for day in range(7)))  # 22:00 to 06:00
BAY = Zone("bay", "Bay", (0, 0, 5, 5), settling_s=4 * 3600, pre_window_s=7200, hours_of_use=WEEK)


def at(text: str) -> int:
    """Local time in Vienna, or with its offset."""
    moment = datetime.fromisoformat(text)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(VIENNA))
    return int(moment.timestamp()) * NS


def lengths(hours: HoursOfUse, start: str, end: str) -> list[float]:
    return [(b - a) / HOUR for a, b in spans(hours, VIENNA, at(start), at(end))]


def test_a_week_has_five_days() -> None:
    result = spans(WEEK, VIENNA, at("2026-10-12"), at("2026-10-19"))
    assert len(result) == 5
    assert result[0] == (at("2026-10-12T06:00"), at("2026-10-12T22:00"))


@pytest.mark.parametrize(
    ("day", "hours"),
    [("2026-10-24T12:00", 9.0), ("2026-10-23T12:00", 8.0), ("2026-03-28T12:00", 7.0)],
    ids=["clock goes back", "no change", "clock goes forward"],
)
def test_a_night_shift_is_as_long_as_its_night(day: str, hours: float) -> None:
    end = (datetime.fromisoformat(day) + timedelta(days=1)).isoformat()
    assert lengths(NIGHT, day, end) == [hours]


def test_a_whole_day_of_25_hours() -> None:
    sunday = HoursOfUse(((6, 0, 1440),))
    assert lengths(sunday, "2026-10-24", "2026-10-27") == [25.0]


@pytest.mark.parametrize(
    ("begin", "end", "length"),
    [(120, 150, 1.5), (150, 240, 2.5)],
    ids=["02:00 to 02:30 twice", "02:30 to 04:00 from the first 02:30"],
)
def test_a_time_that_comes_twice_makes_the_hours_longer(begin: int, end: int, length: float) -> None:
    assert lengths(HoursOfUse(((6, begin, end),)), "2026-10-25", "2026-10-26") == [length]


def test_no_hours_begin_on_a_holiday() -> None:
    free = HoursOfUse(WEEK.weekly, ("2026-10-26",))
    assert lengths(free, "2026-10-26", "2026-10-28") == [16.0]


def test_none_declared_is_always() -> None:
    assert spans(None, VIENNA, 5, 9) == [(5, 9)]
    assert spans(WEEK, VIENNA, 9, 9) == []


@given(st.integers(0, 60 * 24 * 400), st.integers(1, 60 * 24 * 9))
def test_against_every_minute_of_the_clock(begin_min: int, length_min: int) -> None:
    """Each minute asked by itself, with the standard library's own conversion."""
    from_ns = at("2026-01-01") + begin_min * 60 * NS
    to_ns = from_ns + length_min * 60 * NS
    step = max(1, length_min // 200)
    result = spans(WEEK, VIENNA, from_ns, to_ns)
    for minute in range(0, length_min, step):
        ns = from_ns + minute * 60 * NS
        wall = datetime.fromtimestamp(ns // NS, UTC).astimezone(ZoneInfo(VIENNA))
        expected = wall.weekday() < 5 and 6 <= wall.hour < 22
        assert any(a <= ns < b for a, b in result) == expected


@given(
    st.lists(st.integers(0, 99), max_size=8, unique=True),
    st.lists(st.integers(0, 99), max_size=8, unique=True),
)
def test_common_time_against_counting(first: list[int], other: list[int]) -> None:
    lists = [list(zip(*[iter(sorted(x)[: len(x) // 2 * 2])] * 2, strict=True)) for x in (first, other)]
    counted = sum(all(any(a <= t < b for a, b in spans_) for spans_ in lists) for t in range(100))
    assert overlap_ns(*lists) == counted


def excursion(start: str, end: str) -> Span:
    return at(start), at(end)


@pytest.mark.parametrize(
    ("span", "disturbs", "jobs", "asks"),
    [
        (("2026-10-13T02:00", "2026-10-13T04:00"), True, [], False),
        (("2026-10-13T02:00", "2026-10-13T04:00"), True, [("2026-10-13T06:30", "2026-10-13T08:00")], True),
        (("2026-10-13T02:00", "2026-10-13T04:00"), True, [("2026-10-13T10:30", "2026-10-13T12:00")], False),
        (("2026-10-13T02:00", "2026-10-13T03:00"), False, [("2026-10-13T06:30", "2026-10-13T08:00")], False),
        (("2026-10-13T02:00", "2026-10-13T05:00"), False, [("2026-10-13T06:30", "2026-10-13T08:00")], True),
        (("2026-10-13T05:30", "2026-10-13T06:01"), True, [], True),
        (("2026-10-17T10:00", "2026-10-17T12:00"), True, [], False),
    ],
    ids=[
        "night, no job", "night, job in its settling", "night, job after settling and pre-window",
        "night, a rule that disturbs nothing", "night, in the job's pre-window", "into the hours of use",
        "Saturday",
    ],
)  # fmt: skip
def test_who_is_asked(span: tuple[str, str], disturbs: bool, jobs: list[tuple[str, str]], asks: bool) -> None:
    times = [excursion(*job) for job in jobs]
    assert asks_disposition(BAY, VIENNA, excursion(*span), disturbs=disturbs, inspections=times) is asks


def test_a_month_of_night_set_back_asks_nothing_and_one_early_job_asks_once() -> None:
    """With its numbers: 0 dispositions, then 1."""
    start = datetime(2026, 9, 1, tzinfo=ZoneInfo(VIENNA))
    nights = [start + timedelta(days=n, hours=23) for n in range(30)]
    result = [(int(n.timestamp()) * NS, int((n + timedelta(hours=4)).timestamp()) * NS) for n in nights]

    def questions(jobs: list[Span]) -> int:
        return sum(asks_disposition(BAY, VIENNA, e, disturbs=True, inspections=jobs) for e in result)

    assert questions([]) == 0
    assert questions([excursion("2026-09-10T06:30", "2026-09-10T08:00")]) == 1


def test_shares_are_told_for_all_hours_and_for_hours_of_use(build: SimpleNamespace) -> None:
    """Two days of 20 degC by day and 22 at night: half the time conforms, and all of the hours of use."""
    from dataclasses import replace

    from logger.core.measurement.check import statistics

    hours = HoursOfUse(tuple((day, 8 * 60, 20 * 60) for day in range(7)))
    setup = build.setup((build.rule(),))
    setup = replace(setup, zones={"bay": replace(setup.zones["bay"], hours_of_use=hours)})
    of_day = np.arange(2880) % 1440
    values = np.where((of_day >= 480) & (of_day < 1200), 20.0, 22.0)
    judgement = build.judged(setup, {"T1": build.series(values)}, build.at(0), build.at(48))
    (row, *_) = statistics(judgement, setup, slice(0, 2880))
    assert (row.share_conforming, row.share_conforming_in_use) == (0.5, 1.0)
