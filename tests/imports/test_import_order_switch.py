"""A file that changes the order of day and month on its way: refused at the line of the change, wherever it
is cut, and never read with part of its rows months away.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from logger.errors import ImportRefused
from logger.imports import Profile
from logger.imports.profile import Column
from logger.imports.reading import read_content
from logger.model import Setup

DAY_FIRST, MONTH_FIRST = "%d.%m.%Y %H:%M", "%m.%d.%Y %H:%M"
PROFILE = Profile("p", ("time",), (Column("temperature", "P1.temperature", "degC"),), zone="UTC")


def written(
    first: datetime, switch: datetime, last: datetime, step: timedelta, forms: tuple[str, str],
    without: tuple[datetime, datetime] | None = None, newest_first: bool = False,
) -> tuple[list[str], int]:  # fmt: skip
    """Rows from first to last in the one form up to the switch and in the other from there on; the line (from
    1, below one line of headings) of the first row that is not the same in both.
    """
    rows, at = [], first
    while at < last:
        if without is None or not without[0] <= at < without[1]:
            rows.append((at, at.strftime(forms[at >= switch])))
        at += step
    if newest_first:
        rows.reverse()
    changed = [
        0,
        *(n for n, (at, _) in enumerate(rows) if (at >= switch) != newest_first and at.day != at.month),
    ]
    return [f"{text},20.5\n" for _, text in rows], changed[min(1, len(changed) - 1)] + 2


H = timedelta(hours=1)
SEPT, OCT = datetime(2026, 9, 25), datetime(2026, 10, 1)
KINDS = {
    "proven by its first part": (SEPT, datetime(2026, 10, 6), datetime(2026, 10, 20), 6 * H),
    "nothing proven before the switch": (OCT, datetime(2026, 10, 6), datetime(2026, 10, 20), 6 * H),
    "on a day that is the same in both": (SEPT, datetime(2026, 10, 10), datetime(2026, 10, 20), 6 * H),
    "on a day beyond the twelfth": (SEPT, datetime(2026, 10, 14), datetime(2026, 10, 20), 6 * H),
    "within a day": (SEPT, datetime(2026, 10, 6, 13), datetime(2026, 10, 20), 6 * H),
    "at the end of a year": (datetime(2026, 12, 20), datetime(2027, 1, 3), datetime(2027, 1, 20), 6 * H),
    "one reading a day": (SEPT, datetime(2026, 10, 6), datetime(2026, 10, 20), 24 * H),
    "a reading a week": (datetime(2026, 8, 14), datetime(2026, 10, 2), datetime(2026, 12, 1), 168 * H),
}
GAPS = {
    "a weekend before it": (datetime(2026, 10, 3), datetime(2026, 10, 6)),
    "a week before it": (datetime(2026, 9, 29), datetime(2026, 10, 6)),
}


@pytest.mark.slow
@pytest.mark.parametrize("forms", [(DAY_FIRST, MONTH_FIRST), (MONTH_FIRST, DAY_FIRST)])
@pytest.mark.parametrize("kind", KINDS)
def test_the_line_of_the_switch_is_named_for_every_cut(
    kind: str, forms: tuple[str, str], setup: Setup
) -> None:
    """Whole, and cut behind any later line: refused or asked about, and where a line is named it is that
    of the switch. Cut before it: read, or asked about; no reading lies outside the file's true time.
    """
    first, switch, last, step = KINDS[kind]
    rows, line = written(first, switch, last, step, forms)
    check_every_cut(rows, line, first, last, setup)


@pytest.mark.parametrize("forms", [(DAY_FIRST, MONTH_FIRST), (MONTH_FIRST, DAY_FIRST)])
@pytest.mark.parametrize("gap", GAPS)
def test_a_gap_hides_no_switch(gap: str, forms: tuple[str, str], setup: Setup) -> None:
    """The logger was off over the switch: the same holds."""
    first, switch, last = SEPT, datetime(2026, 10, 6), datetime(2026, 10, 20)
    rows, line = written(first, switch, last, 6 * H, forms, GAPS[gap])
    check_every_cut(rows, line, first, last, setup)


def check_every_cut(rows: list[str], line: int, first: datetime, last: datetime, setup: Setup) -> None:
    named = 0
    for cut in range(1, len(rows) + 1):
        text, ends = read(rows[:cut], setup)
        if ends is not None:
            assert cut < line - 1, f"cut behind line {cut + 1} is read, the switch is in line {line}"
            assert first <= ends[0] <= ends[1] <= last
        elif text.startswith("p.csv: Line "):
            assert text.startswith(f"p.csv: Line {line}: "), (cut + 1, line, text)
            named += 1
        else:
            assert "No date of the file decides it" in text, text
    assert text.startswith(f"p.csv: Line {line}: ")
    assert named


def test_a_file_with_the_newest_row_first_is_asked_about_too(setup: Setup) -> None:
    rows, line = written(
        SEPT,
        datetime(2026, 10, 6),
        datetime(2026, 10, 20),
        6 * H,
        (MONTH_FIRST, DAY_FIRST),
        newest_first=True,
    )
    text, ends = read(rows, setup)
    assert ends is None
    assert f"line {line - 1}" in text.lower() or f"Line {line}" in text


def test_a_declared_order_is_held_against_the_whole_file(setup: Setup) -> None:
    """Twelve days written month first and declared day first: asked, not spread over a year."""
    rows, _ = written(OCT, datetime(2027, 1, 1), datetime(2026, 10, 13), 6 * H, (MONTH_FIRST, DAY_FIRST))
    text, _ = read(rows, setup, order="day-month-year")
    assert "the other way round" in text


@pytest.mark.parametrize(
    ("first", "off", "last"),
    [
        (datetime(2026, 9, 25), (datetime(2026, 10, 5), datetime(2026, 11, 3)), datetime(2026, 11, 20)),
        (datetime(2026, 1, 20), (datetime(2026, 2, 3), datetime(2026, 4, 5)), datetime(2026, 4, 20)),
        (datetime(2026, 2, 20), (datetime(2026, 3, 5), datetime(2026, 8, 4)), datetime(2026, 8, 20)),
    ],
)
def test_a_logger_that_was_off_for_weeks_is_no_question(
    first: datetime, off: tuple[datetime, datetime], last: datetime, setup: Setup
) -> None:
    rows, _ = written(first, datetime(2027, 1, 1), last, 6 * H, (DAY_FIRST, MONTH_FIRST), off)
    text, ends = read(rows, setup)
    assert ends == (first, last - 6 * H), text


def test_the_files_of_one_logger_prove_one_order(memory: Any, bring: Any) -> None:
    """A second file of a profile whose dates prove the other order is asked about, with both names; where a
    profile declares its order the person has answered.
    """
    store, until = memory(), datetime(2027, 1, 1)
    for name, first, form in (("a.csv", SEPT, DAY_FIRST), ("b.csv", SEPT + 30 * 24 * H, MONTH_FIRST)):
        rows, _ = written(first, until, first + 20 * 24 * H, 6 * H, (form, form))
        text = "time,temperature\n" + "".join(rows)
        if name == "a.csv":
            bring(text, store, name)
    with pytest.raises(ImportRefused, match=r"b\.csv: its dates prove month-day-year, those of a\.csv"):
        bring(text, store, name)
    before = len(store.rows)
    bring(text, store, name, order="month-day-year")
    assert len(store.rows) == before + 80


def test_time_that_goes_back_by_most_of_a_year_is_asked_about(setup: Setup) -> None:
    """A year that did not go on at New Year, with dates that only one order fits: line and both times."""
    rows = [f"2026-12-{d:02d}T12:00:00,20.5\n" for d in range(20, 32)]
    rows += [f"2026-01-{d:02d}T12:00:00,20.5\n" for d in range(1, 10)]
    text, ends = read(rows, setup)
    assert ends is None
    assert text.startswith("p.csv: Line 14: the time goes from 2026-12-31 12:00:00 to 2026-01-01 12:00:00")
    assert read(rows, setup, jumps_are_real=True)[1] is not None


def read(rows: list[str], setup: Setup, **declared: object) -> tuple[str, tuple[datetime, datetime] | None]:
    from dataclasses import replace

    content = ("time,temperature\n" + "".join(rows)).encode()
    try:
        (series,) = read_content("p.csv", content, replace(PROFILE, **declared), setup).series  # type: ignore[arg-type]
    except ImportRefused as refused:
        return f"p.csv: {refused}", None
    ends = [datetime(1970, 1, 1) + timedelta(seconds=int(ns) // 10**9) for ns in series.taken_ns[[0, -1]]]
    return "", (ends[0], ends[1])
