"""The workbook, read by libraries of other makes: sums of `review year`, texts stay texts, equal bytes."""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from python_calamine import CalamineWorkbook

from logger.config import in_force
from logger.handouts.workbook import WorkbookFacts, workbook, workbook_facts
from logger.instants import to_ns
from logger.record.year import year
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.command_line import Run
from tests.programs import skip_without

NOW = to_ns(datetime(2026, 11, 10, 12, tzinfo=UTC))
ZONES = ("machine-bay", "plate-bench")


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


@pytest.fixture
def verdicts(store: Store) -> Verdicts:
    return Verdicts(store, in_force(store.setups.versions()).setup)


def sheet(content: bytes, name: str) -> list[dict[str, Any]]:
    """Rows of a sheet below its heads in the fourth row, by openpyxl."""
    rows = list(openpyxl.load_workbook(io.BytesIO(content))[name].iter_rows(min_row=4, values_only=True))
    body = [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]
    return [row for row in body if any(value is not None for value in row.values())]


@pytest.mark.slow
def test_sums_of_a_year_are_those_of_the_review(store: Store, verdicts: Verdicts) -> None:
    """Twelve months of two zones: shares of stable time, and minutes not stable in use by cause."""
    content = workbook(store, verdicts, workbook_facts(verdicts, "2026", ZONES, NOW), NOW)
    review = year(store, verdicts, 2026, [], NOW, ())
    months = sheet(content, "Months")
    causes = {row["cause"]: row["not stable in hours of use min"] for row in sheet(content, "Causes")}

    assert len(months) == 2 * 11  # December has not begun
    for zone in review["zones"]:
        name = verdicts.setup.zone(zone["zone"]).name
        mine = [row for row in months if row["zone"] == name]
        recorded = sum(row["recorded min"] for row in mine)
        stable = sum(row["recorded min"] * (row["stable"] or 0) for row in mine)
        assert stable == pytest.approx(zone["stable"] * recorded, abs=1)
        assert sum(row["cases in use"] for row in mine) == zone["cases"]
    lost = sum(row["not stable in hours of use min"] for row in months)
    assert lost == pytest.approx(review["not_stable_in_use_s"] / 60, abs=1)
    assert causes["all"] == pytest.approx(review["not_stable_in_use_s"] / 60, abs=1)
    for cause in review["causes"]:
        assert causes[cause["cause"]] == pytest.approx(cause["lost_s"] / 60, abs=1)


@pytest.mark.slow
def test_days_of_a_month_have_the_extremes_of_their_readings(store: Store, verdicts: Verdicts) -> None:
    """19 October is the day of the excursion: the greatest value is above the limit of 20.5 °C."""
    content = workbook(store, verdicts, workbook_facts(verdicts, "2026-10", ("machine-bay",), NOW), NOW)
    days = {row["day"]: row for row in sheet(content, "Days")}

    assert len(days) == 31
    assert days["2026-10-01"]["mean °C"] is None
    assert days["2026-10-19"]["greatest °C"] > 20.5
    assert days["2026-10-19"]["least °C"] < days["2026-10-19"]["mean °C"] < days["2026-10-19"]["greatest °C"]
    assert (days["2026-10-14"]["lower limit °C"], days["2026-10-14"]["upper limit °C"]) == (19.5, 20.5)
    summary = openpyxl.load_workbook(io.BytesIO(content), read_only=True)["Summary"]
    named = {row[1] for row in summary.iter_rows(values_only=True) if row[2] == "all work"}
    assert named >= {"temperature", "span in 1 h", "relative humidity"}  # no key, nothing twice


@pytest.mark.slow
def test_fahrenheit_converts_values_as_values_and_differences_as_differences(
    store: Store, verdicts: Verdicts
) -> None:
    """20 °C is 68 °F, a difference of 1 K is 1.8 °F (common practice, no source); the basis is as written."""
    facts = workbook_facts(verdicts, "2026-10", ("machine-bay",), NOW)
    celsius, fahrenheit = (
        {row["day"]: row for row in sheet(workbook(store, verdicts, facts, NOW, unit), "Days")}["2026-10-14"]
        for unit in ("degC", "degF")
    )
    text = str(sheet(workbook(store, verdicts, facts, NOW, "degF"), "Summary"))

    assert fahrenheit["mean °F"] == pytest.approx(celsius["mean °C"] * 9 / 5 + 32)
    assert fahrenheit["U °F"] == pytest.approx(celsius["U K"] * 9 / 5)
    assert fahrenheit["upper limit °F"] == pytest.approx(68.9)
    assert "67.1 to 68.9 °F" in text
    assert "at most 0.9 °F" in text
    assert "20 °C ± 0.5 K" in text


@pytest.mark.slow
def test_the_same_facts_have_the_same_bytes(store: Store, verdicts: Verdicts) -> None:
    facts = workbook_facts(verdicts, "2026-10", ("machine-bay",), NOW)
    assert workbook(store, verdicts, facts, NOW) == workbook(store, verdicts, facts, NOW)


EVIL = ('=HYPERLINK("http://x.example","y")', "@SUM(1+1)|cmd", "+1+1", "-2+3", "\tx", "\rx")


@pytest.mark.slow
def test_no_text_becomes_a_formula(store: Store, verdicts: Verdicts) -> None:
    """Causes that people typed, seen by openpyxl and by calamine (Rust) as the same texts."""
    facts: WorkbookFacts = workbook_facts(verdicts, "2026-10", ("machine-bay",), NOW)
    facts = replace(facts, causes=tuple((text, 1, 60) for text in EVIL))
    content = workbook(store, verdicts, facts, NOW)

    cells = [row for row in openpyxl.load_workbook(io.BytesIO(content))["Causes"].iter_rows()]
    formulas = [c.value for row in cells for c in row if c.data_type == "f"]
    assert formulas == []
    read = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_name("Causes").to_python()
    seen = {str(row[0]) for row in read}
    assert {text.strip() for text in EVIL} <= {text.strip() for text in seen}


@pytest.mark.slow
def test_the_mark_of_simulated_data_stands_on_every_sheet(store: Store, verdicts: Verdicts) -> None:
    content = workbook(store, verdicts, workbook_facts(verdicts, "2026-10", ("machine-bay",), NOW), NOW)
    book = openpyxl.load_workbook(io.BytesIO(content))

    assert [s.title for s in book] == [
        "Summary",
        "Days",
        "Cases",
        "Causes",
        "Probes",
        "Verdict periods",
        "About",
    ]
    assert all(s["A2"].value == "SIMULATED: no measured data" for s in book)
    assert len(book["Days"]._charts) == 1


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "Expected one of --month 2026-10 and --year 2026."),
        (("--month", "2026-13"), "Expected a month 2026-10"),
        (("--year", "26"), "Expected a month 2026-10 or a year 2026"),
        (("--month", "2099-01"), "2099-01 has not begun"),
        (("--month", "2026-10", "--zone", "bay"), "There is no zone 'bay'"),
        (("--month", "2026-10", "--unit", "K"), "--unit: expected one of degC, degF"),
    ],
)
def test_bad_input_is_refused_in_words(
    demo_history: Path, stillroom: Run, tmp_path: Path, words: tuple[str, ...], message: str
) -> None:
    result = stillroom("record", "workbook", *words, "--out", tmp_path / "x.xlsx", "--data", demo_history)

    assert (result.returncode, message in result.stderr) == (2, True), result.stderr
    assert not (tmp_path / "x.xlsx").exists()


@pytest.mark.long
def test_a_free_office_program_opens_it(store: Store, verdicts: Verdicts, tmp_path: Path) -> None:
    """LibreOffice turns it into PDF."""
    office = shutil.which("soffice") or skip_without("soffice (LibreOffice) is not installed")
    book = tmp_path / "x.xlsx"
    book.write_bytes(workbook(store, verdicts, workbook_facts(verdicts, "2026-10", ZONES, NOW), NOW))
    call = [office, "--headless", "--convert-to", "pdf", "--outdir", str(tmp_path), str(book)]
    subprocess.run(call, check=True, timeout=300, capture_output=True)

    assert (tmp_path / "x.pdf").read_bytes().startswith(b"%PDF")


def test_no_head_runs_into_the_figures_below_it(store: Store, verdicts: Verdicts) -> None:
    """Heads wrap inside their column: the row is as high as their lines take."""
    content = workbook(store, verdicts, workbook_facts(verdicts, "2026-10", ZONES, NOW), NOW)
    sheet = openpyxl.load_workbook(io.BytesIO(content))["Summary"]

    head = next(cell for cell in sheet[4] if cell.value == "not stable in hours of use min")
    width = sheet.column_dimensions[head.column_letter].width

    assert sheet.row_dimensions[4].height >= 12 * -(-len(head.value) // width)
