"""Ten played days: a chiller trip in use, set-back nights at a weekend; hours lost add up to the minute."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from logger.acts import inspections as actions
from logger.acts.cases import close, note
from logger.inspections.cases import all_cases, decide_on_case, lost_time, number_new
from logger.instants import NS, parse
from logger.model import HoursOfUse, Inspection
from tests.inspections.test_cases import TEXTS, WORDS

from .months import DAY_NS, START, VIENNA, Month

HOUR = 3600 * NS
# Thursday 2026-10-01 begins the month. Trip on Friday from 10:00 for 2 h; set-back from Saturday 01:00 to
# Sunday 20:00, in three pieces closer together than the zone needs to settle (2 h).
TRIP = ((34.0, 2.0),)
SET_BACK = ((49.0, 10.0), (60.0, 12.0), (73.5, 18.5))


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Month]:
    """Used Monday to Friday, 06:00 to 20:00; two inspections on Friday, in the trip and its settling."""
    played = Month(tmp_path_factory.mktemp("played"), days=10, humid=0, warm=(*TRIP, *SET_BACK))
    hours = HoursOfUse(tuple((day, 6 * 60, 20 * 60) for day in range(5)))
    zone = replace(played.setup.zones["bay"], hours_of_use=hours)
    played.setup = replace(played.setup, zones={"bay": zone})
    friday = START + DAY_NS
    jobs = [
        Inspection(key, "bay", friday + h * HOUR, friday + (h + 1) * HOUR, key, person="Radek Sova")
        for key, h in (("in the trip", 10), ("while it settles", 13), ("before", 7))
    ]
    actions.add_inspections(played.store, played.setup, jobs, "Greta Holm")
    number_new(played.verdicts, played.now_ns)
    yield played
    played.store.close()


@pytest.mark.slow
def test_a_set_back_weekend_is_one_case_out_of_use_that_asks_nothing(month: Month) -> None:
    quiet = [r for r in all_cases(month.verdicts, month.now_ns) if not r.case.in_use]
    (weekend,) = quiet
    assert weekend.case.from_ns >= parse("2026-10-03", VIENNA)
    assert len(weekend.case.runs) > 5  # bands and spans of three pieces
    assert (weekend.state, weekend.missing, weekend.affected) == ("no decision needed", [], ())


@pytest.mark.slow
def test_a_trip_is_one_case_with_two_decisions_and_one_form(month: Month) -> None:
    (trip,) = [r for r in all_cases(month.verdicts, month.now_ns) if r.case.in_use]
    assert len(trip.case.runs) >= 3
    assert sorted(trip.affected) == ["in the trip", "while it settles"]
    for key in trip.affected:
        decide_on_case(month.verdicts, trip, key, WORDS, "Greta Holm", month.now_ns)
    note(month.store, trip.case, TEXTS, "Greta Holm")
    (trip,) = [r for r in all_cases(month.verdicts, month.now_ns) if r.case.in_use]
    close(month.store, trip.case, "Greta Holm", running=trip.running, undecided=trip.undecided)
    (trip,) = [r for r in all_cases(month.verdicts, month.now_ns) if r.case.in_use]
    assert trip.state == "closed"


@pytest.mark.slow
def test_causes_and_the_rest_are_the_hours_not_stable_in_use_to_the_minute(month: Month) -> None:
    """Counted here again minute by minute from the periods: working days, 06:00 to 20:00."""
    span = (START, month.to_ns)
    lost = lost_time(month.verdicts, all_cases(month.verdicts, month.now_ns), "bay", span, month.now_ns)
    minutes = 0
    periods = month.verdicts.periods("bay", *span, month.now_ns)
    for minute in range(START, month.to_ns, 60 * NS):
        hours = (minute - START) // HOUR
        used = (hours // 24 + 3) % 7 < 5 and 6 <= hours % 24 < 20  # 1 October 2026 is a Thursday, day 3
        if used:
            minutes += any(p.verdict == "not stable" and p.from_ns <= minute < p.to_ns for p in periods)
    assert lost.not_stable_ns == minutes * 60 * NS
    assert sum(c.lost_ns for c in lost.causes) + lost.rest_ns == lost.not_stable_ns
    assert minutes > 120
