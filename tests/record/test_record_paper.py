"""What an assessor reads on paper: who approved each version, why a verdict was revised, which rows stand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from logger.instants import parse
from logger.record.facts import record_facts
from logger.record.interval import Interval
from logger.record.pictures import judged_periods
from logger.record.section_words import inspections, statistics
from logger.record.words import MOST_VERSIONS, _approval_rows

from .conftest import DAY, Room

VIENNA = ZoneInfo("Europe/Vienna")
NOVEMBER: Any = {"from": "2026-11-01T23:00:00Z", "to": "2026-11-12T23:00:00Z"}


def test_the_strips_show_the_periods_that_the_record_states(room: Room) -> None:
    """Also where other verdicts were stored since: page 1 and page 2 never differ."""
    span = Interval("machine-bay", *DAY, room.now_ns)
    facts = record_facts(room.store, room.verdicts, room.setup, span, draft=True)

    periods = judged_periods(facts)

    stored = room.verdicts.periods("machine-bay", *DAY, room.now_ns)
    assert [replace(p, margin=None) for p in stored] == periods
    facts["periods"] = facts["periods"][:1]
    assert judged_periods(facts) == periods[:1]


def version(number: int, approved: str, reason: str) -> dict[str, Any]:
    people = {
        "author": "Greta Holm",
        "author_proven": True,
        "approver": "Ines Faber",
        "approver_proven": True,
    }
    return {"version": number, "approved": approved, "reason": reason, **people}


def approval_rows(versions: list[dict[str, Any]]) -> list[list[str]]:
    setup: Any = {"version": versions[-1]["version"], "versions": versions}
    setup |= {"single_person": False, "corrections": []}
    return _approval_rows(setup, parse(NOVEMBER["from"], VIENNA), VIENNA)


def test_a_swap_during_the_interval_and_what_came_later_name_who_approved_them() -> None:
    rows = approval_rows([
        version(1, "2026-09-01T08:00:00Z", "first setup"),
        version(2, "2026-11-09T09:30:00Z", "P2 cable broken"),
        version(3, "2026-11-25T09:00:00Z", "recalibration of P1"),
    ])  # fmt: skip

    assert [name for name, _ in rows] == ["Setup version 2", "Setup version 3"]
    expected = "by Greta Holm, approved by Ines Faber 2026-11-09 10:30 +01:00: P2 cable broken"
    assert rows[0][1] == expected


def test_a_setup_of_long_before_is_named_alone_and_many_versions_are_counted() -> None:
    (row,) = approval_rows([version(7, "2025-01-01T08:00:00Z", "reason")])
    assert row == ["Setup version 7", "by Greta Holm, approved by Ines Faber 2025-01-01 09:00 +01:00"]

    rows = approval_rows([version(n, f"2026-11-{n:02d}T08:00:00Z", "limits") for n in range(2, 10)])

    assert len(rows) == MOST_VERSIONS + 1
    assert rows[-1] == ["Earlier versions", "4 more since then, in record.json"]


def test_a_revised_verdict_says_because_of_what_once_for_all_of_one_cause() -> None:
    job = {
        "title": "Ring", "from": "2026-11-06T08:00:00Z", "to": "2026-11-06T09:00:00Z", "verdict": "stable",
        "revision": 2, "revision_cause": "setup 3: recalibration of P1",
    }  # fmt: skip
    first = {**job, "key": "J-1", "revision": 1, "revision_cause": ""}
    facts: Any = {**NOVEMBER, "inspections": [first, {**job, "key": "J-3"}, {**job, "key": "J-4"}]}

    table = inspections(facts, VIENNA)

    assert table["more"].endswith("Revised, J-3, J-4: setup 3: recalibration of P1.")
    assert [row[4] for row in table["rows"]] == ["stable", "stable (rev. 2)", "stable (rev. 2)"]  # type: ignore[index]


def test_a_computed_quantity_without_a_value_has_no_row_and_a_silent_probe_has_one() -> None:
    nothing = {"min": None, "max": None, "mean": None, "span": None, "share_conforming": None}
    nothing |= {"share_conforming_in_use": None}
    rows = [
        {"channel": "B1.pressure", "unit": "Pa", **nothing},
        {"channel": "P1.refractivity", "unit": "1e-6", **nothing},
    ]
    facts: Any = {"statistics": rows, "probes": [{"certificates": [{"channel": "B1.pressure"}]}]}

    assert [row[0] for row in statistics(facts)["rows"]] == ["B1.pressure"]  # type: ignore[index]
