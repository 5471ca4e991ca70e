"""What falls due, read back by another calendar library (vobject, which shares no code with icalendar)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import vobject

from logger.acts import alarms as attending
from logger.acts.cases import note, review_effect
from logger.config import in_force
from logger.core.alarms.lifecycle import Alarm
from logger.handouts.calendar_file import calendar, due_calendar
from logger.handouts.due_days import DueDay, due_days
from logger.inspections.cases import all_cases, number_new
from logger.instants import NS, to_ns
from logger.model import Config
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.command_line import Run

NOW = to_ns(datetime(2026, 11, 10, 12, tzinfo=UTC))
DAY_NS = 86_400 * NS


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


@pytest.fixture
def config(store: Store) -> Config:
    return in_force(store.setups.versions())


def events(content: bytes) -> dict[str, Any]:
    """Event by what stands before the @ of its identity."""
    read = vobject.readOne(content.decode())
    return {event.uid.value.partition("@")[0]: event for event in read.vevent_list}


def test_each_calibration_stands_on_its_due_day_with_three_reminders(store: Store, config: Config) -> None:
    """Due days of the certificates of config/; reminders of 60, 30 and 7 days as in the notices."""
    read = events(due_calendar(store, config, NOW))

    for certificate in config.setup.certificates:
        if certificate.due_ns is None:
            continue
        event = read[f"calibration-{certificate.channel}-{certificate.number}"]
        # A certificate holds through the end of its day in the room's time, which is behind no UTC day here.
        due = datetime.fromtimestamp((certificate.due_ns - 1) // NS, UTC) + timedelta(hours=2)
        assert event.dtstart.value == due.date()
        assert event.dtend.value == due.date() + timedelta(days=1)
        assert sorted(a.trigger.value.days for a in event.valarm_list) == [-60, -30, -7]
        assert event.transp.value == "TRANSPARENT"
    assert "restore-test" in read


def test_the_same_days_give_the_same_bytes(store: Store, config: Config) -> None:
    """DTSTAMP is that of the setup's version, not of the question: an ETag then works."""
    assert due_calendar(store, config, NOW) == due_calendar(store, config, NOW + 3600 * NS)


def test_a_certificate_that_was_followed_is_cancelled_for_ninety_days(store: Store, config: Config) -> None:
    """It keeps its identity; after 90 days it is gone."""
    setup = config.setup
    old = next(c for c in setup.certificates if c.channel == "P1.temperature")
    assert old.due_ns is not None
    new = replace(old, number="NEW-1", valid_from_ns=NOW - DAY_NS, due_ns=old.due_ns + 365 * DAY_NS)
    changed = replace(setup, certificates=(*setup.certificates, new))
    read = events(due_calendar(store, replace(config, setup=changed), NOW))
    key = f"calibration-P1.temperature-{old.number}"

    assert read[key].status.value == "CANCELLED"
    assert read["calibration-P1.temperature-NEW-1"].status.value == "CONFIRMED"
    assert key not in events(due_calendar(store, replace(config, setup=changed), NOW + 91 * DAY_NS))


def test_what_is_overdue_stays_however_long(store: Store, config: Config) -> None:
    """P6 of the example was due on 21 October; nobody had it calibrated in the two years since."""
    later = NOW + 730 * DAY_NS
    assert "calibration-P6.temperature-AG-0416-T" in events(due_calendar(store, config, later))
    assert "restore-test" in events(due_calendar(store, config, later))


def test_a_shelved_alarm_comes_back_at_its_instant(store: Store, config: Config) -> None:
    key = config.setup.alarms[0].key
    with store.begin() as conn:
        attending.put_alarm(conn, Alarm(key), NOW)
    attending.shelve(store, key, "Greta Holm", "ball bar check", until_ns=NOW + 5 * 3600 * NS, now_ns=NOW)
    event = events(due_calendar(store, config, NOW))[f"shelving-{key}"]

    assert event.dtstart.value == datetime(2026, 11, 10, 17, tzinfo=UTC)
    assert "ball bar check" in event.description.value


def test_the_review_of_the_effect_of_a_corrective_action_stands_on_its_day(
    store: Store, config: Config
) -> None:
    """It moves with the day that is written in the case and keeps its identity, until the review is made.

    A day that is over stays: nobody has said that it was done. A new day asks for a new review.
    """
    number_new(Verdicts(store, config.setup), NOW)
    (case,) = [r.case for r in all_cases(Verdicts(store, config.setup), NOW) if r.case.in_use]
    first = {"corrective_action": "valve exchanged", "look_on": "2026-11-20"}
    note(store, case, first, "Greta Holm")
    before = events(due_calendar(store, config, NOW))["effect-case-1"]
    note(store, case, {"look_on": "2026-12-04"}, "Greta Holm")
    event = events(due_calendar(store, config, NOW))["effect-case-1"]

    assert (before.dtstart.value, event.dtstart.value) == (date(2026, 11, 20), date(2026, 12, 4))
    assert int(event.sequence.value) > int(before.sequence.value)
    assert "case 1" in event.summary.value
    later = NOW + 30 * DAY_NS
    assert "effect-case-1" in events(due_calendar(store, config, later))
    review_effect(store, case, "no excursion in 30 days; 9 before", "Greta Holm")
    assert "effect-case-1" not in events(due_calendar(store, config, later))
    note(store, case, {"look_on": "2027-03-01"}, "Greta Holm")
    assert "effect-case-1" in events(due_calendar(store, config, later))


def test_reviews_are_weeks_and_months_and_those_that_were_made_are_left_out(
    store: Store, config: Config
) -> None:
    """2026-W45 ended on 8 November and is due within 7 days of its end."""
    days = {d.key: d.day for d in due_days(store, config, NOW)}

    assert days["review-2026-W45"] == date(2026, 11, 15)
    assert not [key for key in days if key.startswith("review-2026-11-")]


def test_no_line_is_longer_than_75_octets_and_every_letter_comes_back() -> None:
    """RFC 5545, 3.1 and 3.3.11: folding, CRLF, escaped commas, semicolons, backslashes and newlines."""
    words = "Prüfmaß; 3,5 µm\\K\nüber " + "ä" * 200
    content = calendar([DueDay("k", words, words, NOW, 3, day=date(2026, 11, 12))], "Räume", "r")

    assert content.endswith(b"\r\n")
    for line in content.split(b"\r\n"):
        assert len(line) <= 75
        assert b"\n" not in line
    (event,) = events(content).values()
    assert event.description.value == words
    assert event.sequence.value == "3"


def test_the_command_writes_the_file_and_names_no_inspection(demo_copy: Path, stillroom: Run) -> None:
    out = demo_copy.parent / "due.ics"
    result = stillroom("calendar", "--out", out, "--data", demo_copy)

    assert result.returncode == 0, result.stderr
    assert "I-260" not in out.read_text("utf-8")
    assert f"{len(events(out.read_bytes()))} due days in" in result.stdout
