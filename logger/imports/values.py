"""Cells to numbers: the decimal sign proven or declared, fault words and sentinels told from values."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from ..model.figures import number_of
from ..units import QUANTITIES, unit_name
from .cells import Coded, distinct, kinds
from .grid import Exact
from .profile import FAULT_WORDS, Profile
from .table import Stream, TextColumn

_PLAIN = frozenset("0123456789+-.")
_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?"),
}
# A sign with anything but three digits behind it cannot separate thousands; nor can one behind a zero alone.
_PROOF = {
    sign: re.compile(
        rf"[+-]?(?:\d*\{sign}(?:\d{{1,2}}|\d{{4,}})|0?\{sign}\d+|\d{{4,}}\{sign}\d+)(?:[eE][+-]?\d+)?"
    )
    for sign in ".,"
}
# Groups of three digits, told apart by the sign that is not the decimal one, by a blank or an apostrophe.
_GROUPED = {
    "'": re.compile(r"[+-]?\d{1,3}(?:'\d{3})+(?:[.,]\d+)?"),
    " ": re.compile(r"[+-]?\d{1,3}(?: \d{3})+(?:[.,]\d+)?"),
    ",": re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?"),
    ".": re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?"),
}
_BOTH = {
    ".": re.compile(r"[+-]?\d{1,3}(?:[,' ]\d{3})+\.\d*|[+-]?\d{1,3}(?:,\d{3}){2,}"),
    ",": re.compile(r"[+-]?\d{1,3}(?:[.' ]\d{3})+,\d*|[+-]?\d{1,3}(?:\.\d{3}){2,}"),
}
_NAMES = {".": "point", ",": "comma"}
_MARKS_ONLY = re.compile(r"[-–—*?#_.!]{1,}|[-+]?\.[-+]?")
_WITH_UNIT = re.compile(r"([+-]?[\d.,' ]*\d[.,]?(?:[eE][+-]?\d+)?)\s*([^\d\s+\-.,'][^\d]*)")
_BLANKS = dict.fromkeys("\xa0\u202f\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a", " ")
_SIGNS = str.maketrans({"−": "-", "–": "-", "٫": ",", **dict.fromkeys("’‘‛ʼ´`′", "'"), **_BLANKS})
_KNOWN_WORDS = frozenset(word.casefold() for word in FAULT_WORDS)
_UNITS = frozenset(unit for q in QUANTITIES.values() for unit in q.units if unit != "1")


@dataclass(frozen=True)
class ColumnValues:
    """Numbers of one column, NaN where there is none; `fault` marks cells that say so by a word.

    `unit`: where every number carries it in its own cell.
    """

    value: NDArray[np.float64]
    fault: NDArray[np.bool_]
    cells: Sequence[str]
    unit: str | None = None

    @property
    def blank(self) -> NDArray[np.bool_]:
        """Cells without anything in them: no reading was taken."""
        return np.isnan(self.value) & ~self.fault


def read_values(streams: Sequence[Stream], profile: Profile) -> tuple[list[list[ColumnValues]], list[str]]:
    """Values of every column of every stream, and what was taken as known."""
    columns = [column for stream in streams for column in stream.columns]
    by_commas = all(stream.delimiter == "," for stream in streams)
    sign, how = _decimal_sign(columns, profile, by_commas=by_commas)
    values = [
        [_column(column, stream.lines, sign, profile) for column in stream.columns] for stream in streams
    ]
    blank = sum(int(v.blank.sum()) for some in values for v in some)
    return values, [*how, *([f"no readings: {number_of(blank, 'empty cell')}"] if blank else [])]


def _decimal_sign(
    columns: Sequence[TextColumn], profile: Profile, *, by_commas: bool
) -> tuple[str, list[str]]:
    """The decimal sign: declared, or proven by the whole file, or asked."""
    if profile.decimal:
        return profile.decimal, [f"the decimal sign is a {_NAMES[profile.decimal]}, as declared"]
    texts = set().union(*(_written_as_text(column.cells) for column in columns))
    marked = {_number_part(c) for c in texts if "." in c or "," in c or not c.isascii()}
    cells = {c for c in marked if "." in c or "," in c}  # after its signs were made plain: \u066b is a comma
    example = {sign: next((c for c in sorted(cells) if sign in c and _is_number(c)), "") for sign in ".,"}
    both = [sign for sign in ".," if any(_BOTH[sign].fullmatch(c) for c in cells)]
    proven = both or [sign for sign in ".," if any(_PROOF[sign].fullmatch(c) for c in cells)]
    if len(proven) == 1:
        return proven[0], [f"the decimal sign is a {_NAMES[proven[0]]}, proven by the whole file"]
    if not any(example.values()):
        return ".", []
    if by_commas and not example[","]:
        return ".", ["the decimal sign is a point, as commas separate the columns"]
    examples = " and ".join(repr(e) for e in example.values() if e)
    raise ImportRefused(
        f"Is the sign in {examples} a decimal comma or point? The file does not show it. "
        'Set `decimal = "."` or `decimal = ","` in the profile.'
    )


def _written_as_text(cells: Sequence[str]) -> set[str]:
    """The distinct cells but for those that a spreadsheet holds as numbers."""
    if not any(issubclass(kind, Exact) for kind in kinds(cells)):
        return distinct(cells)
    return {cell for cell in cells if not isinstance(cell, Exact)}


def _number_part(cell: str) -> str:
    text = _tidy(cell)
    match = _WITH_UNIT.fullmatch(text)
    return match[1].strip() if match else text


def _is_number(text: str) -> bool:
    return any(form.fullmatch(text) for form in _NUMBER.values())


def _column(column: TextColumn, lines: Sequence[int], sign: str, profile: Profile) -> ColumnValues:
    fast = None if profile.sentinels else _all_plain(column.cells, sign)
    if fast is not None:
        return ColumnValues(fast, np.zeros(len(fast), np.bool_), column.cells)
    return _Slow(column, lines, sign, profile).values()


class _Slow:
    """One cell at a time: for columns that hold more than plain numbers."""

    def __init__(self, column: TextColumn, lines: Sequence[int], sign: str, profile: Profile) -> None:
        self.column, self.lines, self.sign = column, lines, sign
        self.sentinels = frozenset(profile.sentinels)
        own = profile.fault_words != FAULT_WORDS
        self.words = frozenset(w.casefold() for w in profile.fault_words) if own else _KNOWN_WORDS
        self.thousands = _thousands(column, sign, profile)
        self.units: dict[str, int] = {}
        self.bare = 0  # line of a number without a unit

    def values(self) -> ColumnValues:
        cells = self.column.cells
        value = np.full(len(cells), np.nan)
        fault = np.zeros(len(cells), np.bool_)
        parsed: dict[str, float | bool | None] = {}
        for i, cell in enumerate(cells):
            if cell not in parsed:
                parsed[cell] = self._read(cell, self.lines[i])
            cached = parsed[cell]
            if cached is True:
                fault[i] = True
            elif cached is not None:
                value[i] = cached
        return ColumnValues(value, fault, cells, self._unit())

    def _read(self, cell: str, line: int) -> float | bool | None:
        """A number, True for a fault, None for an empty cell; ImportRefused for anything else."""
        text = cell.strip() if isinstance(cell, Exact) else _tidy(cell)
        if not text:
            return None
        if cell.strip() in self.sentinels or text in self.sentinels:
            return True
        if isinstance(cell, Exact):
            return self._exact(text, line)
        number = self._number(text)
        if number is not None:
            self.bare = self.bare or line
            return number
        if text.casefold() in self.words or _MARKS_ONLY.fullmatch(text):
            return True
        if (match := _WITH_UNIT.fullmatch(text)) and unit_name(match[2]) in _UNITS:
            number = self._number(match[1].strip())
            if number is not None:
                self.units.setdefault(unit_name(match[2]), line)
                return number
        raise self._refused(text, line)

    def _exact(self, text: str, line: int) -> float:
        """A number that came as one; none of those that a file can write is too large to be kept."""
        number = float(text)
        if not np.isfinite(number):
            raise ImportRefused(
                f"Line {line}, column {self.column.spec.heading!r}: {text} is too large.", line
            )
        return number

    def _number(self, text: str) -> float | None:
        if self.thousands and _GROUPED[self.thousands].fullmatch(text):
            text = text.replace(self.thousands, "")
        if not _NUMBER[self.sign].fullmatch(text):
            return None
        number = float(text.replace(self.sign, "."))
        return number if np.isfinite(number) else None

    def _unit(self) -> str | None:
        if len(self.units) > 1:
            (first_unit, first), (other, second) = list(self.units.items())[:2]
            raise ImportRefused(
                f"Column {self.column.spec.heading!r} is in {first_unit} in line {first} and in "
                f"{other} in line {second}."
            )
        if self.units and self.bare:
            unit, line = next(iter(self.units.items()))
            raise ImportRefused(
                f"Column {self.column.spec.heading!r} has {unit} in line {line} and no unit in line "
                f"{self.bare}: one of them is incomplete. Correct the line."
            )
        return next(iter(self.units), None)

    def _refused(self, text: str, line: int) -> ImportRefused:
        heading = self.column.spec.heading
        if any(form.fullmatch(text) for form in _GROUPED.values()):
            return ImportRefused(
                f"Line {line}, column {heading!r}: is {text!r} a number with a sign between thousands? Say "
                '`thousands` in the profile, such as "," or "." or "\'".'
            )
        return ImportRefused(
            f"Line {line}, column {heading!r}: {text!r} is not a number with a decimal {_NAMES[self.sign]}. "
            "If the logger writes it for a fault, add it to `fault_words` in the profile.",
            line,
        )


def _thousands(column: TextColumn, sign: str, profile: Profile) -> str:
    """The sign between thousands: declared, or proven by a number that has it beside the decimal sign."""
    if profile.thousands is not None:
        return "" if profile.thousands == sign else profile.thousands
    cells = {_number_part(c) for c in column.cells if not isinstance(c, Exact)}
    for mark in ("'", " ", "." if sign == "," else ","):
        if any(mark in c and _BOTH[sign].fullmatch(c) for c in cells):
            return mark
    return ""


def _tidy(cell: str) -> str:
    """A cell without what spreadsheets and typesetters add: ="20.1", no-break blanks, long minus signs."""
    text = cell.strip()
    if text.startswith('="') and text.endswith('"'):
        text = text[2:-1]
    if not text.isascii() or "`" in text:
        text = (
            unicodedata.normalize("NFKC", text.translate(_SIGNS)) if _wide(text) else text.translate(_SIGNS)
        )
    return _unquoted(text.strip())


def _unquoted(text: str) -> str:
    """Without marks that open and close; one mark alone may stand where a digit was."""
    if len(text) > 1 and text[0] == text[-1] and text[0] in "'\"":
        return text[1:-1].strip()
    return text


def _wide(text: str) -> bool:
    """Digits as wide as the characters of an East Asian script."""
    return any(unicodedata.east_asian_width(c) == "F" for c in text)


def _all_plain(cells: Sequence[str], sign: str) -> NDArray[np.float64] | None:
    """All cells at once where they are nothing but numbers; None sends them one by one."""
    # A room takes a few hundred values, time and again.
    texts = list(cells.table if isinstance(cells, Coded) else set(cells))
    joined = "\n".join(texts)
    if sign == ",":
        if "." in joined:
            return None
        joined = joined.replace(",", ".")
    if not set(joined) <= _PLAIN | {"\n"}:
        return None
    try:
        numbers = dict(zip(texts, map(float, joined.split("\n")), strict=True))
    except ValueError:
        return None
    if not all(map(math.isfinite, numbers.values())):
        return None
    if isinstance(cells, Coded):
        return np.array([*numbers.values()], np.float64).take(cells.codes)
    return np.fromiter(map(numbers.__getitem__, cells), np.float64, len(cells))
