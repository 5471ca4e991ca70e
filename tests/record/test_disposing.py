"""A month that holds something undecided does not leave with its evidence; who lets it go has an account."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from logger.acts.cases import close, note
from logger.errors import Refused
from logger.inspections.cases import decide_on_case
from logger.instants import parse
from logger.people import People
from logger.people.invented import settle
from logger.record.disposal import Losses, dispose
from logger.record.reviews import review
from logger.store.disposal import DisposalRequest

from .conftest import Room

NOVEMBER = parse("2026-11-01", ZoneInfo("UTC"))
TWO = DisposalRequest(NOVEMBER, "Greta Holm", "Ines Faber", "end of retention")
TEXTS = {
    "cause": "other",
    "detail": "seen",
    "immediate_action": "none",
    "impact": "none",
    "decision": "stands",
    "customer": "no",
}
WORDS = {"decision": "stands", "customer": "none", "reason": "small"}


def _close_all(room: Room) -> Losses:
    """Decide and close every case of October."""
    _, losing = dispose(room.verdicts, TWO, room.now_ns, 0, cadences=(), dry_run=True)
    for open_case in losing.undecided:
        for key in open_case.affected:
            decide_on_case(room.verdicts, open_case, key, WORDS, "Greta Holm", room.now_ns)
        note(room.store, open_case.case, TEXTS, "Greta Holm")
        close(room.store, open_case.case, "Greta Holm", running=False, undecided=[])
    return losing


def undecided(room: Room) -> int:
    _, losing = dispose(room.verdicts, TWO, room.now_ns, 0, cadences=(), dry_run=True)
    return len(losing.undecided)


@pytest.mark.slow
def test_a_month_with_an_open_case_is_held_back_and_the_dry_run_says_so(room: Room) -> None:
    """The refusal names how many and where; it is in the journal; nothing is gone."""
    before = undecided(room)
    assert before == 1

    with pytest.raises(Refused, match="1 of the cases in these months is not closed, such as case 1"):
        dispose(room.verdicts, TWO, room.now_ns, 0, cadences=())

    (entry,) = room.store.journal.entries(kind="disposal-refused")
    assert "is not closed" in str(entry.what["reason"])
    assert len(room.store.archive.seals(disposed=False)) == len(room.store.archive.seals())


@pytest.mark.slow
def test_a_month_that_nobody_reviewed_is_held_back_where_reviews_are_asked_for(room: Room) -> None:
    """The demo's readings are of October alone; once it is reviewed it may go."""
    _close_all(room)
    with pytest.raises(Refused, match=r"1 of these months was not reviewed whole, such as 2026-10; `still"):
        dispose(room.verdicts, TWO, room.now_ns, 0, cadences=("monthly",))

    review(room.store, room.verdicts, "2026-10", "Greta Holm", "seen", room.now_ns)
    _, losing = dispose(room.verdicts, TWO, room.now_ns, 0, cadences=("monthly",), dry_run=True)

    assert losing.unreviewed == ()
    assert [r.number for r in losing.cases] == losing.to_dict()["cases"] == [1]


def test_a_decided_month_goes_and_the_journal_keeps_what_it_took_along(room: Room) -> None:
    losing = _close_all(room)

    disposal, _ = dispose(room.verdicts, TWO, room.now_ns, 0, cadences=())

    assert len(disposal.files) == 3
    (entry,) = room.store.journal.entries(kind="disposal")
    loss = entry.what["losing"]
    assert isinstance(loss, dict)
    assert (loss["undecided"], loss["excursions"]) == (0, losing.excursions)
    assert "I-2603" in loss["inspections"]  # type: ignore[operator]
    assert room.store.verify().faults == ()


def test_both_people_have_accounts_where_there_are_any(room: Room) -> None:
    """A name that nobody signs in by approves nothing, and the attempt is in the journal."""
    settle(People(room.store))  # the invented people of a simulated record

    with pytest.raises(Refused, match="Nora Lind has no account here"):
        dispose(room.verdicts, replace(TWO, approver="Nora Lind"), room.now_ns, 0, cadences=())

    assert "has no account" in str(room.store.journal.entries(kind="disposal-refused")[0].what["reason"])
