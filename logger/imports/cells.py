"""Columns of texts that are kept small: as Arrow keeps them, or as places in a table of the distinct ones."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, overload

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pyarrow

# What `dates` takes apart in the same way, text by text; any other stamp is left to it.
_DAY, _CLOCK = re.compile(r"[0-9][0-9./-]{5,9}"), re.compile(r"[0-9][0-9:.,+Z-]*")
_MOST_RUNS, _DIGITS = 1000, 6


@dataclass(frozen=True)
class Coded(Sequence[str]):
    """Texts of shape (n,): `codes` are places in `table`, whose texts all differ."""

    table: tuple[str, ...]
    codes: NDArray[np.int32]

    @staticmethod
    def of(texts: Sequence[str]) -> Coded:
        """Code a sequence."""
        table = tuple(dict.fromkeys(texts))
        place = {text: code for code, text in enumerate(table)}
        return Coded(table, np.fromiter(map(place.__getitem__, texts), np.int32, len(texts)))

    def __len__(self) -> int:
        return len(self.codes)

    def __iter__(self) -> Iterator[str]:
        return map(self.table.__getitem__, self.codes.tolist())

    @overload
    def __getitem__(self, at: int) -> str: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[str]: ...
    def __getitem__(self, at: int | slice) -> str | Sequence[str]:
        return Coded(self.table, self.codes[at]) if isinstance(at, slice) else self.table[self.codes[at]]

    def first_lines(self, lines: Sequence[int]) -> dict[str, int]:
        """Text -> line of its first row; the text whose last row is the latest comes first."""
        rows = np.arange(len(self.codes), dtype=np.int32)
        first, last = np.zeros(len(self.table), np.int32), np.full(len(self.table), -1, np.int32)
        last[self.codes] = rows
        first[self.codes[::-1]] = rows[::-1]
        places = [int(code) for code in np.argsort(-last) if last[code] >= 0]
        return {self.table[code]: lines[int(first[code])] for code in places}


def kinds(cells: Sequence[str]) -> set[type]:
    """The types of cells: a spreadsheet holds numbers and flags as what they are."""
    return {str} if isinstance(cells, Coded) else set(map(type, cells))


def distinct(cells: Sequence[str]) -> set[str]:
    """The texts that occur."""
    return set(cells.table) if isinstance(cells, Coded) else set(cells)


class ArrowCells(Sequence[str]):
    """Cells that mostly occur once, as times do: made to texts while somebody goes through them."""

    def __init__(self, column: pyarrow.ChunkedArray) -> None:
        self._column = column

    def __len__(self) -> int:
        return len(self._column)

    def __iter__(self) -> Iterator[str]:
        for chunk in self._column.iterchunks():
            yield from chunk.to_numpy(zero_copy_only=False).tolist()

    @overload
    def __getitem__(self, at: int) -> str: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[str]: ...
    def __getitem__(self, at: int | slice) -> str | Sequence[str]:
        return ArrowCells(self._column[at]) if isinstance(at, slice) else str(self._column[at])

    def halves(self) -> tuple[Coded, Coded] | None:
        """The day and the time of day of plain stamps; None where one is written in any other way."""
        chunks = [chunk for chunk in self._column.iterchunks() if len(chunk)]
        return fixed_halves([text_bytes(chunk) for chunk in chunks]) or self._free_halves()

    def _free_halves(self) -> tuple[Coded, Coded] | None:
        """`halves` of stamps that are not all as long as the first."""
        parts = []
        for chunk in self._column.iterchunks():
            both = _divided(chunk)
            if both is None:
                return None
            parts.append(both)
        if not parts:
            return None
        texts = coded(parts)
        codes = texts.codes.reshape(-1, 2)
        day, clock = _used(texts.table, codes[:, 0]), _used(texts.table, codes[:, 1])
        return (day, clock) if _are_plain(day, clock) else None


def text_bytes(column: pyarrow.Array) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """The bytes of n texts, one after the other, and where each begins, then the end of all: (n + 1,)."""
    _, ends, content = column.buffers()
    places = np.frombuffer(ends, np.int32)[column.offset : column.offset + len(column) + 1]
    return np.frombuffer(content, np.uint8) if content else np.empty(0, np.uint8), places


def fixed_halves(
    chunks: Sequence[tuple[NDArray[np.uint8], NDArray[np.int32]]],
) -> tuple[Coded, Coded] | None:
    """Day and time of day of stamps that are all as long as the first, as most loggers write them.

    None where one is longer or shorter, or is written in any other way. chunks: of `text_bytes`.
    """
    if not chunks:
        return None
    content, ends = chunks[0]
    width = int(ends[1] - ends[0])
    first = content[ends[0] : ends[1]].tobytes()
    at = next((place for sign in b" T" if (place := first.find(sign)) > 0), 0)
    if not 0 < at < width - 1 or any((np.diff(e) != width).any() for _, e in chunks):
        return None
    stamps = np.concatenate([c[e[0] : e[-1]].reshape(-1, width) for c, e in chunks])
    if (stamps[:, at] != first[at]).any():
        return None
    day, clock = _runs_coded(stamps[:, :at]), _digits_coded(stamps[:, at + 1 :])
    return (day, clock) if day and clock and _are_plain(day, clock) else None


def _are_plain(day: Coded, clock: Coded) -> bool:
    return all(map(_DAY.fullmatch, day.table)) and all(map(_CLOCK.fullmatch, clock.table))


def _runs_coded(texts: NDArray[np.uint8]) -> Coded | None:
    """Texts of bytes, shape (n, width), of which many neighbours are equal; None where few are."""
    changes = np.zeros(len(texts), np.bool_)
    for place in range(texts.shape[1]):
        changes[1:] |= texts[1:, place] != texts[:-1, place]
    begins = np.concatenate([[0], np.flatnonzero(changes)])
    if len(begins) > _MOST_RUNS + len(texts) // 8:
        return None
    runs = Coded.of([row.tobytes().decode("latin-1") for row in texts[begins]])
    return Coded(runs.table, runs.codes[np.cumsum(changes)])


def _digits_coded(texts: NDArray[np.uint8]) -> Coded | None:
    """Texts of bytes, shape (n, width), that differ in at most six digits; None for others."""
    first = texts[0]
    is_digit = (first >= ord("0")) & (first <= ord("9"))
    digits, others = np.flatnonzero(is_digit), np.flatnonzero(~is_digit)
    if not 0 < len(digits) <= _DIGITS or any((texts[:, place] != first[place]).any() for place in others):
        return None
    number = np.zeros(len(texts), np.int32)
    for place in digits:
        digit = texts[:, place] - ord("0")  # a sign before the zero comes round to above nine
        if (digit > 9).any():
            return None
        number *= 10
        number += digit
    there = np.zeros(10 ** len(digits), np.bool_)
    there[number] = True
    row = np.zeros(len(there), np.int32)
    row[number] = np.arange(len(texts), dtype=np.int32)  # any row that has the number
    table = tuple(texts[row[n]].tobytes().decode("latin-1") for n in np.flatnonzero(there).tolist())
    codes = np.cumsum(there, dtype=np.int32) - 1
    return Coded(table, codes[number])


def _divided(stamps: Any) -> Any:
    """Day and time of day of each stamp, one after the other, encoded; None where one has no two parts."""
    import pyarrow.compute as pc

    fn: Any = pc
    for sign in " T":
        parts = fn.split_pattern(stamps, sign, max_splits=1)
        if fn.all(fn.equal(fn.list_value_length(parts), 2)).as_py():
            return parts.flatten().dictionary_encode()
    return None


def _used(table: tuple[str, ...], codes: NDArray[np.int32]) -> Coded:
    """Texts of a larger table."""
    there = np.zeros(len(table), np.bool_)
    there[codes] = True
    place = np.cumsum(there, dtype=np.int32) - 1
    return Coded(tuple(text for text, used in zip(table, there.tolist(), strict=True) if used), place[codes])


def coded(chunks: Sequence[pyarrow.DictionaryArray]) -> Coded:
    """Encoded chunks of a column as one.

    By DLPack: pyarrow's own `to_numpy` imports pandas, a third of a second of every long import.
    """
    import pyarrow

    if not chunks:
        return Coded((), np.empty(0, np.int32))
    column = pyarrow.chunked_array(chunks).unify_dictionaries()
    codes = np.concatenate([np.from_dlpack(chunk.indices) for chunk in column.chunks]).astype(
        np.int32, copy=False
    )
    return Coded(tuple(column.chunk(0).dictionary.to_pylist()), codes)
