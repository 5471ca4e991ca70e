"""The rows of a grid below its headings: which are readings, and what explains each that is none."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Sequence

from ..errors import ImportRefused
from ..model.figures import number_of
from ..units import QUANTITIES, unit_name
from .grid import Row, TextGrid, is_filled
from .heading import Heading, plain, trimmed
from .profile import Profile

_NUMBER = re.compile(r"[+-]?[\d.,' ]*\d[\d.,]*")
_LONGEST_NUMBER = 100  # characters; the pattern needs time by their square


class GridRows:
    """The rows of a grid below its headings, looked at one way and the other."""

    def __init__(
        self, grid: TextGrid, heading: Heading, width: int, times: list[tuple[int, ...]], profile: Profile
    ) -> None:
        self.grid, self.heading, self.width, self.times, self.profile = grid, heading, width, times, profile
        self.rows = grid.rows
        self.needed: set[int] = set()
        self.values: set[int] = set()  # columns of values among those that are needed
        self.good = [False] * (heading.at + 1) + [
            self._is_reading(cells) for _, cells in self.rows[heading.at + 1 :]
        ]

    def _is_reading(self, cells: list[str]) -> bool:
        """A row of the right width with a time in it; makes it exactly as wide as the heading."""
        if len(cells) != self.width and not self._fitted(cells):
            return False
        return any(all(_has_digit(cells[p]) for p in group) for group in self.times)

    def _fitted(self, cells: list[str]) -> bool:
        """Empty cells at the end may be more or, where that is declared, fewer than headings."""
        if len(cells) > self.width and len(trimmed(cells)) <= self.width:
            del cells[self.width :]
        elif len(cells) < self.width and self.profile.short_rows:
            cells += [""] * (self.width - len(cells))
        return len(cells) == self.width

    def first_reading(self) -> int:
        if True not in self.good:
            raise ImportRefused(self._no_row())
        return self.good.index(True)

    def last_reading(self) -> int:
        return len(self.good) - 1 - self.good[::-1].index(True)

    def between_heading_and(self, first: int, places: dict[str, int]) -> tuple[Sequence[str], list[str]]:
        """The row of units, if there is one, and a note for every other row above the first reading."""
        units: Sequence[str] = ()
        notes = []
        values = [places[c.heading] for c in self.profile.columns]
        for line, cells in self.rows[self.heading.at + 1 : first]:
            if self.heading.at < 0 or self._is_section(cells):
                continue
            if any(_is_number(cells[p].strip()) for p in values if p < len(cells)):
                raise self._refused(line, cells)
            if not units and len(trimmed(cells)) > 1 and len(cells) <= self.width + 1:
                units = cells
            else:
                notes.append(f"line {line} is not a reading and was left out: {short(cells)}")
        return units, notes

    def readings(self, first: int, last: int, notes: list[str]) -> list[tuple[int, Row]]:
        """Rows of readings with their places; every other one between them must be explained."""
        explained = self._explained(first, last, notes)
        readings = []
        for n in range(first, last + 1):
            line, cells = self.rows[n]
            if self.good[n] and not self._left_out(cells):
                self._refuse_swallowed(line, cells)
                readings.append((n, self.rows[n]))
            elif n not in explained:
                raise self._refused(line, cells)
        if not readings:
            raise ImportRefused(
                f"Every row below the headings was left out, the first in line {self.rows[first][0]}: "
                f"{short(self.rows[first][1])}. Lines that begin with # are comments; so are those under "
                "`leave_out` in the profile."
            )
        return readings

    def _explained(self, first: int, last: int, notes: list[str]) -> set[int]:
        """Places of repeated headings with the lines around them, of sections, comments, and what is
        declared.
        """
        places: set[int] = set()
        anchors = []
        for n in range(first, last + 1):
            line, cells = self.rows[n]
            if not self.good[n] and (self._is_heading(cells) or self._is_section(cells)):
                anchors.append(n)
            elif self._left_out(cells):
                places.add(n)
                notes.append(f"line {line} was left out: {short(cells)}")
        for n in anchors:
            places |= self._around(n)
        self._refuse_other_units(places)
        heads = [n for n in anchors if self._is_heading(self.rows[n][1])]
        if heads:
            where = self.rows[heads[0]][0]
            notes.append(
                f"{number_of(len(heads), 'repeated row')} of headings left out, the first in line {where}"
            )
        others = sorted(places - set(anchors))
        notes += [f"line {self.rows[n][0]} was left out: {short(self.rows[n][1])}" for n in others
                  if not self._left_out(self.rows[n][1]) and not self._is_unit_row(n)]  # fmt: skip
        return places

    def _refuse_other_units(self, left_out: set[int]) -> None:
        """A row of units below a repeated heading must say the same as the one below the first."""
        units = self.rows[self.heading.at + 1][1] if self.heading.at + 1 < len(self.rows) else []
        for n in sorted(left_out):
            line, cells = self.rows[n]
            for place in self.values:
                first, here = (_unit_in(row, place) for row in (units, cells))
                if here and here != first:
                    raise ImportRefused(
                        f"Line {line}: below a repeated heading column {place + 1} is in {here}, and in "
                        f"{first or 'no such unit'} at the top. Split the file there."
                    )

    def _around(self, n: int) -> set[int]:
        """A repeated heading with the lines that are no readings directly above and below it."""
        low = high = n
        while not self.good[low - 1] and not self._begins_alike(self.rows[low - 1][1]):
            low -= 1
        while not self.good[high + 1] and not self._begins_alike(self.rows[high + 1][1]):
            high += 1
        return set(range(low, high + 1))

    def _is_unit_row(self, n: int) -> bool:
        below = self.heading.at + 1
        return below < len(self.rows) and self.rows[n][1] == self.rows[below][1]

    def _is_heading(self, cells: list[str]) -> bool:
        return self.heading.at >= 0 and tuple(map(plain, trimmed(cells))) in (
            self.heading.names,
            ("", *self.heading.names),  # behind a # that stands alone
        )

    def _is_section(self, cells: list[str]) -> bool:
        return self._section(cells) is not None

    def _section(self, cells: list[str]) -> tuple[str, str] | None:
        keys = (*self.profile.sections, *((self.profile.day_in,) if self.profile.day_in else ()))
        head = plain(cells[0])
        for key in keys:
            name, _, rest = re.sub(r"\s*[:=]\s*", ":", head, count=1).partition(":")
            if name == key:
                value = rest or next((c for c in map(plain, cells[1:]) if c), "")
                return key, value
        return None

    def _left_out(self, cells: list[str]) -> bool:
        if cells[0].lstrip().startswith("#") and not self._is_heading(cells):
            return True
        if not self.profile.leave_out:
            return False
        text = " ".join(cells).strip()
        return any(fnmatch.fnmatchcase(text, pattern) for pattern in self.profile.leave_out)

    def _refuse_swallowed(self, line: int, cells: list[str]) -> None:
        """A quotation mark that is never closed makes one cell of all the lines behind it.

        A cell may hold line breaks where all marks are closed and no line in it begins as a reading does.
        """
        for cell in cells:
            if ("\n" in cell or "\r" in cell) and (self.grid.unclosed or self._hides_reading(cell)):
                raise ImportRefused(
                    f"Line {line}: a quotation mark that opens in the row above it is not closed there, so "
                    f"that lines run together: {short([cell])}. Nothing was imported. Correct the line."
                )

    def ending(self, readings: list[tuple[int, Row]], last: int, notes: list[str]) -> int:
        """How many of the last rows are torn (0 or 1); what follows the last reading is a footer."""
        below = range(last + 1, len(self.rows))
        torn_below = self.grid.unterminated and last + 1 < len(self.rows)
        for n in below:
            line, cells = self.rows[n]
            torn = torn_below and n == len(self.rows) - 1
            if not torn and self._begins_alike(cells) and not self._left_out(cells):
                raise self._refused(line, cells)
            self._refuse_hidden(line, cells)
            notes.append(
                f"line {line} {'is torn' if torn else 'is a footer'} and was left out: {short(cells)}"
            )
        if not self.grid.unterminated or last != len(self.rows) - 1 or self.profile.whole_last_line:
            return 0
        if not self._last_may_be_torn([cells for _, (_, cells) in readings]):
            return 0
        line, cells = readings[-1][1]
        notes.append(
            f"line {line}, the last one, has no line end and may be torn; it was left out: {short(cells)} "
            "(set `whole_last_line = true` in the profile if the logger ends its files like this)"
        )
        return 1

    def _last_may_be_torn(self, rows: Sequence[list[str]]) -> bool:
        needed = self.needed | {p for group in self.times for p in group}
        return self.width - 1 in needed and _may_be_torn(rows)

    def _hides_reading(self, cell: str) -> bool:
        for line in cell.splitlines()[1:]:
            parts = line.split(self.grid.delimiter or ",")
            if self._begins_alike(parts) or len(parts) >= max(2, self.width // 2):
                return True
        return False

    def _refuse_hidden(self, line: int, cells: list[str]) -> None:
        for cell in cells:
            if sum(map(_has_digit, cell.splitlines())) > 2:
                self._refuse_swallowed(line, cells)

    def _begins_alike(self, cells: Sequence[str]) -> bool:
        """Whether a row has, where the time stands, as many digits as a reading has there.

        Such a line is no footer: a logger that writes another column since its last service must not
        lose what it wrote since.
        """
        place = self.times[0][0]
        reading = next(row for is_good, (_, row) in zip(self.good, self.rows, strict=True) if is_good)
        if len(cells) <= place:
            return False
        mine, usual = (sum(c.isdigit() for c in row[place]) for row in (cells, reading))
        return mine == usual > 0

    def above(self, places: list[int]) -> list[dict[str, str]]:
        """For each row of readings the newest word of every section above it."""
        if not self.profile.sections and not self.profile.day_in:
            return []
        newest: dict[str, str] = {}
        numbers, lines = set(places), []
        for n, (_, cells) in enumerate(self.rows):
            if n in numbers:
                lines.append(dict(newest))
            elif (section := self._section(cells)) is not None:
                newest[section[0]] = section[1]
        return lines

    def _refused(self, line: int, cells: Sequence[str]) -> ImportRefused:
        width, expected = len(cells), self.width
        what = f"{width} columns, expected {expected}" if width != expected else "no time in it"
        hint = (
            " Where rows may end early, set `short_rows = true` in the profile." if width < expected else ""
        )
        return ImportRefused(
            f"Line {line} has {what}: {short(cells)}. Nothing was imported. Correct or remove the line, or "
            f"list it under `leave_out` in the profile.{hint}",
            line,
        )

    def _no_row(self) -> str:
        """Why not one line below the headings is a reading, told by the first of them."""
        below = self.rows[self.heading.at + 1 :]
        if not below:
            return "The file has the headings of the profile but no reading below them."
        line, cells = next(((n, c) for n, c in below if len(c) == self.width + 1), below[0])
        fault = "no time in it" if len(cells) == self.width else number_of(len(cells), "column")
        hint = ""
        if len(cells) == self.width + 1:
            hint = (
                " If the first column is a row number without a heading, set `unnamed_first_column = true`."
            )
        return f"Line {line} has {fault}, expected {self.width} columns and a time: {short(cells)}.{hint}"


def _unit_in(cells: Sequence[str], place: int) -> str:
    """The unit that stands alone in a cell, by its name here; empty where there is none."""
    text = cells[place].strip().strip("[](){}") if place < len(cells) else ""
    name = unit_name(text)
    return name if any(name in q.units for q in QUANTITIES.values()) and name != "1" else ""


def _has_digit(cell: str) -> bool:
    return cell[:1].isdigit() or any(c.isdigit() for c in cell)


def _may_be_torn(rows: Sequence[list[str]]) -> bool:
    """Whether the last cell of an unterminated last line may have lost its end.

    Digits behind the decimal sign come last: a number with as many of them as any above it is whole.
    """
    last = rows[-1][-1]
    above = [cells[-1] for cells in rows[:-1]]
    if not above:
        return False
    if not last.strip():
        return any(cell.strip() for cell in above)
    mine = _decimals(last)
    if mine is None:  # a time, or a word: words that are not known are refused later
        return _has_digit(last) and len(last.strip()) < min(len(cell.strip()) for cell in above)
    decimals = [d for cell in above if (d := _decimals(cell)) is not None]
    if not decimals or max(decimals) > 0:
        return bool(decimals) and mine < max(decimals)
    return len(last.strip()) < min(len(c.strip()) for c in above if _decimals(c) is not None)


def _decimals(cell: str) -> int | None:
    match = re.fullmatch(r"\s*[+-]?\d+(?:[.,](\d*))?\s*", cell)
    return None if match is None else len(match[1] or "")


def short(cells: Sequence[str]) -> str:
    """A row in a message."""
    text = " | ".join(cells if is_filled(list(cells)) else [])
    return repr(text if len(text) <= 60 else f"{text[:57]}...")


def _is_number(cell: str) -> bool:
    return len(cell) <= _LONGEST_NUMBER and bool(_NUMBER.fullmatch(cell))
