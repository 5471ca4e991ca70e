"""The answer to one date, against the logger's file and the certificates read by hand."""

from __future__ import annotations

import csv
import json
import sqlite3
import tomllib
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest

from logger.errors import IntervalError
from logger.instants import local, parse, parse_informal
from logger.record.at_instant import state_at
from logger.record.reviews import Signer, missing, review, reviews, span_of

from .conftest import VIENNA, Room, tool

ROOT = Path(__file__).resolve().parents[2]


def test_it_tells_what_the_loggers_file_says_then(room: Room) -> None:
    """The reading nearest to the instant, read here with csv alone."""
    at_ns = parse_informal("20 October 14:10", VIENNA, room.now_ns)
    state = state_at(room.store, room.verdicts, "machine-bay", at_ns, room.now_ns)
    with (ROOT / "sample_logs" / "machine-bay.csv").open(encoding="utf-8", newline="") as lines:
        rows = [r for r in csv.reader(lines) if r[0].startswith("2026-10-20T12:")]
    near = min(rows, key=lambda r: abs(parse(r[0], VIENNA) - at_ns))
    p1 = next(r for r in state["readings"] if r["channel"] == "P1.temperature")
    assert (p1["indication"], parse(p1["taken"], VIENNA)) == (float(near[1]), parse(near[0], VIENNA))
    paper = tomllib.loads((ROOT / "config/certificates/AG-0411-T.toml").read_text("utf-8"))
    assert (p1["certificate"], p1["issuer"]) == (paper["number"], paper["issuer"])
    assert p1["corrected"] == pytest.approx(p1["indication"] + p1["correction"], abs=2e-6)
    assert (state["verdict"], state["setup"]["version"]) == ("stable", 1)
    assert "machine-bay.temperature" in {row["rule"] for row in state["limits"]}
    assert all(row["basis"] for row in state["limits"])


def test_each_figure_of_a_reading_stands_in_the_unit_of_the_probe(room: Room) -> None:
    """The barometer shows hPa; its corrected value, correction and U are told in Pa, and beside it in hPa."""
    at_ns = parse_informal("20 October 14:10", VIENNA, room.now_ns)
    state = state_at(room.store, room.verdicts, "machine-bay", at_ns, room.now_ns)
    b1 = next(r for r in state["readings"] if r["channel"] == "B1.pressure")
    own = b1["in_own_unit"]
    assert (b1["unit"], b1["corrected_unit"]) == ("hPa", "Pa")
    assert own["corrected"] == pytest.approx(b1["indication"] + own["correction"], abs=1e-6)
    for name in ("corrected", "correction", "U"):
        assert own[name] == pytest.approx(b1[name] / 100, abs=1e-6)


@pytest.mark.slow
def test_it_agrees_with_the_check_of_that_minute_all_through_the_bad_monday(room: Room) -> None:
    verdicts = room.verdicts
    for hour in (3, 7, 9, 12, 20):
        at_ns = parse(f"2026-10-19T{hour:02d}:30", VIENNA)
        state = state_at(room.store, verdicts, "machine-bay", at_ns, room.now_ns)
        minute = verdicts.check("machine-bay", at_ns, at_ns + 60 * 10**9, room.now_ns, pre_window_s=0)
        assert state["verdict"] == minute.verdict


def test_a_gap_is_said_and_an_instant_outside_the_record_refused(room: Room) -> None:
    for text in ("2020-03-20T14:10", "2030-03-20T14:10"):
        with pytest.raises(IntervalError, match=rf"^{text[:10]} 14:10 \+01:00 is outside the record"):
            state_at(room.store, room.verdicts, "machine-bay", parse(text, VIENNA), room.now_ns)


@pytest.mark.slow
def test_who_reviewed_it_is_named_and_what_was_shown_is_kept(room: Room) -> None:
    stored_review = review(
        room.store, room.verdicts, "2026-10-20", "Greta Holm", "door left open", room.now_ns
    )
    state = state_at(room.store, room.verdicts, "machine-bay", parse("2026-10-20T14:10", VIENNA), room.now_ns)
    assert [(r["who"], r["cadence"], r["signed"]) for r in state["reviews"]] == [
        ("Greta Holm", "daily", False)
    ]
    entry = room.store.journal.entries(kind="review")[0]
    bay = entry.what["shown"]["zones"][0]
    assert sum(bay["seconds"].values()) + bay["without_record_s"] == 86_400
    assert (stored_review.from_ns, stored_review.to_ns) == span_of("2026-10-20", "Europe/Vienna")
    assert room.store.verify().intact


@pytest.mark.slow
def test_a_record_says_who_had_reviewed_its_interval(room: Room, tmp_path: Path) -> None:
    review(room.store, room.verdicts, "2026-10-19", "Greta Holm", "door left open", room.now_ns)
    room.issue(tmp_path)
    facts = json.loads(next(tmp_path.glob("*.json")).read_text("utf-8"))
    assert [(r["who"], r["period"], r["comment"]) for r in facts["reviews"]] == [
        ("Greta Holm", "2026-10-19", "door left open")
    ]
    code, text = tool("pdftotext", "-layout", next(tmp_path.glob("*.pdf")), "-")
    assert code == 0
    assert "door left open" in text


def test_a_signed_review_takes_the_password_and_nothing_is_left_of_a_wrong_one(room: Room) -> None:
    from logger.errors import Refused
    from logger.model.roles import Role
    from logger.people import People

    People(room.store).add("brandt", "Livia Brandt", [Role.METROLOGIST], "correct horse battery", "test")
    with pytest.raises(Refused, match="password"):
        review(room.store, room.verdicts, "2026-W42", "x", "", room.now_ns, Signer("brandt", "wrong"))
    assert reviews(room.store) == []
    stored_review = review(
        room.store, room.verdicts, "2026-W42", "x", "", room.now_ns, Signer("brandt", "correct horse battery")
    )
    assert (stored_review.who, stored_review.signed) == ("Livia Brandt", True)
    (signature,) = room.store.journal.entries(kind="signature")
    assert signature.what["meaning"] == "reviewed"
    assert signature.what["about"] == {"review": "2026-W42", "digest": stored_review.digest}


@pytest.mark.parametrize(
    ("label", "words"),
    [
        ("2035-01-01", "ends on 2035-01-02 00:00 .01:00; sign it after that"),
        ("2020-W10", "before the record"),
        ("October", "expected a day"),
        ("2026-13", "expected"),
    ],
)
def test_what_cannot_be_reviewed_is_refused(room: Room, label: str, words: str) -> None:
    from logger.errors import Refused

    with pytest.raises(Refused, match=words):
        review(room.store, room.verdicts, label, "Greta Holm", "", room.now_ns)


def test_two_skipped_working_days_are_missing_and_a_weekend_is_not(room: Room) -> None:
    """Counted from the day on which the record was begun; the demo is used from Monday to Saturday."""
    begun = room.store.journal.entries(limit=1)[0].at_ns
    day_ns = 86_400 * 10**9
    first, today = (local(ns, VIENNA).date().toordinal() for ns in (begun, begun + 10 * day_ns))
    free = {h for z in room.setup.zones_now() if z.hours_of_use for h in z.hours_of_use.holidays}
    days = [day for day in map(date.fromordinal, range(first, today)) if day.weekday() != 6]
    worked = [day for day in days if day.isoformat() not in free]
    missing_days = missing(room.store, room.setup, ("daily",), begun + 10 * day_ns)
    assert missing_days == [day.isoformat() for day in worked[:-1]]  # the last working day is not due yet
    assert missing(room.store, room.setup, (), begun + 10 * day_ns) == []
    assert missing(room.store, room.setup, ("daily",), begun) == []


def test_asking_judges_nothing_twice(room: Room) -> None:
    """The stored verdicts stay as they are: a question changes nothing."""
    verdicts, at_ns = room.verdicts, parse("2026-10-20T14:10", VIENNA)
    first = state_at(room.store, verdicts, "machine-bay", at_ns, room.now_ns)
    with closing(sqlite3.connect(room.store.folder / "stillroom.db")) as db:
        before = db.execute("SELECT count(*), max(body) FROM piece").fetchone()
        assert state_at(room.store, verdicts, "machine-bay", at_ns, room.now_ns) == first
        assert db.execute("SELECT count(*), max(body) FROM piece").fetchone() == before
