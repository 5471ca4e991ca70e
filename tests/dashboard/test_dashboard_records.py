"""Page Records on the demo's history: ask, issue, take along, review; who may not is refused."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import create_app
from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.pages import records
from dashboard.parts import reviews
from logger.errors import Refused
from logger.record.issues import issues


@pytest.fixture
def q(demo_copy: Path) -> Queries:
    return Queries(Source(demo_copy))


def words(component: Any) -> str:
    """Everything that a page says, in one line."""
    return str(component.to_plotly_json()) if hasattr(component, "to_plotly_json") else str(component)


def test_a_date_is_answered_on_the_page_and_a_wrong_one_refused(q: Queries) -> None:
    text = words(records.layout(q, "?zone=machine-bay&at=20+October+14:10"))
    for expected in ("2026-10-20 14:10", "AG-0411-T", "Not reviewed", "approved by", "stable"):
        assert expected in text
    assert "expected a local time" in words(records.layout(q, "?zone=machine-bay&at=yesterday"))
    assert "outside the record" in words(records.layout(q, "?zone=machine-bay&at=2020-01-01T10:00"))


@pytest.mark.slow
def test_an_issued_record_is_listed_and_its_file_is_what_is_kept(q: Queries, demo_copy: Path) -> None:
    from tests.record.conftest import DAY

    def issue_day(current: Any, out: Path) -> int:
        ours = (current.store, current.verdicts, current.setup, "machine-bay")
        return int(records.issue(*ours, *DAY, out, "Greta Holm", q.now_ns()).number)

    listing, message = records._issue_record(q, issue_day)
    assert "Record 1 issued" in words(message)
    issue = issues(q.source.store)[0]
    name, digest = next((n, d) for n, d in issue.files.items() if n.endswith(".pdf"))
    assert f"/records/files/1/{name}" in words(listing[0])
    client = create_app(demo_copy).server.test_client()
    client.get("/")  # on the invented record whoever is at this machine is signed in
    answer = client.get(f"/records/files/1/{name}")
    assert hashlib.sha256(answer.data).hexdigest() == digest
    assert "attachment" in answer.headers["Content-Disposition"]
    answer.close()
    for wrong in ("/records/files/9/x.pdf", "/records/files/1/x.pdf"):
        assert client.get(wrong).status_code == 404
    assert b"SQLite" not in client.get("/records/files/1/..%2F..%2Fstillroom.db").data


def test_a_refusal_is_told_and_nothing_is_issued(q: Queries) -> None:
    def refused(current: Any, out: Path) -> int:
        raise Refused("There is no record 9.")

    _, message = records._issue_record(q, refused)
    assert "no record 9" in words(message)
    assert issues(q.source.store) == []


def test_what_is_to_be_reviewed_is_shown(q: Queries) -> None:
    text = words(reviews._review_card(q, "2026-10-19"))
    assert "Machine bay" in text
    assert "16.9 h" in text  # 16 h 54 min of Monday were stable, as the record of that day says


def test_a_month_is_issued_with_three_presses(q: Queries) -> None:
    """Records, Issue in the row of the month, Issue: the form stands first and is filled in."""
    assert "/records?zone=machine-bay&issue=2026-10" in words(records.layout(q, ""))
    page = records.layout(q, "?zone=plate-bench&issue=2026-10")
    first_card = words(page.children[1])
    for filled in ("Issue a record", "value='plate-bench'", "value='2026-10'", "value='2026-11-01"):
        assert filled in first_card
    elsewhere = words(records.layout(q, "?zone=nowhere&issue=1999-01"))
    assert "value='1999-01'" not in elsewhere


def test_what_a_machine_wrote_is_no_act_of_a_person(q: Queries) -> None:
    """Trend's readout listed the imports of the demo's history ("and 79 more acts")."""
    written = {entry.who for entry in q.source.store.journal.search(kinds=("import",))}
    assert written == {"demo"}
    assert q.source.acts(0, q.now_ns(), 200) == []
