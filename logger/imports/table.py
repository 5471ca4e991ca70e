"""Text to a table: heading row, units, rows with their line numbers, and what was left out."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import ImportRefused
from ..units import unit_name
from .profile import Profile

_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_HEAD_LINES = 200  # headings stand above the readings; nobody writes a longer preamble
_BRACKETED = re.compile(r"^(?P<name>.*?)\s*(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\]|/\s*(?P<c>\S+))\s*$")


@dataclass(frozen=True)
class TextColumn:
    """Cells of one column of values as text, and the unit that the file states, if any."""

    heading: str
    unit: str | None
    cells: tuple[str, ...]


@dataclass(frozen=True)
class TextTable:
    """The rows of a file: time as text, columns in the order of the profile, lines from 1."""

    times: tuple[str, ...]
    columns: tuple[TextColumn, ...]
    lines: tuple[int, ...]
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class _Heading:
    delimiter: str
    at: int  # index into the list of rows
    cells: tuple[str, ...]
    rows: tuple[tuple[int, list[str]], ...]  # line number and cells of every row of the file


def read_table(text: str, profile: Profile) -> TextTable:
    """The table that the profile describes; ImportRefused naming what was not found."""
    heading = _heading(text, profile)
    places = _places(heading, profile)
    assumed = [f"columns are separated by {_DELIMITERS[heading.delimiter]}s"]
    body = list(heading.rows[heading.at + 1 :])
    units, body = _unit_row(body, heading, places)
    body = _without_headings(body, heading, assumed)
    width = len(heading.cells) + profile.unnamed_first_column
    rows = _data_rows(body, width, places[: len(profile.time_headings)], _unterminated(text), assumed)
    cells = list(zip(*(row for _, row in rows), strict=True))
    times = [cells[p] for p in places[: len(profile.time_headings)]]
    return TextTable(
        times=times[0] if len(times) == 1 else tuple(f"{d} {t}" for d, t in zip(*times, strict=True)),
        columns=tuple(
            TextColumn(c.heading, _unit(heading.cells[p - profile.unnamed_first_column], units, p), cells[p])
            for c, p in zip(profile.columns, places[len(profile.time_headings) :], strict=True)
        ),
        lines=tuple(line for line, _ in rows),
        assumed=tuple(assumed),
    )


def _heading(text: str, profile: Profile) -> _Heading:
    """The row that holds every heading of the profile, for the declared or the first fitting delimiter."""
    wanted = [*profile.time_headings, *(c.heading for c in profile.columns)]
    nearest: tuple[int, list[str]] = (0, wanted)
    head = "".join(itertools.islice(io.StringIO(text, newline=""), _HEAD_LINES))
    for delimiter in [profile.delimiter] if profile.delimiter else _DELIMITERS:
        for at, (line, cells) in enumerate(_rows(head, delimiter)):
            missing = [h for h in wanted if _place(cells, h) is None]
            if not missing:
                return _Heading(delimiter, at, tuple(cells), tuple(_rows(text, delimiter)))
            if len(missing) < len(nearest[1]):
                nearest = (line, missing)
    where = f"line {nearest[0]} has the others" if nearest[0] else "no line has any of them"
    raise ImportRefused(
        f"No row holds all headings of profile {profile.name!r}: {', '.join(map(repr, nearest[1]))} missing; "
        f"{where}. Mend `heading` in the profile, or take another profile."
    )


def _rows(text: str, delimiter: str) -> list[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        return [(reader.line_num, cells) for cells in reader if _is_filled(cells)]
    except csv.Error as error:
        raise ImportRefused(f"Line {reader.line_num} is no row of a table: {error}.") from None


def _is_filled(cells: Sequence[str]) -> bool:
    """Whether a row has anything in it; nearly always its first cell says so at once."""
    return bool(cells) and (bool(cells[0].strip()) or any(c.strip() for c in cells))


def _place(cells: Sequence[str], heading: str) -> int | None:
    """Where a heading stands; a unit behind it in brackets or after a stroke may be left out."""
    names = [c.strip() for c in cells]
    if heading in names:
        return names.index(heading)
    bare = [m["name"].strip() if (m := _BRACKETED.match(c)) else c for c in names]
    return bare.index(heading) if bare.count(heading) == 1 else None


def _places(heading: _Heading, profile: Profile) -> list[int]:
    wanted = [*profile.time_headings, *(c.heading for c in profile.columns)]
    names = [c.strip() for c in heading.cells]
    if twice := [h for h in wanted if names.count(h) > 1]:
        raise ImportRefused(
            f"The heading {twice[0]!r} stands {names.count(twice[0])} times in line "
            f"{heading.rows[heading.at][0]}: which column is meant? Rename the others in the file."
        )
    shift = int(profile.unnamed_first_column)
    return [p + shift for h in wanted if (p := _place(heading.cells, h)) is not None]


def _unit_row(
    body: list[tuple[int, list[str]]], heading: _Heading, places: Sequence[int]
) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """A row of units directly below the headings: as wide as they are, without any digit in its time."""
    if not body or len(body[0][1]) != len(heading.cells):
        return [], body
    first = body[0][1]
    digits = any(c.isdigit() for c in first[places[0]])
    return ([], body) if digits or tuple(first) == heading.cells else (first, body[1:])


def _unit(heading: str, units: Sequence[str], place: int) -> str | None:
    """The unit that the file states for a column, in its own spelling."""
    match = _BRACKETED.match(heading.strip())
    in_heading = next((g for g in (match["a"], match["b"], match["c"]) if g), None) if match else None
    in_row = units[place].strip().strip("[]()") if units else ""
    if in_heading and in_row and unit_name(in_heading) != unit_name(in_row):
        raise ImportRefused(f"The column {heading!r} has another unit in the row below it, {in_row!r}.")
    return in_heading or in_row or None


def _without_headings(
    body: list[tuple[int, list[str]]], heading: _Heading, assumed: list[str]
) -> list[tuple[int, list[str]]]:
    repeated = [line for line, cells in body if tuple(cells) == heading.cells]
    if repeated:
        assumed.append(f"{len(repeated)} repeated heading row(s) left out, the first in line {repeated[0]}")
    return [row for row in body if tuple(row[1]) != heading.cells]


def _unterminated(text: str) -> bool:
    return not text.endswith(("\n", "\r"))


def _data_rows(
    body: list[tuple[int, list[str]]],
    width: int,
    time_places: Sequence[int],
    unterminated: bool,
    assumed: list[str],
) -> list[tuple[int, list[str]]]:
    """Rows of the right width with a time in them; what follows the last one is a footer or torn.

    A line below them that begins as readings do is neither: a logger that writes another column
    since its last service must not lose what it wrote since.
    """
    good = [len(cells) == width and _has_time(cells, time_places) for _, cells in body]
    if not any(good):
        raise ImportRefused(_no_row(body, width))
    last = len(good) - 1 - good[::-1].index(True)
    rows = body[: last + 1]
    below = body[last + 1 : len(body) - unterminated]
    wrong = [row for row, is_good in zip(rows, good, strict=False) if not is_good]
    wrong += [row for row in below if _begins_alike(row[1], rows[-1][1], time_places[0])]
    if wrong:
        line, cells = wrong[0]
        what = f"{len(cells)} columns, wanted {width}" if len(cells) != width else "no time in it"
        raise ImportRefused(
            f"Line {line} has {what}: {_short(cells)}. Nothing was imported; mend or remove the line."
        )
    if unterminated and last == len(body) - 1 and _is_torn(rows):
        assumed.append(f"line {rows[-1][0]}, the last one, is torn and was left out: {_short(rows[-1][1])}")
        return rows[:-1]
    for line, cells in body[last + 1 :]:
        torn = unterminated and (line, cells) == body[-1]
        what = "is torn" if torn else "is a footer"
        assumed.append(f"line {line} {what} and was left out: {_short(cells)}")
    return rows


def _begins_alike(cells: Sequence[str], reading: Sequence[str], place: int) -> bool:
    """Whether a row has, where the time stands, as many digits as a reading has there."""
    if len(cells) <= place:
        return False
    mine, wanted = (sum(c.isdigit() for c in row[place]) for row in (cells, reading))
    return mine == wanted


def _has_time(cells: Sequence[str], places: Sequence[int]) -> bool:
    return all(cells[p][:1].isdigit() or any(c.isdigit() for c in cells[p]) for p in places)


def _no_row(body: Sequence[tuple[int, list[str]]], width: int) -> str:
    """Why not one line below the headings is a reading, told by the first of them."""
    if not body:
        return "The file has the headings of the profile but no reading below them."
    line, cells = body[0]
    found = "no time in it" if len(cells) == width else f"{len(cells)} columns"
    hint = ""
    if len(cells) == width + 1:
        hint = " If the first column is a row number without a heading, say `unnamed_first_column = true`."
    return f"Line {line} has {found}, wanted {width} columns and a time: {_short(cells)}.{hint}"


def _is_torn(rows: Sequence[tuple[int, list[str]]]) -> bool:
    """Whether the last cell of an unterminated last line has fewer decimals than every one above it."""
    last = rows[-1][1][-1]
    if not last.strip():
        return len(rows) > 1 and all(cells[-1].strip() for _, cells in rows[:-1])
    mine = _decimals(last)
    above = [d for _, cells in rows[:-1] if (d := _decimals(cells[-1])) is not None]
    return mine is not None and bool(above) and mine < min(above)


def _decimals(cell: str) -> int | None:
    match = re.fullmatch(r"\s*[+-]?\d+(?:[.,](\d*))?\s*", cell)
    return None if match is None else len(match[1] or "")


def _short(cells: Sequence[str]) -> str:
    text = " | ".join(cells)
    return repr(text if len(text) <= 60 else f"{text[:57]}...")
