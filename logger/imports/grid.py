"""A table of cells, wherever it came from: text, workbook, JSON, Parquet."""

from __future__ import annotations

from dataclasses import dataclass, field


class Exact(str):
    """The text of a cell that held a number: point as decimal sign, whatever the profile says of text."""

    __slots__ = ()


class Flag(Exact):
    """The text of a cell that held true or false, as 1 or 0: a number for a channel of states alone."""

    __slots__ = ()


Row = tuple[int, list[str]]  # line number in the file, counted from 1, and its cells


@dataclass(frozen=True)
class TextGrid:
    """Rows with something in them. `unterminated`: the last line has no line end and may be torn."""

    name: str
    rows: list[Row]
    unterminated: bool = False
    assumed: tuple[str, ...] = ()
    delimiter: str = ""  # of a text
    unclosed: bool = False  # a quotation mark opens that is never closed
    headed: bool = field(default=False)  # the first row is the heading, whatever it looks like
    simulated: bool = False  # the file says beside its cells that nothing in it was measured


def is_filled(cells: list[str]) -> bool:
    """Whether a row has anything in it; nearly always its first cell says so at once."""
    return bool(cells) and (bool(cells[0].strip()) or any(c.strip() for c in cells))
