"""A month on at most five pages, also a noisy one; what a page cannot hold is counted and attached whole."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logger.instants import NS, parse
from logger.model import Period
from logger.record.attached import attached_tables
from logger.record.day_strips import draw_strip, hour_of_points, strip_length, strips
from logger.record.print_words import first_of
from logger.record.words import page
from tests.programs import library

from .months import START, Month

pytestmark = pytest.mark.slow

VIENNA = ZoneInfo("Europe/Vienna")
HOUR = 3600 * NS


@pytest.fixture(scope="module")
def noisy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Five channels, 35 days at the edge of the guard band, 40 jobs, 12 marks: its PDF and its facts."""
    folder = tmp_path_factory.mktemp("noisy")
    month = Month(folder, days=35, noisy=True)
    month.jobs(40)
    month.marks(12)
    pdf = month.pdf(folder / "out")
    yield pdf, json.loads(pdf.with_suffix(".json").read_text("utf-8"))
    month.store.close()


def test_35_days_that_alternate_take_five_pages_at_most(noisy: tuple[Path, dict[str, Any]]) -> None:
    """Such a month took 23 pages; counted by pikepdf (qpdf), which shares nothing with the writer."""
    pikepdf = library("pikepdf")
    pdf, facts = noisy
    assert len(facts["periods"]) > 1500
    with pikepdf.open(pdf) as document:
        assert len(document.pages) <= 5


def test_what_a_page_leaves_out_is_counted_and_attached_whole(noisy: tuple[Path, dict[str, Any]]) -> None:
    pdf, facts = noisy
    sections = {s["title"]: s for s in page(facts)["sections"]}
    assert len(sections["Inspections"]["rows"]) == 16
    assert (
        "The 16 least certain of 40; all 40 in inspections.csv, attached." in sections["Inspections"]["more"]
    )
    whole = list(csv.DictReader(io.StringIO(attached_tables(facts)["inspections.csv"].decode())))
    assert [row["key"] for row in whole] == [job["key"] for job in facts["inspections"]]
    assert {row["revision"] for row in whole} == {"1"}
    periods = list(csv.DictReader(io.StringIO(attached_tables(facts)["periods.csv"].decode())))
    assert len(periods) == len(facts["periods"])
    beside = pdf.with_name(f"{pdf.stem}-periods.csv")
    assert beside.read_bytes() == attached_tables(facts)["periods.csv"]


def test_the_strips_add_up_to_the_interval(noisy: tuple[Path, dict[str, Any]]) -> None:
    """35 × 24 h in 35 local days and an hour less: 25 October 2026 has 25 h (tz database, Europe/Vienna)."""
    _, facts = noisy
    days = {day["label"]: day for day in facts["days"]}
    assert sum(sum(day["seconds"].values()) for day in facts["days"]) == 35 * 86_400
    assert len(days) == 35
    assert (days["Sun 10-25"]["change"], sum(days["Sun 10-25"]["seconds"].values())) == ("25 h", 25 * 3600)
    for verdict in ("stable", "not shown", "not stable"):
        by_day = sum(day["seconds"][verdict] for day in facts["days"])
        assert by_day == sum(s["seconds"] for s in facts["shares"] if s["verdict"] == verdict)


def period(begin: str, end: str, reason: str, verdict: str) -> Period:
    return Period("bay", parse(begin, VIENNA), parse(end, VIENNA), verdict, reason)  # type: ignore[arg-type]


def test_a_day_in_spring_has_23_h_and_its_strip_is_as_long() -> None:
    """29 March 2026, Europe/Vienna: the clock goes from 02:00 to 03:00."""
    span = parse("2026-03-28", VIENNA), parse("2026-03-31", VIENNA)
    whole = [period("2026-03-28", "2026-03-31", "conforming", "stable")]
    rows = strips(whole, *span, VIENNA)
    assert [(r.label, r.seconds["stable"] // 3600, r.change) for r in rows] == [
        ("Sat 03-28", 24, ""), ("Sun 03-29", 23, "23 h"), ("Mon 03-30", 24, ""),
    ]  # fmt: skip
    hour = hour_of_points(rows, "day")
    assert 23 * hour == pytest.approx(23 / 24 * 24 * hour)
    assert f'width="{24 * hour:.0f}"' in draw_strip(rows[0], whole, hour, VIENNA)
    assert draw_strip(rows[1], whole, hour, VIENNA).count("V9.6") == 2  # the double rule where it changes


def test_one_minute_out_of_limits_in_a_day_is_drawn() -> None:
    begin, end = "2026-10-05", "2026-10-06"
    minute = [
        period(begin, "2026-10-05T12:00", "conforming", "stable"),
        period("2026-10-05T12:00", "2026-10-05T12:01", "nonconforming", "not stable"),
        period("2026-10-05T12:01", end, "conforming", "stable"),
    ]
    (row,) = strips(minute, parse(begin, VIENNA), parse(end, VIENNA), VIENNA)
    assert row.seconds["not stable"] == 60
    assert "#d55e00" in draw_strip(row, minute, hour_of_points([row], "day"), VIENNA)


@pytest.mark.parametrize(
    ("days", "each", "most"),
    [(1, "day", 1), (45, "day", 45), (46, "week", 8), (366, "week", 54), (3653, "month", 121)],
)
def test_no_interval_makes_an_endless_table(days: int, each: str, most: int) -> None:
    begin = parse("2026-01-01", VIENNA)
    end = begin + days * 24 * HOUR - HOUR
    assert strip_length(begin, end, VIENNA) == each
    assert len(strips([], begin, end, VIENNA)) <= most


def test_what_is_left_out_is_what_ranks_lowest_and_the_order_stays() -> None:
    rows = [{"n": n} for n in (3, 1, 4, 1, 5)]
    shown, words = first_of(rows, 3, lambda r: r["n"], "largest", "x.csv")
    assert [r["n"] for r in shown] == [3, 4, 5]
    assert words == "The 3 largest of 5; all 5 in x.csv, attached."


def test_a_text_is_no_formula_in_the_attached_tables(noisy: tuple[Path, dict[str, Any]]) -> None:
    """A cell that begins with =, +, - or @ is run by spreadsheets (CWE-1236)."""
    _, facts = noisy
    marked = {**facts, "marks": [{**facts["marks"][0], "reason": '=HYPERLINK("http://x")'}]}
    (row,) = csv.DictReader(io.StringIO(attached_tables(marked)["marks.csv"].decode()))
    assert row["reason"] == '\'=HYPERLINK("http://x")'


def test_the_interval_begins_where_the_first_reading_says(noisy: tuple[Path, dict[str, Any]]) -> None:
    _, facts = noisy
    assert facts["data_begin"] == datetime.fromtimestamp(START // NS, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
