"""Months to issue from a list, a draft to look at first, and no second record of a time by accident."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.acts.marks import mark
from logger.errors import Refused
from logger.inspections.revisions import issues as revisions
from logger.instants import NS, parse, rfc3339
from logger.model import Mark
from logger.record.issuance import issue
from logger.record.issues import amend, issues
from logger.record.record_months import month_of, record_months, refuse_overlapping
from tests.command_line import run_here
from tests.programs import library

from .conftest import DAY, VIENNA, Room

NOW = parse("2026-11-18", VIENNA)


def test_the_first_month_begins_with_the_data_and_says_so(room: Room, demo_copy: Path) -> None:
    """The history begins on 12 October; the whole month in UTC used to be refused."""
    newest, first = record_months(room.store, room.setup, "machine-bay", NOW)
    assert (newest.label, newest.running, newest.state) == ("2026-11", True, "running")
    assert (first.label, first.begins_with_data, first.state) == ("2026-10", True, "not issued")
    assert rfc3339(first.from_ns) == "2026-10-11T22:00:00Z"
    assert first.to_ns == parse("2026-11-01", VIENNA)
    listed = run_here("record", "months", "--zone", "machine-bay", "--data", demo_copy)
    assert "2026-10-12 00:00 +02:00, data begin" in listed.stdout
    with pytest.raises(Refused, match=r"2026-10 to 2026-11.*found '2026-09'"):
        month_of(room.store, room.setup, "machine-bay", "2026-09", NOW)


@pytest.mark.slow
def test_a_month_says_what_became_of_its_record(room: Room, tmp_path: Path) -> None:
    """Issued, then two acts since, then amended; the newest record in force counts."""

    def state() -> str:
        return month_of(room.store, room.setup, "machine-bay", "2026-10", NOW).state

    month = month_of(room.store, room.setup, "machine-bay", "2026-10", NOW)
    span = (month.from_ns, month.to_ns)
    record = issue(
        room.store, room.verdicts, room.setup, "machine-bay", *span, tmp_path / "a", "Greta Holm", room.now_ns
    )
    assert state() == f"record {record.number}"
    for hour in (3, 5):
        begin = DAY[0] + hour * 3600 * NS
        mark(room.store, room.setup, Mark("machine-bay", begin, begin + 600 * NS, "door open", "Greta Holm"))
    assert state() == "record 1; 2 acts since record 1: an amendment is offered"
    amend(room.store, room.verdicts, 1, "door noted", tmp_path / "b", "Greta Holm", room.now_ns)
    assert state() == "record 2, amends 1"


@pytest.mark.slow
def test_records_of_the_same_time_are_named_before_another_is_issued(
    room: Room, demo_copy: Path, tmp_path: Path
) -> None:
    room.issue(tmp_path / "a")
    room.issue(tmp_path / "b")
    october = month_of(room.store, room.setup, "machine-bay", "2026-10", NOW)
    assert october.state == "not issued; of a part: record 1, 2"
    with pytest.raises(Refused, match=r"record 1, 2026-10-19 00:00 \+02:00 to .*; record 2, .* are in force"):
        refuse_overlapping(room.store, room.setup, "machine-bay", DAY, "say so")
    refuse_overlapping(room.store, room.setup, "machine-bay", (DAY[1], DAY[1] + NS), "say so")
    refuse_overlapping(room.store, room.setup, "plate-bench", DAY, "say so")
    words = ("record", "issue", "--zone", "machine-bay", "--month", "2026-10", "--data", demo_copy)
    result = run_here(*words, "--out", tmp_path / "c", "--who", "Greta Holm")
    assert result.returncode == 2
    assert "Nothing was issued: record 1," in result.stderr
    assert "give --beside" in " ".join(result.stderr.split())
    result = run_here(*words, "--out", tmp_path / "c", "--who", "Greta Holm", "--beside")
    assert (result.returncode, len(issues(room.store))) == (0, 3)


@pytest.mark.slow
def test_a_draft_is_marked_and_leaves_no_trace(room: Room, demo_copy: Path, tmp_path: Path) -> None:
    """Page 1 says DRAFT and no number; journal, records, keys and revisions are as before."""
    library("pdfminer")
    from pdfminer.high_level import extract_text

    before = room.store.journal.head()
    file = tmp_path / "october.pdf"
    result = run_here(
        "record", "preview", "--out", file, "--zone", "machine-bay", "--month", "2026-10", "--data", demo_copy
    )
    assert result.returncode == 0, result.stderr
    month = ("--zone", "machine-bay", "--month", "2026-10", "--data", demo_copy)
    nowhere = run_here("record", "preview", "--out", file / "x.pdf", *month)  # below a file, no folder
    assert nowhere.returncode != 0
    assert "x.pdf could not be written" in nowhere.stderr
    words = " ".join(extract_text(file).split())
    assert "Record of conditions, draft" in words
    assert "Drafted, not issued" in words
    assert "Reviewed by" in words
    assert room.store.journal.head() == before
    assert (issues(room.store), revisions(room.store)) == ([], {})
