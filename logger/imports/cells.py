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
_MOST_RUNS, _DIGITS = 1000, 6  # of a block of rows; of a time of day
_ENOUGH = 1 << 16  # rows in which all times of day occur as a rule


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
        first, last = _first_and_last(self.codes, len(self.table))
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
    # Block by block: what is looked at place by place stays in the cache, for half of the time.
    blocks = [c[e[0] : e[-1]].reshape(-1, width) for c, e in chunks]
    if any((block[:, at] != first[at]).any() for block in blocks):
        return None
    day, clock = _runs_coded(blocks, at), _digits_coded(blocks, at + 1)
    return (day, clock) if day and clock and _are_plain(day, clock) else None


def _are_plain(day: Coded, clock: Coded) -> bool:
    return all(map(_DAY.fullmatch, day.table)) and all(map(_CLOCK.fullmatch, clock.table))


def _runs_coded(blocks: Sequence[NDArray[np.uint8]], width: int) -> Coded | None:
    """The first `width` bytes of texts, of which many neighbours are equal; None where few are."""
    size = 8 if width >= 8 else 4
    if not size <= width <= 2 * size:
        return None
    texts: list[str] = []
    changes, before = [], b""
    for block in blocks:
        changed = np.empty(len(block), np.bool_)
        changed[0] = block[0, :width].tobytes() != before
        first, second = (_words(block, at, size) for at in (0, width - size))  # some bytes stand in both
        np.not_equal(first[1:], first[:-1], out=changed[1:])
        changed[1:] |= second[1:] != second[:-1]
        begins = block[changed, :width]
        if len(begins) > _MOST_RUNS + len(block) // 8:
            return None
        texts += [row.tobytes().decode("latin-1") for row in begins]
        changes.append(changed)
        before = block[-1, :width].tobytes()
    runs = Coded.of(texts)
    return Coded(runs.table, runs.codes.take(np.cumsum(np.concatenate(changes)) - 1))


def _words(block: NDArray[np.uint8], at: int, size: int) -> NDArray[np.unsignedinteger[Any]]:
    """Some bytes of each row as one number, which compares at once."""
    kind = np.dtype(f"u{size}")
    whole = np.ndarray(len(block), kind, block, at, (block.shape[1],))
    return np.ascontiguousarray(whole)


def _digits_coded(blocks: Sequence[NDArray[np.uint8]], begin: int) -> Coded | None:
    """Texts of bytes from a place on that differ in at most six digits; None for others."""
    first = blocks[0][0]
    is_digit = (first >= ord("0")) & (first <= ord("9"))
    places = np.arange(begin, len(first))
    digits, others = places[is_digit[begin:]], places[~is_digit[begin:]]
    if not 0 < len(digits) <= _DIGITS:
        return None
    numbers = []
    for block in blocks:
        if any((block[:, place] != first[place]).any() for place in others):
            return None
        number = np.zeros(len(block), np.int32)
        for place in digits:
            digit = block[:, place].copy()  # side by side, in a third of the time
            digit -= ord("0")  # a sign before the zero comes round to above nine
            if digit.max() > 9:
                return None
            number *= 10
            number += digit
        numbers.append(number)
    return _numbers_coded(np.concatenate(numbers), len(digits), blocks, begin)


def _numbers_coded(
    number: NDArray[np.int32], digits: int, blocks: Sequence[NDArray[np.uint8]], begin: int
) -> Coded:
    """Texts by the number that each is: the table has them in the order of their numbers."""
    row = np.full(10**digits, -1, np.int32)
    row[number] = np.arange(len(number), dtype=np.int32)  # any row that has the number
    ends = np.cumsum([len(block) for block in blocks])
    there = row >= 0

    def text(at: int) -> str:
        n = int(np.searchsorted(ends, at, side="right"))
        return blocks[n][at - (int(ends[n - 1]) if n else 0), begin:].tobytes().decode("latin-1")

    table = tuple(text(at) for at in row[there].tolist())
    codes = np.cumsum(there, dtype=np.int32) - 1
    return Coded(table, codes.take(number))


def _first_and_last(codes: NDArray[np.int32], n: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """The first and the last row of each of n codes; -1 for both of one that has none."""
    changes = codes[1:] != codes[:-1]
    if np.count_nonzero(changes) < len(codes) // 8:  # days: only where runs begin and end
        breaks = np.flatnonzero(changes)
        begins, ends = np.concatenate([[0], breaks + 1]), np.concatenate([breaks, [len(codes) - 1]])
    else:
        begins = ends = np.arange(len(codes))
    first, last = np.full(n, -1, np.int32), np.full(n, -1, np.int32)
    for size in (_ENOUGH, len(begins)):  # times of day have all come after some days
        some = begins[:size][::-1]
        first[codes[some]] = some
        some = ends[-size:]
        last[codes[some]] = some
        if (first >= 0).all() and (last >= 0).all():
            break
    return first, last


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
