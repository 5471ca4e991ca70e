"""What a number of µm on paper is: an error with its U, or a bound; and no letters of a watermark in text."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logger.inspections.length_words import (
    BOUNDS_NOTE,
    EFFECT_HEAD,
    EFFECT_NOTE,
    ERROR_HEAD,
    ERROR_NOTE,
    SHARE_HEAD,
)
from logger.record.case_sheet import case_sheet
from logger.record.watermark import watermark_svg

from .conftest import Room, tool
from .test_record_cases import the_case


def words_of(pdf: Path) -> str:
    """The text of a PDF by a program that knows nothing of us, with single blanks."""
    code, text = tool("pdftotext", pdf, "-")
    assert code == 0, text
    return " ".join(text.split())


@pytest.mark.slow
def test_record_and_case_sheet_say_which_figure_they_print(room: Room, tmp_path: Path) -> None:
    """One inspection has an error ± U in the record and a bound on the sheet: each is called what it is."""
    room.issue(tmp_path / "out")
    record = words_of(next((tmp_path / "out").glob("*.pdf")))
    (tmp_path / "case.pdf").write_bytes(case_sheet(room.verdicts, the_case(room), room.now_ns))
    sheet = words_of(tmp_path / "case.pdf")

    for paper, other, head, note in (
        (record, sheet, ERROR_HEAD, ERROR_NOTE),
        (sheet, record, EFFECT_HEAD, EFFECT_NOTE),
    ):
        assert head in paper
        assert head not in other
        assert note in paper
        assert f"{SHARE_HEAD}: " in note
    assert BOUNDS_NOTE not in record  # nothing here was added up by bounds
    # Every µm stands under one of these heads.
    assert record.count("µm") == record.count(ERROR_HEAD)
    assert sheet.count("µm") == sheet.count(EFFECT_HEAD)


@pytest.mark.slow
def test_a_watermark_is_seen_and_not_read(room: Room, tmp_path: Path) -> None:
    """Text taken from papers holds no lone capitals; the mark of simulated data stands in every footer."""
    room.issue(tmp_path / "out")
    (tmp_path / "case.pdf").write_bytes(case_sheet(room.verdicts, the_case(room), room.now_ns))
    for pdf in (next((tmp_path / "out").glob("*.pdf")), tmp_path / "case.pdf"):
        _, text = tool("pdftotext", "-layout", pdf, "-")
        assert not [line for line in text.splitlines() if re.fullmatch(r"\s*[A-Z]{1,9}\s*", line)]
        assert text.count("SIMULATED") == text.count("SIMULATED, no measured data") == text.count("\f")


@pytest.mark.parametrize("words", ["DRAFT", "SIMULATED", "DRAFT SIMULATED", ""])
def test_every_letter_of_a_watermark_is_drawn(words: str) -> None:
    assert watermark_svg(words).count(b"<path") == len(words.replace(" ", ""))
