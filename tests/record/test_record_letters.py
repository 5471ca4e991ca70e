"""A letter never stops a record, and what nobody sees is refused where it is typed."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.acts import marks
from logger.errors import Refused
from logger.instants import NS
from logger.model import Mark
from logger.model.roles import refuse_unseen
from logger.record.issuance import issue
from logger.record.letters import LIST, build_list, printable
from tests.programs import library

from .conftest import DAY, Room, tool

NAMES = {
    "Polish": "Łukasz Żółkiewski",
    "Turkish": "Ğülşah İnce",
    "Greek": "Ιωάννα Ψαρρού",
    "Cyrillic": "Жанна Щукина",
    "Chinese": "山田 测量室",
    "Hebrew": "נעמה",
    "Korean": "한글",
    "an emoji": "door open 🚪",
}


def test_every_letter_reaches_the_paper_and_none_stops_it(room: Room, tmp_path: Path) -> None:
    """Each script in the reason of a mark and in a name; what no typeface has stands as its number."""
    for number, name in enumerate(NAMES.values()):
        from_ns = DAY[0] + number * 60 * NS
        mark = Mark("machine-bay", from_ns, from_ns + 30 * NS, f"painting, {name}", name)
        marks.mark(room.store, room.setup, mark)

    out = tmp_path / "out"
    parts = (room.store, room.verdicts, room.setup, "machine-bay", *DAY, out, NAMES["Polish"], room.now_ns)
    issue(*parts)

    (pdf,) = out.glob("*.pdf")
    code, text = tool("pdftotext", pdf, "-")
    assert code == 0
    assert NAMES["Polish"] in text
    assert NAMES["Greek"] in text
    assert NAMES["Cyrillic"] in text
    assert "[U+1F6AA]" in text


def test_the_list_of_letters_is_that_of_the_typefaces() -> None:
    """By a library that reads typefaces; it comes with the plots of a test dependency."""
    library("fontTools")

    assert LIST.read_text("ascii") == build_list()


@pytest.mark.parametrize(
    ("text", "shown"),
    [("Łódź", "Łódź"), ("a\u202eb", "a[U+202E]b"), ("한", "[U+D55C]"), ("two\nlines", "two\nlines")],
)
def test_what_no_typeface_has_is_shown_by_its_number(text: str, shown: str) -> None:
    assert printable(text) == shown


@pytest.mark.parametrize("sign", ["\u202e", "\u2066", "\u200f", "\x07", "\x00", "\ufeff"])
def test_marks_that_nobody_sees_are_refused_where_they_are_typed(room: Room, sign: str) -> None:
    """With the number of the sign, so that it can be looked for."""
    for reason, who in ((f"pain{sign}ting", "Greta Holm"), ("painting", f"Greta{sign} Holm")):
        mark = Mark("machine-bay", DAY[0], DAY[0] + NS, reason, who)
        with pytest.raises(Refused, match=rf"U\+{ord(sign):04X}.*invisible"):
            marks.mark(room.store, room.setup, mark)
    assert refuse_unseen("Šárka Dvořáková\nof the night shift", "name")
