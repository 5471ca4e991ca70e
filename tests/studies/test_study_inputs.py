"""What a person enters beside the record: people present, the season, an outdoor record of another clock."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.core.study.channel_record import warmest_hour
from logger.errors import Refused
from logger.studies.questions import QUESTIONS
from logger.studies.sources import Sources
from logger.studies.study import StudyRequest
from logger.studies.weeks import VerdictWeeks
from tests.core.study.planted import START_S, day_course, record_of


def sources(**options: Any) -> Sources:
    """Sources that only read what was entered; the room's clock is UTC."""
    setup = SimpleNamespace(room=SimpleNamespace(timezone="UTC"))
    verdicts: Any = SimpleNamespace(setup=setup)
    request = StudyRequest("causes", "bay", "P1.temperature", 0, 1, options)
    return Sources(verdicts, request, 0, lambda _: None)


def test_people_become_shares_of_cells() -> None:
    """From 00:30 to 02:00 on the first day: half of the first hour, all of the second."""
    like = record_of(np.zeros(48), 3600)
    text = "2025-10-13T00:30/2025-10-13T02:00, 2025-10-14T00:00/2025-10-14T01:00"
    record = sources(people=text).presence("people", "--people", like)
    assert record is not None
    assert record.value[:3].tolist() == [0.5, 1.0, 0.0]
    assert float(record.value.sum()) == pytest.approx(2.5)
    assert like.start_s == START_S
    assert sources().presence("people", "--people", like) is None
    with pytest.raises(Refused, match="--people: expected START/END"):
        sources(people="2025-10-13T02:00/2025-10-13T01:00").presence("people", "--people", like)


def test_a_season_is_the_weeks_around_this_time_of_the_year() -> None:
    """Of 110 weeks: the last seven, thirteen a year before, and seven at the far end of another."""
    stable = np.zeros((110, 168), np.bool_)
    season = VerdictWeeks(stable, stable, 0).of_season()
    assert len(season.stable) == 7 + 13 + 12


def test_outdoors_of_another_zone_of_time_is_doubted() -> None:
    """Warmest at 14:24 as planted; eleven hours off it is warmest at night, and a sentence says so."""
    n = 14 * 1440
    outdoors = record_of(10 + day_course(n, 5.0))
    assert warmest_hour(outdoors)[0] == pytest.approx(14.4, abs=0.1)
    source_set = sources()
    source_set._doubt_clock(outdoors)
    assert source_set.remarks == []
    source_set._doubt_clock(record_of(10 + np.roll(day_course(n, 5.0), 11 * 60)))
    assert "is warmest at 01:" in source_set.doubts[0]
    assert "another zone of time" in source_set.doubts[0]


def test_two_probes_at_one_place_are_both_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """A mapping without a campaign, by command or page: which two, and what to enter instead."""
    source_set = sources()
    place = SimpleNamespace(xyz_m=(1.0, 2.0, 0.8))
    monkeypatch.setattr(source_set.verdicts.setup, "position_at", lambda *_: place, raising=False)
    monkeypatch.setattr(source_set, "channels", lambda *_, **__: ["P1.temperature", "P2.temperature"])
    with pytest.raises(Refused, match=r"P1\.temperature and P2\.temperature stand at one place"):
        QUESTIONS["map"].run(source_set)
