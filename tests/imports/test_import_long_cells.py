"""Cells of a hundred thousand characters: what they are is decided by their length first.

No clock is read: a pattern that needed time by the square of the length would outlast the run's own limit.
"""

from __future__ import annotations

import pytest

from logger.errors import ImportRefused
from logger.imports import encoding, heading, rows, stamps

LONG = 300_000


@pytest.mark.parametrize("text", ["1" * LONG + "x", "a" + " " * LONG + "x", "1 " * LONG, "a." * LONG])
def test_a_long_cell_is_no_number_no_unit_and_no_time(text: str) -> None:
    """As a short one of its kind, which each pattern refuses too."""
    assert not rows._is_number(text)
    assert heading.unit_in_heading(text) is None
    assert heading._bare(text) == text
    for reading in (stamps.clock, stamps.date_parts):
        with pytest.raises(ImportRefused, match=r"Line 7: .{40,60} … is not a ") as refused:
            reading(text, 7)
        assert len(str(refused.value)) < 200
    assert stamps.divided(text)[1] in ("", "x")


def test_many_open_brackets_hold_no_unit() -> None:
    """A bracket with a unit in it is short; a text of brackets alone is done with."""
    assert not encoding._reads_wide(("(" * LONG).encode("gb18030"), "gb18030")
    assert encoding._reads_wide("t (in ℃)".encode("gb18030"), "gb18030")


def test_usual_cells_are_read_as_before() -> None:
    """The caps lie far above what anybody writes."""
    assert rows._is_number("+1 234.5")
    assert heading.unit_in_heading("Temperature at the granite, north side [°C]") == "°C"
    assert stamps.clock("02:05:30 p. m.", 1)[0] == 50_730 * 10**9
