"""Who is told when: shifts, holidays, absences, quiet hours, across a clock change."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from logger.core.alarms.recipients import addresses, default_routes, inactive_because, not_before, on_duty
from logger.instants import NS
from logger.model import (
    AlarmSpec,
    Away,
    CommandRoute,
    Config,
    Duty,
    HoursOfUse,
    MailRoute,
    NoticePlan,
    Person,
    Setup,
    Shift,
)

VIENNA = "Europe/Vienna"
WEEKDAYS = HoursOfUse(tuple((day, 6 * 60, 18 * 60) for day in range(5)), ("2026-10-26",))
WEEKEND = HoursOfUse(((5, 0, 24 * 60), (6, 0, 24 * 60)))
NIGHTS = HoursOfUse(tuple((day, 22 * 60, 30 * 60) for day in range(7)))
DUTY = Duty("room", "works", (Shift(WEEKDAYS, ("greta",)), Shift(WEEKEND, ("radek",))), ("ida",))
PEOPLE = (
    Person("greta", "Greta Holm", "greta@almtal.example"),
    Person("radek", "Radek Sova", "radek@almtal.example", "degF"),
    Person("ida", "Ida Brandl", "ida@almtal.example"),
)
MAIL = MailRoute("works", "127.0.0.1", 25, "room@almtal.example", ("greta@almtal.example",))


def at(text: str) -> int:
    """An instant of the room's wall time."""
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(VIENNA)).timestamp()) * NS


@pytest.mark.parametrize(
    ("moment", "expected"),
    [
        ("2026-10-21T10:00", ("greta",)),
        ("2026-10-21T05:59", ("ida",)),
        ("2026-10-21T06:00", ("greta",)),
        ("2026-10-21T18:00", ("ida",)),
        ("2026-10-24T03:00", ("radek",)),
        ("2026-10-25T23:59", ("radek",)),  # the day on which the clock goes back
        ("2026-10-26T10:00", ("ida",)),  # a holiday: no shift begins
    ],
)
def test_who_is_on_duty(moment: str, expected: tuple[str, ...]) -> None:
    """Wednesday by day, at night, at the weekend, on a holiday."""
    assert on_duty(DUTY, VIENNA, at(moment)) == expected


def test_on_saturday_the_duty_person_alone_is_told(setup: Setup) -> None:
    """The others are not."""
    config = Config(setup, mail=(MAIL,), people=PEOPLE, duties=(DUTY,))

    output = addresses(["screen", "room"], config, at("2026-10-24T10:00"))

    assert [(a.recipient, a.person, a.temperature) for a in output] == [
        ("radek@almtal.example", "Radek Sova", "degF")
    ]


def test_who_is_away_is_stood_in_for_and_somebody_is_always_told() -> None:
    """A stand-in may be away as well; a circle of absences ends at who is told otherwise."""
    day = (at("2026-10-21T00:00"), at("2026-10-22T00:00"))
    item = replace(DUTY, away=(Away("greta", *day, "radek"),))
    two = replace(DUTY, away=(Away("greta", *day, "radek"), Away("radek", *day, "ida")))
    circle = replace(DUTY, away=(Away("greta", *day, "radek"), Away("radek", *day, "greta")))

    assert on_duty(item, VIENNA, at("2026-10-21T10:00")) == ("radek",)
    assert on_duty(two, VIENNA, at("2026-10-21T10:00")) == ("ida",)
    assert on_duty(circle, VIENNA, at("2026-10-21T10:00")) == ("ida",)
    assert on_duty(item, VIENNA, at("2026-10-22T10:00")) == ("greta",)


def test_each_recipient_of_a_route_is_addressed_once(setup: Setup) -> None:
    """Greta is in the route and on duty; a program has no recipient."""
    horn = CommandRoute("horn", ("/usr/local/bin/horn",))
    config = Config(setup, mail=(MAIL,), ways=(horn,), people=PEOPLE, duties=(DUTY,))

    output = addresses(["room", "works", "horn", "horn", "nobody"], config, at("2026-10-21T10:00"))

    assert [(a.route, a.recipient) for a in output] == [("works", "greta@almtal.example"), ("horn", "")]
    assert default_routes(config) == ("screen", "room", "horn")
    assert default_routes(replace(config, notices=NoticePlan(routes=("screen",)))) == ("screen",)


def test_what_can_wait_waits_for_the_end_of_the_quiet_hours() -> None:
    """At 23:00 until 06:00, also over the night in which the clock goes back; by day at once."""
    plan = NoticePlan(quiet=NIGHTS)

    assert not_before(plan, VIENNA, at("2026-10-21T23:00")) == at("2026-10-22T06:00")
    assert not_before(plan, VIENNA, at("2026-10-24T23:00")) == at("2026-10-25T06:00")
    assert not_before(plan, VIENNA, at("2026-10-21T12:00")) == at("2026-10-21T12:00")
    assert not_before(NoticePlan(), VIENNA, at("2026-10-21T23:00")) == at("2026-10-21T23:00")


def test_an_alarm_follows_its_own_calendar_and_the_hours_of_use(setup: Setup) -> None:
    """Either may put it to sleep, and says so."""
    spec = AlarmSpec("air", "bay.temperature", "low", "", "Look.", hours=WEEKDAYS)
    zone = replace(setup.zone("bay"), hours_of_use=WEEKDAYS)
    used = replace(setup, zones={"bay": zone})
    night, noon = at("2026-10-21T23:00"), at("2026-10-21T12:00")

    assert inactive_because(spec, "bay", setup, night) == "its own calendar"
    assert inactive_because(spec, "bay", setup, noon) == ""
    in_use = replace(spec, hours=None, in_hours_of_use=True)
    assert inactive_because(in_use, "bay", used, night) == "hours of use of bay"
    assert inactive_because(in_use, "bay", setup, night) == ""  # a zone without hours is always used
    assert datetime.fromtimestamp(noon // NS, UTC).hour == 10
