"""Long text files whose rows all look alike, read as columns; anything else is left to the reader of rows.

Rows as lists of cells need half a kilobyte each. Here a cell that occurs many times is one text, and nothing
is decided: where one line below the first reading is not as wide as all others, holds no time or a sign that
could mean something else, the answer is None and every line is looked at by itself.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ImportRefused
from .cells import ArrowCells, coded, text_bytes
from .grid import Row
from .heading import Heading, find_heading, head_lines, places_of, text_grid
from .profile import Profile
from .rows import GridRows
from .table import Stream, TextColumn, TextTable, column_unit, time_places

if TYPE_CHECKING:
    import pyarrow

_BLOCK = 4 << 20  # bytes of rows that are taken apart in one go
LONG = 1 << 20  # characters: below it, reading row by row takes no time that anybody would notice


def plain_table(name: str, text: str, delimiter: str, profile: Profile) -> TextTable | None:
    """The table that the profile describes, or None where the file is short or holds more than plain rows."""
    if len(text) < LONG or not _may_be_plain(text, delimiter, profile):
        return None
    lines = head_lines(text)
    try:
        head = _Head(name, lines, delimiter, profile)
    except ImportRefused:
        return None  # told again, for the whole file, by the reader of rows
    cells = head.columns(text, sum(map(len, lines[: head.above])), delimiter)
    return None if cells is None else head.table(cells)


def _may_be_plain(text: str, delimiter: str, profile: Profile) -> bool:
    """Nothing asked for that needs a row as a whole, no quotation mark, and a last line that is whole."""
    streams = list(profile.streams())
    needs_rows = profile.sections or profile.day_in or profile.leave_out or profile.columns[0].time
    if needs_rows or len(streams) != 1 or streams[0][1] or any(c.unit_in for c in profile.columns):
        return False
    return delimiter != " " and '"' not in text and text.endswith("\n")


def _begins_with_digits(column: pyarrow.Array) -> bool:
    """Whether every text begins with one of 0 to 9: bytes are compared, which is quicker than a pattern."""
    content, ends = text_bytes(column)
    if not len(column) or (ends[1:] == ends[:-1]).any():
        return not len(column)
    first = content[ends[:-1]]
    return bool(((first >= ord("0")) & (first <= ord("9"))).all())


def _holds_digits(column: pyarrow.Array) -> bool:
    import pyarrow.compute as pc  # a twenty-fifth of a second, which most files need not spend

    fn: Any = pc
    return bool(fn.all(fn.match_substring_regex(column, r"[0-9]")).as_py())


def _holds_comment(column: pyarrow.Array) -> bool:
    """Whether a text begins with #, or with a sign that a comment may begin with in another encoding."""
    import pyarrow.compute as pc

    fn: Any = pc
    return bool(fn.any(fn.match_substring_regex(column, r"^\s*#|^[^\x00-\x7f]")).as_py())


class _Head:
    """What stands above the first reading: headings, units, and which columns are wanted."""

    def __init__(self, name: str, lines: Sequence[str], delimiter: str, profile: Profile) -> None:
        grid = text_grid(name, "".join(lines), delimiter)
        self.profile, self.grid = profile, grid
        self.heading: Heading = find_heading(grid.rows, profile)
        if self.heading.at < 0:
            raise ImportRefused("Columns by number alone: their count follows from all rows.")
        self.places = places_of(self.heading, profile, grid.rows[self.heading.at][0])
        width = self.heading.width + profile.unnamed_first_column
        first_row: dict[int, int] = {line: len(cells) for line, cells in grid.rows}
        rows = GridRows(grid, self.heading, width, time_places(self.places, profile), profile)
        rows.needed = set(self.places.values())
        rows.values = {self.places[c.heading] for c in profile.columns}
        first = rows.first_reading()
        self.units, self.notes = rows.between_heading_and(first, self.places)
        row: Row = grid.rows[first]
        self.above = row[0] - 1  # lines
        self.width, self.cells = width, first_row[row[0]]

    def columns(self, text: str, start: int, delimiter: str) -> dict[int, Sequence[str]] | None:
        """The cells of the wanted columns by their places; None where a row is not as all others."""
        import pyarrow

        values = {self.places[c.heading] for c in self.profile.columns}
        cells = {p: _Repeated() if p in values else _Single() for p in self.places.values()}
        source = _Encoded(text, start)
        try:
            for batch in self._batches(source, delimiter, values):
                if not self._all_readings(batch):
                    return None
                for place, batch_cells in cells.items():
                    batch_cells.add(batch.column(str(place)))
        except (pyarrow.ArrowInvalid, UnicodeEncodeError):
            return None
        batch_texts = {place: batch_cells.texts() for place, batch_cells in cells.items()}
        is_whole = all(len(texts) == source.lines for texts in batch_texts.values())
        return batch_texts if is_whole and not source.lone_returns else None

    def _batches(self, source: _Encoded, delimiter: str, values: set[int]) -> Iterator[pyarrow.RecordBatch]:
        """Blocks of rows: values encoded, so that each of their texts is there once, all else as text."""
        import pyarrow
        from pyarrow import csv

        names = [str(n) for n in range(self.cells)]
        columns = sorted({0, *self.places.values(), *range(self.width, self.cells)})
        (times,) = time_places(self.places, self.profile)
        texts = {0, *times, *range(self.width, self.cells)}  # these are looked at as texts
        yield from csv.open_csv(
            source,
            read_options=csv.ReadOptions(column_names=names, block_size=_BLOCK),
            parse_options=csv.ParseOptions(delimiter=delimiter, quote_char=False, double_quote=False),
            convert_options=csv.ConvertOptions(
                include_columns=[str(n) for n in columns],
                column_types=dict.fromkeys(names, pyarrow.string())
                | {str(p): pyarrow.dictionary(pyarrow.int32(), pyarrow.string()) for p in values - texts},
                strings_can_be_null=False,
                check_utf8=False,  # it was encoded here
            ),
        )

    def _all_readings(self, batch: pyarrow.RecordBatch) -> bool:
        """Whether every row has a time, is no comment, and has nothing in cells without a heading."""
        (times,) = time_places(self.places, self.profile)
        columns = {p: batch.column(str(p)) for p in {0, *times}}
        dated = {p for p, column in columns.items() if _begins_with_digits(column)}  # as nearly all are
        if not all(p in dated or _holds_digits(columns[p]) for p in times):
            return False
        if 0 not in dated and _holds_comment(columns[0]):
            return False
        if self.width == self.cells:
            return True
        import pyarrow.compute as pc

        fn: Any = pc
        beyond = [batch.column(str(p)) for p in range(self.width, self.cells)]
        return all(fn.all(fn.equal(fn.utf8_trim_whitespace(column), "")).as_py() for column in beyond)

    def table(self, cells: dict[int, Sequence[str]]) -> TextTable:
        """Grid of a plain file, equal to the one that the reader of rows makes of it."""
        ((times, _), columns), *_ = self.profile.streams().items()
        parts = [cells[self.places[t]] for t in times]
        joined = parts[0] if len(parts) == 1 else [f"{d} {t}" for d, t in zip(*parts, strict=True)]
        streams = tuple(
            TextColumn(
                c,
                column_unit(c, self.heading, self.units, self.places, self.profile),
                cells[self.places[c.heading]],
            )
            for c in columns
        )
        rows = len(joined)
        stream = Stream(
            joined,
            range(self.above + 1, self.above + 1 + rows),
            streams,
            (),
            self.grid.name,
            self.grid.delimiter,
        )
        return TextTable((stream,), rows, (*self.grid.assumed, *self.notes))


class _Encoded(io.RawIOBase):
    """The text from a place on as bytes, without a second copy of all of it.

    `lines`: line feeds read so far; `lone_returns`: whether a carriage return ended a line by itself.
    """

    def __init__(self, text: str, start: int) -> None:
        super().__init__()
        self._text, self._at = text, start
        self._after_return = False
        self.lines, self.lone_returns = 0, False

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        """At most `size` bytes: no character takes more than four."""
        first = self._at
        self._at = len(self._text) if size < 0 else first + max(1, size // 4)
        part = self._text[first : self._at].encode("utf-8")
        self._count(part)
        return part

    def _count(self, part: bytes) -> None:
        """Count the ends of lines; the text ends with a line feed, so no return stays open."""
        if not part:
            return
        signs = np.frombuffer(part, np.uint8)
        feeds, returns = signs == 10, signs == 13
        count = int(np.count_nonzero(feeds))
        self.lines += count
        if self._after_return != feeds[0] or not np.array_equal(returns[:-1], feeds[1:]):
            pairs = int(np.count_nonzero(returns[:-1] & feeds[1:])) + int(self._after_return and feeds[0])
            before = int(np.count_nonzero(returns[:-1])) + int(self._after_return)
            self.lone_returns |= pairs != before
        self._after_return = bool(returns[-1])


class _Repeated:
    """Cells of values: a few hundred texts, time and again, each kept once."""

    def __init__(self) -> None:
        self._columns: list[pyarrow.DictionaryArray] = []

    def add(self, column: pyarrow.Array) -> None:
        import pyarrow

        encoded = pyarrow.types.is_dictionary(column.type)
        self._columns.append(column if encoded else column.dictionary_encode())

    def texts(self) -> Sequence[str]:
        return coded(self._columns)


class _Single:
    """Cells that mostly occur once, as times do: made to texts while somebody goes through them."""

    def __init__(self) -> None:
        self._columns: list[pyarrow.Array] = []

    def add(self, column: pyarrow.Array) -> None:
        self._columns.append(column)

    def texts(self) -> Sequence[str]:
        import pyarrow

        return ArrowCells(pyarrow.chunked_array(self._columns, pyarrow.string()))
