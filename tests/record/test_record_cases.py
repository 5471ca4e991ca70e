"""What was decided on an event stands in the record and package of its time, whenever it was decided."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from logger.acts.cases import close, note, review_effect
from logger.inspections.case_record import CaseRecord
from logger.inspections.cases import all_cases, decide_on_case
from logger.instants import NS, rfc3339, wall
from logger.model import Mark, TemperatureUnit
from logger.package.writing import pack
from logger.people import People
from logger.people.invented import settle
from logger.record.act_times import ActTimes, acts_since
from logger.record.case_sheet import case_sheet
from logger.record.case_words import case_rows
from logger.record.issues import amend, issue_of
from logger.record.pdf import STANDARDS
from logger.record.print_words import Clock
from tests.inspections.test_cases import TEXTS, WORDS

from .conftest import DAY, VIENNA, Room, tool

WHO = "Greta Holm"


def the_case(room: Room) -> CaseRecord:
    (record,) = all_cases(room.verdicts, room.now_ns)
    return record


def decide_and_close(room: Room) -> None:
    for key in the_case(room).affected:
        decide_on_case(room.verdicts, the_case(room), key, WORDS, WHO, room.now_ns)
    note(room.store, the_case(room).case, TEXTS, WHO)
    record = the_case(room)
    close(room.store, record.case, WHO, running=record.running, undecided=record.undecided)


def facts_of(folder: Path) -> Any:
    return json.loads(next(folder.glob("*.json")).read_text("utf-8"))


@pytest.mark.slow
def test_a_decision_after_the_issue_makes_it_incomplete_and_an_amendment_says_it(
    room: Room, tmp_path: Path
) -> None:
    """Decided weeks after 19 October: in no act of that day, yet in the amended record, on paper too."""
    first = room.issue(tmp_path / "one")
    (case,) = facts_of(tmp_path / "one")["cases"]
    assert (case["case"], case["state"], case["closed"]) == (1, "open", None)
    assert acts_since(room.store, issue_of(room.store, first.number)) == []
    decide_and_close(room)
    since = acts_since(room.store, issue_of(room.store, first.number))
    assert [e.what["act"] for e in since] == ["decision", "decision", "note", "closed"]
    amended = amend(room.store, room.verdicts, 1, "case closed", tmp_path / "two", WHO, room.now_ns)
    assert acts_since(room.store, issue_of(room.store, amended.number)) == []
    facts = facts_of(tmp_path / "two")
    (case,) = facts["cases"]
    assert (case["state"], case["closed"]["who"], case["cause"]) == ("closed", WHO, "air handling")
    decisions = {row["key"]: row["decisions"] for row in facts["inspections"]}
    assert [d["decision"] for d in decisions["I-2603"]] == ["measure again"]
    code, text = tool("pdftotext", "-layout", next((tmp_path / "two").glob("*.pdf")), "-")
    assert code == 0
    assert "air handling: damper" in text
    assert "case 1: measure again" in text


@pytest.mark.slow
def test_a_record_does_not_say_what_customers_were_told(room: Room, tmp_path: Path) -> None:
    """A record may go to one customer; a package and the sheet of a case stay with assessors."""
    decide_and_close(room)
    room.issue(tmp_path / "out")
    text = next((tmp_path / "out").glob("*.json")).read_text("utf-8")
    assert TEXTS["customer"] not in text
    assert WORDS["customer"] not in text


@pytest.mark.slow
def test_another_day_is_not_touched(room: Room, tmp_path: Path) -> None:
    """A mark on 21 October makes no record of 19 October incomplete."""
    from logger.acts.marks import mark

    first = room.issue(tmp_path / "one")
    later = DAY[1] + 86_400 * NS
    mark(room.store, room.setup, Mark("machine-bay", later, later + 3600 * NS, "cleaning", WHO))
    assert acts_since(room.store, issue_of(room.store, first.number)) == []
    mark(room.store, room.setup, Mark("plate-bench", DAY[0], DAY[1], "cleaning", WHO))
    assert acts_since(room.store, issue_of(room.store, first.number)) == []
    mark(room.store, room.setup, Mark("machine-bay", DAY[0], DAY[1], "cleaning", WHO))
    assert len(acts_since(room.store, issue_of(room.store, first.number))) == 1


@pytest.mark.slow
def test_a_package_has_verdicts_decisions_people_and_both_times_of_acts(room: Room, tmp_path: Path) -> None:
    settle(People(room.store))
    decide_and_close(room)
    pack(room.store, room.verdicts, DAY, tmp_path / "p", WHO, room.now_ns)
    data = tmp_path / "p" / "data"
    inspections = json.loads((data / "inspections.json").read_text("utf-8"))
    rows = {row["key"]: row for row in inspections["inspections"]}
    assert set(rows) == {"I-2603", "I-2604"}
    assert (rows["I-2603"]["verdict"], rows["I-2603"]["reason"]) == ("not stable", "nonconforming")
    assert rows["I-2603"]["decisions"][0]["customer"] == WORDS["customer"]
    assert {"quality", "metrologist"} <= {role for p in inspections["people"] for role in p["roles"]}
    (case,) = json.loads((data / "cases.json").read_text("utf-8"))
    assert (case["state"], case["texts"]["customer"]) == ("closed", "told by mail")
    assert (data / "cases" / "case-000001.pdf").read_bytes().startswith(b"%PDF")
    acts = [json.loads(line) for line in (data / "journal.jsonl").read_text("utf-8").splitlines()]
    (closing,) = [a for a in acts if a["kind"] == "case" and '"act":"closed"' in a["what"]]
    assert closing["about"] == {"from": "2026-10-19T02:52:00Z", "to": "2026-10-19T06:11:00Z"}
    assert closing["at_ns"] > DAY[1]  # it was done afterwards
    elsewhere = pack(
        room.store, room.verdicts, (DAY[1], DAY[1] + 86_400 * NS), tmp_path / "q", WHO, room.now_ns
    )
    assert '"act":"closed"' not in (elsewhere.path / "data" / "journal.jsonl").read_text("utf-8")


def test_every_act_has_an_interval(room: Room) -> None:
    """Of all entries of the record none fails, and each interval has a length."""
    decide_and_close(room)
    times = ActTimes(room.store)
    for entry in room.store.journal.entries():
        about = times.about(entry)
        assert about.from_ns < about.to_ns, (entry.kind, rfc3339(entry.at_ns))


def test_the_sheet_of_a_case_is_a_whole_pdf(room: Room, tmp_path: Path) -> None:
    """Its pages say the decisions and what customers were told; equal facts give equal bytes."""
    decide_and_close(room)
    sheet = case_sheet(room.verdicts, the_case(room), room.now_ns)
    assert sheet == case_sheet(room.verdicts, the_case(room), room.now_ns)
    assert "a-3a" in STANDARDS
    path = tmp_path / "case.pdf"
    path.write_bytes(sheet)
    code, text = tool("pdftotext", "-layout", path, "-")
    assert code == 0
    for words in ("Case 1 is closed", "measure again: 4 µm of 12 µm", "told by mail", "case 1 closed"):
        assert words in text


def test_a_record_counts_what_is_missing_as_lists_of_cases_do(room: Room) -> None:
    """Two inspections to decide on are two things, and a closed case lacks nothing."""
    record = the_case(room)
    clock = Clock({"from": rfc3339(DAY[0]), "to": rfc3339(DAY[1])}, VIENNA)

    (row,) = case_rows([record.to_dict()], VIENNA, clock)

    assert len(record.undecided) > 1
    assert row[-1] == f"open, {record.missing_count} missing"
    decide_and_close(room)
    (row,) = case_rows([the_case(room).to_dict()], VIENNA, clock)
    assert row[-1].startswith("closed by Greta Holm")


def test_a_record_says_what_is_done_against_the_cause_and_when_its_effect_is_reviewed(room: Room) -> None:
    """An assessor asks what was changed (common practice, no source): on paper, not in the CSV alone."""
    clock = Clock({"from": rfc3339(DAY[0]), "to": rfc3339(DAY[1])}, VIENNA)
    texts = {"corrective_action": "valve exchanged", "look_on": "2026-11-20"}
    note(room.store, the_case(room).case, texts, WHO)
    (row,) = case_rows([the_case(room).to_dict()], VIENNA, clock)
    assert row[4] == "Corrective action: valve exchanged; effect to be reviewed on 2026-11-20"
    review_effect(room.store, the_case(room).case, "none in 30 days", WHO)
    (row,) = case_rows([the_case(room).to_dict()], VIENNA, clock)
    assert row[4] == "Corrective action: valve exchanged; its effect: none in 30 days"


def test_a_sheet_has_the_words_and_the_unit_of_its_readers(room: Room, tmp_path: Path) -> None:
    """Rules by name, printed when the room's clock says; NIST SP 811, B.8: t/°F = 1.8 t/°C + 32."""
    pages = {}
    units: tuple[TemperatureUnit, ...] = ("degC", "degF")
    for unit in units:
        path = tmp_path / f"{unit}.pdf"
        path.write_bytes(case_sheet(room.verdicts, the_case(room), room.now_ns, temperatures=unit))
        code, pages[unit] = tool("pdftotext", "-layout", path, "-")
        assert code == 0
    worst = max(e.worst for e in the_case(room).case.runs if e.unit == "degC")
    U = next(e.U for e in the_case(room).case.runs if e.worst == worst)
    assert f"{worst:.2f}" in pages["degC"]
    for figure in (1.8 * worst + 32, 1.8 * 20.5 + 32, 1.8 * U):
        assert f"{figure:.2f}" in pages["degF"]
    assert "°C" not in pages["degF"]
    for text in pages.values():
        assert "machine-bay." not in text
        assert f"printed {wall(room.now_ns, VIENNA)}" in text
        assert ".." not in text
