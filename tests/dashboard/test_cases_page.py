"""Page Cases on the demo's history: what is shown of a case, and what people write there."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dashboard.data.case_desk import CaseDesk, desk
from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.pages.cases import layout
from dashboard.parts.case_list import address
from dashboard.parts.todo import rows
from logger.errors import Refused
from logger.instants import parse
from tests.inspections.test_cases import TEXTS, WORDS
from tests.inspections.test_lists import NOW

SPAN_NS = parse("2026-10-19T07:29", ZoneInfo("Europe/Vienna"))


@pytest.fixture
def q(demo_copy: Path) -> Iterator[Queries]:
    source = Source(demo_copy)
    yield Queries(source, lambda: NOW)
    source.store.close()


@pytest.fixture
def cases(q: Queries) -> CaseDesk:
    return desk(q)


def test_the_newest_open_case_is_shown_whole(q: Queries, cases: CaseDesk) -> None:
    """What is missing as a headline, its runs, its inspections with their forms, all texts."""
    drawn = str(layout(q, ""))
    assert "Case 1 is open: 2 decisions and 6 texts are missing." in drawn
    assert "One event: 3 excursions of 2 rules." in drawn
    assert "Decision on I-2603" in drawn
    assert "0 of 2 decided" in drawn
    assert address(cases.case(1, NOW)) == "/cases?case=1"
    assert "Machine bay settled" in drawn


def test_an_address_that_names_none_says_so(q: Queries) -> None:
    assert "There is no case 9." in str(layout(q, "?case=9"))
    assert "Expected the number of a case" in str(layout(q, "?case=x"))
    assert "no excursion in zone" in str(layout(q, "?zone=machine-bay&at=2026-10-20T20:00"))


def test_a_draft_is_there_again_and_is_no_act(q: Queries, cases: CaseDesk) -> None:
    """From the first letter on, for the person who typed it; the journal holds nothing of it."""
    cases.case(1, NOW)
    before = q.source.store.journal.head()
    cases.save_draft(1, "detail", "holm", text="d", now_ns=NOW)
    cases.save_draft(1, "detail", "holm", text="damper st", now_ns=NOW)
    assert q.source.store.journal.head() == before
    record = cases.case(1, NOW)
    assert {name: d.text for name, d in cases.drafts(record, "holm").items()} == {"detail": "damper st"}
    assert cases.drafts(record, "faber") == {}
    with pytest.raises(Refused, match="right-to-left override"):
        cases.save_draft(1, "detail", "holm", text="a\u202eb", now_ns=NOW)


@pytest.mark.slow
def test_a_refused_close_loses_nothing_and_a_whole_case_closes(q: Queries, cases: CaseDesk) -> None:
    cases.case(1, NOW)
    cases.save_draft(1, "detail", "holm", text=TEXTS["detail"], now_ns=NOW)
    cases.write(1, TEXTS | {"impact": ""}, "Greta Holm", "holm", NOW)
    assert cases.drafts(cases.case(1, NOW), "holm") == {}
    with pytest.raises(Refused, match="I-2603, I-2604; the effect on results"):
        cases.close(1, "Greta Holm", NOW)
    assert "damper stuck" in str(layout(q, "?case=1"))
    for key in ("I-2603", "I-2604"):
        cases.decide(1, key, WORDS, "Greta Holm", NOW)
    cases.write(1, {"impact": "see each"}, "Greta Holm", "holm", NOW)
    cases.close(1, "Greta Holm", NOW)
    drawn = str(layout(q, "?case=1"))
    assert "Case 1 is closed." in drawn
    assert "Closed by Greta Holm." in drawn
    assert "Save texts" not in drawn
    assert "All cases are closed. Choose one from the list." in str(layout(q, ""))


@pytest.mark.slow
def test_a_review_that_is_due_stands_on_its_closed_case(q: Queries, cases: CaseDesk) -> None:
    """The field is there until something is entered; then the words are, with who and when."""
    action = {"corrective_action": "damper exchanged", "look_on": "2026-11-20"}
    cases.case(1, NOW)
    for key in ("I-2603", "I-2604"):
        cases.decide(1, key, WORDS, "Greta Holm", NOW)
    cases.write(1, TEXTS | action, "Greta Holm", "holm", NOW)
    assert "Review of the effect" not in str(layout(q, "?case=1"))
    cases.close(1, "Greta Holm", NOW)
    assert "to be reviewed on 2026-11-20" in str(layout(q, "?case=1"))
    task = "Case 1: review the effect of its corrective action"
    assert task not in str(rows(q))
    later = Queries(q.source, lambda: parse("2026-11-20T08:00", ZoneInfo("Europe/Vienna")))
    assert task in str(rows(later))
    with pytest.raises(Refused, match="Enter the effect"):
        cases.review_effect(1, "", "Greta Holm", NOW)
    cases.review_effect(1, "no excursion in 30 days", "Greta Holm", NOW)
    drawn = str(layout(q, "?case=1"))
    assert "case-effect" not in drawn
    assert task not in str(rows(later))
    assert "no excursion in 30 days" in drawn
    assert "Case 1 is closed." in drawn


def test_hours_by_cause_stand_below_the_case(q: Queries) -> None:
    drawn = str(layout(q, ""))
    assert "5 h 25 min" in drawn  # used from 06:00, settled at 11:25


def test_a_case_is_parted_and_joined_again_on_the_page(q: Queries, cases: CaseDesk) -> None:
    """The run of the 1 h span began at 07:29 local: parted there it is case 2, undone by joining it to 1."""
    cases.case(1, NOW)
    with pytest.raises(Refused, match="reason for splitting"):
        cases.part(1, 1, SPAN_NS, who="Greta Holm", why=" ", now_ns=NOW)
    assert cases.part(1, 1, SPAN_NS, who="Greta Holm", why="the door, not the chiller", now_ns=NOW) == 1
    assert [(r.number, len(r.case.runs)) for r in cases.all(NOW)] == [(1, 2), (2, 1)]
    assert "Join or split" in str(layout(q, "?case=2"))
    assert cases.join(2, 1, "Greta Holm", "one cause after all", NOW) == 1
    assert [(r.number, len(r.case.runs)) for r in cases.all(NOW)] == [(1, 3)]
    with pytest.raises(Refused, match="cannot be joined to itself"):
        cases.join(1, 1, "Greta Holm", "same", NOW)
