"""The year for the management review: cases in use, and hours whose parts are the whole to the minute."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logger.acts.cases import note
from logger.core.validity.hours_of_use import overlap_ns, spans
from logger.inspections.cases import all_cases
from logger.instants import NS, parse
from logger.model import Period
from logger.record.year import stable_share, year
from tests.inspections.test_cases import TEXTS

from .conftest import Room

DAY = 86_400 * NS
VIENNA = ZoneInfo("Europe/Vienna")


def summary(room: Room, *actions: str) -> Any:
    return year(room.store, room.verdicts, 2026, actions, room.now_ns, ())


def test_causes_and_the_rest_are_all_hours_not_stable_in_use(room: Room) -> None:
    """Against the periods and hours of use of each zone, added up here; named or not named."""
    begin = parse("2026-01-01", VIENNA)
    expected = 0
    for zone in room.setup.zones_now():
        periods = room.verdicts.periods(zone.key, begin, room.now_ns, room.now_ns)
        bad = [(p.from_ns, p.to_ns) for p in periods if p.verdict == "not stable"]
        expected += overlap_ns(bad, spans(zone.hours_of_use, "Europe/Vienna", begin, room.now_ns))
    first = summary(room)
    assert first["not_stable_in_use_s"] == expected // NS > 0
    assert sum(c["lost_s"] for c in first["causes"]) + first["no_case_s"] == expected // NS
    assert [(c["cause"], c["cases"]) for c in first["causes"]] == [("no cause yet", 1)]
    (record,) = all_cases(room.verdicts, room.now_ns)
    note(room.store, record.case, TEXTS, "Greta Holm")
    named = summary(room)
    assert [c["cause"] for c in named["causes"]] == ["air handling"]
    assert named["not_stable_in_use_s"] == first["not_stable_in_use_s"]
    bay = next(z for z in named["zones"] if z["zone"] == "machine-bay")
    assert (bay["cases"], bay["cases_year_before"]) == (1, 0)


def test_a_corrective_action_is_looked_at_by_itself_and_on_any_day(room: Room) -> None:
    """One case before 20 October and none after it: 1 → 0, in the hours of use of the bay 5 h 25 min → 0."""
    (record,) = all_cases(room.verdicts, room.now_ns)
    note(room.store, record.case, {"corrective_action": "new damper", "look_on": "2026-11-20"}, "Greta Holm")
    rows = summary(room, "2026-10-20")["actions"]
    (bay,) = [r for r in rows if r["zone"] == "machine-bay" and r["day"] == "2026-10-20"]
    assert (bay["before"], bay["after"]) == (1, 0)
    assert (bay["before_h"], bay["after_h"]) == (pytest.approx(5 + 25 / 60), 0)
    assert any(r["day"].endswith("(case 1)") for r in rows)


def test_the_share_is_of_recorded_time_and_none_without_any() -> None:
    periods = [
        Period("bay", 0, 6 * DAY, "stable", "conforming"),
        Period("bay", 6 * DAY, 8 * DAY, "not shown", "indeterminate"),
    ]
    assert stable_share(periods) == 0.75
    assert stable_share(periods, [(5 * DAY, 7 * DAY)]) == 0.5
    assert stable_share([]) is None
