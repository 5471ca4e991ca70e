"""Where the headings stand, how columns are separated, and which column is which."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import ImportRefused
from .grid import Row, TextGrid, is_filled
from .profile import DELIMITERS, Profile

_MOST_COLUMNS = 16_384  # as many as a sheet of a workbook has
_HEAD_LINES = 1000  # headings stand above the readings; nobody writes a longer preamble
LONGEST_NAME = 500  # characters of a heading with a unit; the patterns need time by their square
_BRACKETED = re.compile(
    r"^(?P<name>.*?)\s*(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\]|\{(?P<d>[^{}]*)\}|/\s*(?P<c>\S+))\s*$"
)
_IN_NAME = re.compile(
    r"^(?P<name>.+?)[ _,:-]+(?P<unit>[°º˚]\s?[CF]|℃|℉|deg\.?\s?[CF]|%\s?(?:r\.?\s?[hF]\.?|HR|UR)|%|hPa|kPa"
    r"|mbar|mmHg|inHg|psi)$",
    re.I,
)


@dataclass(frozen=True)
class Heading:
    """The row of headings: its place among the rows (−1: there is none), and the names of the columns."""

    at: int
    names: tuple[str, ...]
    joined: tuple[str, ...]  # each with what the row above says of it and its neighbours
    row: tuple[str, ...]

    @property
    def width(self) -> int:
        return len(self.names)


def text_grid(name: str, text: str, delimiter: str) -> TextGrid:
    """Rows of a text file with the line number on which each ends."""
    source = io.StringIO(text, newline="")
    reader = csv.reader(source, delimiter=delimiter, skipinitialspace=delimiter == " ")
    try:
        rows = [(reader.line_num, cells) for cells in reader if is_filled(cells)]
    except csv.Error as error:
        reason = str(error)
        if "field limit" in reason:
            reason = f"a cell of it has more than {csv.field_size_limit():,} characters"
        raise ImportRefused(
            f"Line {reader.line_num} is not a row of a table: {reason}. Nothing was imported; see whether it "
            "is the right file, and export it again."
        ) from None
    wide = max(rows, key=lambda row: len(row[1]), default=(0, []))
    if len(wide[1]) > _MOST_COLUMNS:
        raise ImportRefused(f"Line {wide[0]} has {len(wide[1]):,} columns; {_MOST_COLUMNS:,} are the most.")
    note = f"columns are separated by {DELIMITERS[delimiter]}s"
    return TextGrid(
        name,
        rows,
        unterminated=not text.endswith(("\n", "\r")),
        assumed=(note,),
        delimiter=delimiter,
        unclosed=text.count('"') % 2 == 1,
    )


def delimiter_of(text: str, profile: Profile) -> str:
    """The declared delimiter, or the one under which a row holds every heading."""
    if profile.delimiter is not None:
        return profile.delimiter
    head = "".join(head_lines(text))
    grids = {}
    for delimiter in DELIMITERS:
        grids[delimiter] = text_grid("", head, delimiter).rows
        if not _by_number(profile) and not _missing(grids[delimiter], profile)[1]:
            return delimiter
    if _by_number(profile):
        return max(grids, key=lambda delimiter: _timed_rows(grids[delimiter], profile))
    return min(grids, key=lambda d: len(_missing(grids[d], profile)[1]))


def head_lines(text: str) -> list[str]:
    """The first lines of a text with their ends, without a copy of all the others."""
    end = 0
    for _ in range(_HEAD_LINES):
        end = text.find("\n", end) + 1
        if not end:
            end = len(text)
            break
    return list(itertools.islice(io.StringIO(text[:end], newline=""), _HEAD_LINES))


def find_heading(rows: Sequence[Row], profile: Profile) -> Heading:
    """The row that holds every heading of the profile; ImportRefused naming what is missing."""
    if _by_number(profile):
        return _unheaded(rows)
    at, missing = _missing(rows, profile)
    if missing:
        where = f"line {rows[at][0]} has the others" if at >= 0 else "no line has any of them"
        raise ImportRefused(
            f"No row holds all headings of profile {profile.name!r}: {', '.join(map(repr, missing))} "
            f"missing; {where}. Correct `heading` in the profile, or choose another profile."
        )
    return _heading(rows, at)


def places_of(heading: Heading, profile: Profile, line: int) -> dict[str, int]:
    """Index of the column of each heading of the profile."""
    places = {}
    shift = int(profile.unnamed_first_column)
    for name in profile.headings():
        where = _where(heading, name)
        if len(where) > 1:
            raise ImportRefused(
                f"The heading {name!r} occurs {len(where)} times in line {line}: which column is meant? "
                f'Give its number, such as "#{where[-1] + 1}", as `heading` in the profile.'
            )
        if not where:
            raise ImportRefused(f"There is no column {name!r}; line {line} has {heading.width} columns.")
        places[name] = where[0] + (0 if name.startswith("#") else shift)
    return places


def unit_in_heading(name: str) -> str | None:
    """What stands in brackets or after a stroke in a heading, or at its end where it is a unit."""
    if len(name) > LONGEST_NAME:
        return None
    match = _BRACKETED.match(name)
    if match:
        return next((g for g in (match["a"], match["b"], match["c"], match["d"]) if g), None)
    tail = _IN_NAME.match(name)
    return tail["unit"] if tail else None


def _by_number(profile: Profile) -> bool:
    return all(_number(h) is not None for h in profile.headings())


def _number(heading: str) -> int | None:
    return int(heading[1:]) if re.fullmatch(r"#[1-9]\d{0,3}", heading) else None


def _timed_rows(rows: Sequence[Row], profile: Profile) -> int:
    """How many rows have every numbered column, and a digit in each."""
    numbers = [n for h in profile.headings() if (n := _number(h)) is not None]
    return sum(
        len(cells) >= max(numbers) and all(any(c.isdigit() for c in cells[n - 1]) for n in numbers)
        for _, cells in rows
    )


def _unheaded(rows: Sequence[Row]) -> Heading:
    widths = [len(trimmed(cells)) for _, cells in rows]
    if not widths:
        raise ImportRefused("expected a table of readings, found no row.")
    names = tuple(f"#{n}" for n in range(1, max(set(widths), key=widths.count) + 1))
    return Heading(-1, names, names, ())


def _heading(rows: Sequence[Row], at: int) -> Heading:
    row = without_mark(rows, at)
    names = tuple(plain(c) for c in trimmed(row))
    return Heading(at, names, _joined(rows, at, names), tuple(row))


def without_mark(rows: Sequence[Row], at: int) -> list[str]:
    """A row of headings without a first cell that holds nothing but the # that marks it as no reading.

    It is a column of its own where the rows below are as wide as the headings with it.
    """
    row = rows[at][1]
    if not row or row[0].strip() != "#":
        return row
    below = [len(trimmed(cells)) for _, cells in rows[at + 1 : at + 100] if len(cells) > 1]
    width = max(set(below), key=below.count) if below else len(row)
    return row[1:] if width < len(trimmed(row)) else row


def _joined(rows: Sequence[Row], at: int, names: Sequence[str]) -> tuple[str, ...]:
    """Names with the group above them: "P4" over "Temperature" and an empty cell is "P4 Temperature"
    twice.
    """
    above = [plain(c) for c in rows[at - 1][1]] if at > 0 else []
    group, names_joined = "", []
    for n, name in enumerate(names):
        group = above[n] if n < len(above) and above[n] else group
        names_joined.append(f"{group} {name}".strip())
    return tuple(names_joined)


def _missing(rows: Sequence[Row], profile: Profile) -> tuple[int, list[str]]:
    """The first row with every heading, else the one with the most: its place and what it lacks."""
    headings = profile.headings()
    best: tuple[int, list[str]] = (-1, headings)
    words = {word for h in headings if _number(h) is None for word in h.split()}
    for at in range(min(len(rows), _HEAD_LINES)):
        text = " ".join(rows[at][1])
        if not any(word in text for word in words):
            continue  # most rows of a long file are told apart by this alone
        heading = _heading(rows, at)
        missing = [h for h in headings if not _where(heading, h)]
        if len(missing) < len(best[1]):
            best = (at, missing)
        if not missing:
            break
    return best


def _where(heading: Heading, column: str) -> list[int]:
    """Columns that a heading may mean: as written, with its group, then without the unit in it."""
    number = _number(column)
    if number is not None:
        return [number - 1] if number <= heading.width + 1 else []
    name = plain(column)
    bare = [_bare(n) for n in heading.names]
    with_group = [_bare(n) for n in heading.joined]
    for names in (heading.names, heading.joined, bare, with_group):
        if matches := [n for n, each in enumerate(names) if each == name]:
            return matches
    return []


def _bare(name: str) -> str:
    match = None if len(name) > LONGEST_NAME else _BRACKETED.match(name)
    return match["name"].strip() if match else name


def plain(cell: str) -> str:
    """A cell without what the eye does not see."""
    return " ".join(cell.replace("\ufeff", "").split()).lstrip("#").strip()


def trimmed(cells: Sequence[str]) -> Sequence[str]:
    """Cells without the empty ones at the end: some write a delimiter behind the last column as well."""
    n = len(cells)
    while n and not cells[n - 1].strip():
        n -= 1
    return cells[:n]
