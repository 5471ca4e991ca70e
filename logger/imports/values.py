"""Cells to numbers: the decimal sign proven or declared, fault words and sentinels told from values."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from .profile import Profile
from .table import TextColumn, TextTable

_PLAIN = frozenset("0123456789+-.")
_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?"),
}
# A sign with anything but three digits behind it cannot separate thousands.
_PROOF = {sign: re.compile(rf"[+-]?\d*\{sign}(?:\d{{1,2}}|\d{{4,}})(?:[eE][+-]?\d+)?") for sign in ".,"}
_NAMES = {".": "point", ",": "comma"}


@dataclass(frozen=True)
class Values:
    """Numbers of one column, NaN where there is none; `fault` marks cells that say so by a word."""

    value: NDArray[np.float64]
    fault: NDArray[np.bool_]
    cells: tuple[str, ...]

    @property
    def blank(self) -> NDArray[np.bool_]:
        """Cells without anything in them: no reading was taken."""
        return np.isnan(self.value) & ~self.fault


def read_values(table: TextTable, profile: Profile) -> tuple[list[Values], list[str]]:
    """Values of every column, and what was taken as known."""
    sign, how = _decimal_sign(table.columns, profile)
    values = [_column(column, table.lines, sign, profile) for column in table.columns]
    blank = sum(int(v.blank.sum()) for v in values)
    note = [f"{blank} empty cell(s) are no readings"] if blank else []
    return values, [*how, *note]


def _decimal_sign(columns: Sequence[TextColumn], profile: Profile) -> tuple[str, list[str]]:
    """The decimal sign: declared, or proven by the whole file, or asked."""
    if profile.decimal:
        return profile.decimal, [f"the decimal sign is a {_NAMES[profile.decimal]}, as declared"]
    cells = {cell.strip() for column in columns for cell in column.cells}
    example = {sign: next((c for c in cells if sign in c and _is_number(c)), "") for sign in ".,"}
    proven = [sign for sign in ".," if any(_PROOF[sign].fullmatch(c) for c in cells)]
    if len(proven) == 1:
        return proven[0], [f"the decimal sign is a {_NAMES[proven[0]]}, proven by the whole file"]
    if not any(example.values()):
        return ".", []
    seen = " and ".join(repr(e) for e in example.values() if e)
    raise ImportRefused(
        f"Which sign stands before the decimals in {seen}? The file does not decide it. "
        'Say `decimal = "."` or `decimal = ","` in the profile.'
    )


def _is_number(text: str) -> bool:
    return any(form.fullmatch(text) for form in _NUMBER.values())


def _column(column: TextColumn, lines: Sequence[int], sign: str, profile: Profile) -> Values:
    words = {*profile.fault_words, *profile.sentinels}
    fast = _all_plain(column.cells, sign)
    if fast is not None and not profile.sentinels:
        return Values(fast, np.zeros(len(fast), np.bool_), column.cells)
    value = np.full(len(column.cells), np.nan)
    fault = np.zeros(len(column.cells), np.bool_)
    form = _NUMBER[sign]
    for i, cell in enumerate(column.cells):
        text = cell.strip()
        if not text:
            continue
        if text in words:
            fault[i] = True
        elif form.fullmatch(text):
            value[i] = float(text.replace(sign, "."))
        else:
            _refuse(column, text, lines[i], sign)
    return Values(value, fault, column.cells)


def _all_plain(cells: Iterable[str], sign: str) -> NDArray[np.float64] | None:
    """All cells at once where they are nothing but numbers; None sends them one by one."""
    joined = "\n".join(cells)
    if sign == ",":
        if "." in joined:
            return None
        joined = joined.replace(",", ".")
    if not set(joined) <= _PLAIN | {"\n"}:
        return None
    try:
        return np.array([float(text) for text in joined.split("\n")])
    except ValueError:
        return None


def _refuse(column: TextColumn, text: str, line: int, sign: str) -> None:
    raise ImportRefused(
        f"Line {line}, column {column.heading!r}: {text!r} is no number with a decimal {_NAMES[sign]}. "
        "If the logger writes it for a fault, add it to `fault_words` in the profile."
    )
