"""Confirmed, due, overdue, withdrawn or none, in days of the room; each step told once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.calibration.status import NOTICE_DAYS, OVERDUE, notices, register, status
from logger.instants import NS
from logger.model import Placement, Setup
from tests.builders import rule
from tests.builders import setup as made_setup

VIENNA = ZoneInfo("Europe/Vienna")
DUE = date(2026, 6, 30)


def at(text: str) -> int:
    """Local time in Vienna."""
    return int(datetime.fromisoformat(text).replace(tzinfo=VIENNA).timestamp()) * NS


def due_on(day: date = DUE, **more: object) -> Setup:
    """One probe whose certificate is due through the end of that day in Vienna."""
    end = at((day + timedelta(days=1)).isoformat())
    setup = made_setup((rule(),), certificate={"due_ns": end, "accreditation": "L-1"} | more)
    return replace(setup, room=replace(setup.room, timezone="Europe/Vienna"))


@pytest.mark.parametrize(
    ("when", "word", "left"),
    [
        ("2026-04-30T23:59", "confirmed", 61),
        ("2026-05-01T00:00", "due", 60),
        ("2026-06-30T00:00", "due", 0),
        ("2026-06-30T23:59", "due", 0),
        ("2026-07-01T00:00", "overdue", -1),
        ("2026-08-30T12:00", "overdue", -61),
    ],
)
def test_days_are_those_of_the_room(when: str, word: str, left: int) -> None:
    """Due 30 June means through the end of that day in Vienna, 22:00Z."""
    result = status(due_on(), "T1.temperature", at(when))
    assert (result.status, result.days_left, result.due) == (word, left, DUE)


def test_withdrawn_none_and_without_end() -> None:
    setup = due_on(withdrawn_ns=at("2026-02-01"), valid_from_ns=at("2026-01-01"))
    assert status(setup, "T1.temperature", at("2025-12-31")).status == "none"
    assert status(setup, "T1.temperature", at("2026-01-31")).status == "confirmed"
    assert status(setup, "T1.temperature", at("2026-02-01")).status == "withdrawn"
    endless = made_setup((rule(),))
    result = status(endless, "T1.temperature", at("2050-01-01"))
    assert (result.status, result.days_left) == ("confirmed", None)


def test_the_certificate_in_use_decides() -> None:
    setup = due_on()
    (old,) = setup.certificates
    new = replace(old, number="C-2", valid_from_ns=at("2026-06-15"), due_ns=at("2027-07-01"))
    both = replace(setup, certificates=(old, new))
    result = status(both, "T1.temperature", at("2026-07-10"))
    assert (result.status, result.certificate and result.certificate.number) == ("confirmed", "C-2")


def told_over(setup: Setup, start: str, days: int) -> list[tuple[int, int]]:
    """(day, step) of each notice when it is looked every morning, each told once."""
    output: set[tuple[str, str, int]] = set()
    result = []
    for day in range(days):
        for notice in notices(setup, at(start) + day * 86_400 * NS, output):
            output.add(notice.key)
            result.append((day, notice.step))
    return result


def test_notices_come_at_60_30_and_7_days_and_when_it_is_overdue() -> None:
    """From 1 April: 60 days before 30 June is day 30, then 60, 83 and, on 1 July, 91; each once."""
    assert told_over(due_on(), "2026-04-01T08:00", 150) == [(30, 60), (60, 30), (83, 7), (91, OVERDUE)]


def test_who_was_away_is_told_the_most_urgent_alone() -> None:
    assert told_over(due_on(), "2026-06-20T08:00", 2) == [(0, 30)]
    assert told_over(due_on(), "2026-07-20T08:00", 2) == [(0, OVERDUE)]


def test_a_successor_at_hand_in_time_needs_no_notice_and_a_late_one_does() -> None:
    setup = due_on()
    (old,) = setup.certificates

    def with_next(valid_from: str) -> Setup:
        new = replace(old, number="C-2", valid_from_ns=at(valid_from), due_ns=at("2027-07-01"))
        return replace(setup, certificates=(old, new))

    assert notices(with_next("2026-06-25"), at("2026-06-20T08:00")) == []
    assert [n.step for n in notices(with_next("2026-07-05"), at("2026-06-20T08:00"))] == [30]


def test_a_probe_on_the_shelf_is_not_asked_for() -> None:
    setup = replace(due_on(), placements=(Placement("T1", "T1", 0, at("2026-06-01")),))
    assert setup.position_at("T1.temperature", at("2026-06-20")) is None
    assert notices(setup, at("2026-06-20T08:00")) == []


@given(st.integers(0, 500), st.integers(0, 23))
def test_the_word_agrees_with_the_days(day: int, hour: int) -> None:
    ns = at("2026-01-01") + (day * 24 + hour) * 3600 * NS
    result = status(due_on(), "T1.temperature", ns)
    today = datetime.fromtimestamp(ns // NS, UTC).astimezone(VIENNA).date()
    remaining = (DUE - today).days
    assert result.days_left == remaining
    assert result.status == (
        "overdue" if remaining < 0 else "due" if remaining <= NOTICE_DAYS[0] else "confirmed"
    )


@pytest.mark.parametrize(
    ("more", "when", "missing"),
    [
        ({}, "2026-06-01", ()),
        ({}, "2026-07-01", ("valid certificate",)),
        ({"accreditation": ""}, "2026-06-01", ("accreditation number",)),
        ({"due_ns": None, "accreditation": ""}, "2026-06-01", ("due day", "accreditation number")),
        ({"valid_from_ns": at("2026-06-15")}, "2026-06-01", ("certificate",)),
        ({"withdrawn_ns": at("2026-05-01")}, "2026-06-01", ("certificate",)),
    ],
    ids=["complete", "overdue", "no accreditation", "two things", "not yet in use", "withdrawn"],
)
def test_the_register_says_what_is_missing(
    more: dict[str, object], when: str, missing: tuple[str, ...]
) -> None:
    (entry,) = register(due_on(**more), at(when))
    assert entry.missing == missing


def test_an_overdue_probe_is_named_in_the_verdict(build: SimpleNamespace) -> None:
    """Due 30 June; the inspection of 1 July is not shown, and says which probe and why."""
    from logger.core.measurement.check import check

    setup = due_on()
    begin = at("2026-06-30T22:00")
    judgement = build.judged(
        setup,
        {"T1": build.series([20.0] * 240, begin)},
        begin,
        begin + 4 * 3600 * NS,
        now_ns=at("2026-08-01"),
    )
    before, after = (
        check(judgement, setup, at(a), at(b), pre_window_s=0)
        for a, b in (("2026-06-30T22:30", "2026-06-30T23:30"), ("2026-07-01T00:30", "2026-07-01T01:30"))
    )
    assert (before.verdict, after.verdict) == ("stable", "not shown")
    assert (after.causes[0].probe, after.causes[0].why) == ("T1", "calibration overdue")
