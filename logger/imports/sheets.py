"""Workbooks (.xlsx, .ods and their older kin) to a grid of cells.

Dates in a cell carry neither zone nor the writer's habits; they are told as year-month-day. Workbooks that
count their days from 1904 are told apart by the workbook itself.
"""

from __future__ import annotations

import io
import math
import zipfile
from datetime import date, datetime, time, timedelta
from typing import Any
from xml.parsers import expat

from ..errors import ImportRefused
from .containers import DAMAGED, Part
from .grid import Exact, Flag, TextGrid, is_filled


def sheet_grid(part: Part, sheet: str | None) -> TextGrid:
    """The rows of one sheet: the one that the profile names, or the only one with anything in it."""
    from python_calamine import CalamineError, CalamineWorkbook

    _refuse_torn(part.content)
    try:
        book = CalamineWorkbook.from_object(io.BytesIO(part.content))
        names = list(book.sheet_names)
        if sheet is not None and sheet not in names:
            raise ImportRefused(f"There is no sheet {sheet!r}; the workbook has {', '.join(names)}.")
        sheets = {n: _rows(book, n) for n in ([sheet] if sheet is not None else names)}
    except (CalamineError, OSError, ValueError) as error:
        raise ImportRefused(_unreadable(str(error))) from None
    filled = {name: rows for name, rows in sheets.items() if rows}
    if not filled:
        raise ImportRefused("expected a table of readings, found a workbook without any cell filled.")
    if len(filled) > 1:
        raise ImportRefused(
            f"Which sheet holds the readings: {', '.join(filled)}? Set `sheet` in the profile."
        )
    name, rows = next(iter(filled.items()))
    return TextGrid(part.name, rows, assumed=(f"the readings are in sheet {name!r}",))


def _refuse_torn(content: bytes) -> None:
    """ImportRefused for an OpenDocument sheet that is no whole XML.

    The library waits for ever for the end of a table that is torn off; one pass of a parser that has no
    handlers says so in a tenth of the time that reading takes.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            if "mimetype" in archive.namelist():
                expat.ParserCreate().ParseFile(archive.open("content.xml"))
    except (expat.ExpatError, LookupError) as error:  # the latter: it names an encoding that there is none of
        raise ImportRefused(_unreadable(f"its content.xml is damaged, {error}")) from None
    except DAMAGED:
        return  # an older kind of workbook is no archive; of all else the library says what is wrong


def _unreadable(why: str) -> str:
    """The reader says that it knows no such format also where a sheet is too large for any memory."""
    if "detect file format" in why:
        why = "it is damaged, or a cell lies so far from the others that the sheet has no room in memory"
    return f"The workbook cannot be read: {why}. Save the readings as plain text (CSV) and import that."


def _rows(book: Any, name: str) -> list[tuple[int, list[str]]]:
    sheet = book.get_sheet_by_name(name)
    rows = ((number, [cell_text(c) for c in cells]) for number, cells in enumerate(sheet.iter_rows(), 1))
    return [(number, cells) for number, cells in rows if is_filled(cells)]


def cell_text(value: Any) -> str:
    """A typed cell as text that cannot be misread.

    >>> cell_text(20.05), cell_text(datetime(2026, 10, 13, 8, 59, 59, 999_990)), cell_text(date(2026, 10, 13))
    ('20.05', '2026-10-13T09:00:00', '2026-10-13T00:00:00')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return Flag(int(value))
    if isinstance(value, int | float):
        return number_text(value)
    return _instant_text(value)


def number_text(value: float) -> str:
    """A number as text; what is no finite number is told as a word."""
    if not math.isfinite(value):
        return str(value)
    return Exact(int(value)) if value == int(value) and abs(value) < 1e15 else Exact(repr(value))


def _instant_text(value: Any) -> str:
    """Times are kept as a fraction of a day: what a millisecond cannot tell is an error of that fraction."""
    if isinstance(value, datetime):
        return _to_ms(value).isoformat()
    if isinstance(value, date):  # a reader gives the midnight of a column of times as a bare date
        return datetime(value.year, value.month, value.day).isoformat()
    if isinstance(value, time):
        return _to_ms(datetime.combine(date(2000, 1, 1), value)).time().isoformat()
    if isinstance(value, timedelta):  # a time of day in a cell that is formatted as a duration
        return (datetime(2000, 1, 1) + value).time().isoformat() if value < timedelta(days=1) else str(value)
    return str(value)


def _to_ms(at: datetime) -> datetime:
    ms = round(at.microsecond / 1000)
    return at.replace(microsecond=0) + timedelta(milliseconds=ms)
