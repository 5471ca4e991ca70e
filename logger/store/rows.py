"""Readings as columns, and the one encoding over which their digests are taken.

Encoding of n readings, all integers little-endian:

    b"stillroom rows 1\\n", n as uint64
    n records of 42 bytes: seq, taken_ns, received_ns, monotonic_ns as int64, value as float64
        (none: the bits 7ff8000000000000), status and late as uint8
    for writer, channel, boot, raw, source in turn: number of runs of equal text as uint32,
        then per run its length in readings as uint32, size in bytes as uint32, text in UTF-8

Records stand together so that any block of readings is one piece of memory for SHA-256.
"""

from __future__ import annotations

import hashlib
import math
import struct
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from ..errors import StoreDamaged, StoreError
from ..model import Row
from ..series import STATUS, Bool, Float, ImportedReadings, Int

RECORD = np.dtype(
    [
        ("seq", "<i8"),
        ("taken_ns", "<i8"),
        ("received_ns", "<i8"),
        ("monotonic_ns", "<i8"),
        ("value", "<f8"),
        ("status", "u1"),
        ("late", "u1"),
    ]
)
TEXTS = ("writer", "channel", "boot", "raw", "source")
Where: TypeAlias = "slice | NDArray[np.bool_] | NDArray[np.int64]"


@dataclass(frozen=True)
class Texts:
    """A column of texts: `codes` int32[n] are places in `table`."""

    codes: NDArray[np.int32]
    table: tuple[str, ...]

    @staticmethod
    def of(texts: Sequence[str]) -> Texts:
        """Code a sequence of texts."""
        table = tuple(dict.fromkeys(texts))
        place = {text: code for code, text in enumerate(table)}
        return Texts(np.fromiter((place[text] for text in texts), np.int32, len(texts)), table)

    @staticmethod
    def constant(text: str, n: int) -> Texts:
        """One text n times, of which the code is there once."""
        return Texts(np.broadcast_to(np.int32(0), n), (text,))

    def __len__(self) -> int:
        return len(self.codes)

    def __getitem__(self, at: int) -> str:
        return self.table[int(self.codes[at])]

    def distinct(self) -> set[str]:
        """The texts that occur; a table may hold more, as after `part`."""
        counts = np.bincount(self.codes, minlength=len(self.table))
        return {text for text, count in zip(self.table, counts.tolist(), strict=True) if count}

    def part(self, where: Where) -> Texts:
        """Those at the places of a slice, mask or array of places."""
        return Texts(self.codes[where], self.table)

    def ranks(self) -> NDArray[np.int64]:
        """Per row the place of its text among all, sorted: for ordering rows."""
        order = sorted(range(len(self.table)), key=self.table.__getitem__)
        rank = np.empty(len(self.table), np.int64)
        rank[order] = np.arange(len(order))
        return rank[self.codes]


@dataclass(frozen=True)
class Columns:
    """Readings as stored; every column has length n. `arrival` is 0 where it is not known."""

    arrival: Int
    seq: Int
    taken_ns: Int
    received_ns: Int
    monotonic_ns: Int
    value: Float
    status: NDArray[np.uint8]
    late: Bool
    writer: Texts
    channel: Texts
    boot: Texts
    raw: Texts
    source: Texts

    def __len__(self) -> int:
        return len(self.seq)

    def part(self, where: Where) -> Columns:
        """Those readings only, in that order."""
        fields: dict[str, Any] = {name: getattr(self, name)[where] for name in NUMERIC}
        return Columns(**fields, **{name: getattr(self, name).part(where) for name in TEXTS})

    def rows(self) -> list[Row]:
        """The readings as rows of the model."""
        return [self.row(at) for at in range(len(self))]

    def row(self, at: int) -> Row:
        """One reading."""
        value = float(self.value[at])
        return Row(
            channel=self.channel[at],
            taken_ns=int(self.taken_ns[at]),
            received_ns=int(self.received_ns[at]),
            value=None if math.isnan(value) else value,
            status=self._status(at),
            raw=self.raw[at],
            source=self.source[at],
            late=bool(self.late[at]),
            boot=self.boot[at],
            monotonic_ns=int(self.monotonic_ns[at]),
        )

    def _status(self, at: int) -> Any:
        code = int(self.status[at])
        if code >= len(STATUS):
            raise StoreDamaged(
                f"Reading {self.seq[at]} of writer {self.writer[at]} has an unknown status {code}."
            )
        return STATUS[code]


NUMERIC = ("arrival", "seq", "taken_ns", "received_ns", "monotonic_ns", "value", "status", "late")


def columns_of(writer: str, first_seq: int, rows: Sequence[Row]) -> Columns:
    """Rows as they will be stored, numbered from `first_seq`."""
    rows = [_storable_row(row) for row in rows]
    n = len(rows)
    return Columns(
        arrival=np.zeros(n, np.int64),
        seq=np.arange(first_seq, first_seq + n, dtype=np.int64),
        taken_ns=np.fromiter((row.taken_ns for row in rows), np.int64, n),
        received_ns=np.fromiter((row.received_ns for row in rows), np.int64, n),
        monotonic_ns=np.fromiter((row.monotonic_ns for row in rows), np.int64, n),
        value=np.fromiter((math.nan if row.value is None else row.value for row in rows), np.float64, n),
        status=np.fromiter((STATUS.index(row.status) for row in rows), np.uint8, n),
        late=np.fromiter((row.late for row in rows), np.bool_, n),
        writer=Texts.constant(writer, n),
        channel=Texts.of([row.channel for row in rows]),
        boot=Texts.of([row.boot for row in rows]),
        raw=Texts.of([row.raw for row in rows]),
        source=Texts.of([row.source for row in rows]),
    )


def columns_of_series(writer: str, series: ImportedReadings) -> Columns:
    """The readings of one channel in a file as they will be stored, numbered from 0.

    What all of them share stands in memory once, by `np.broadcast_to`: it may not be written to.
    """
    n = len(series.taken_ns)
    finite = np.isfinite(series.value)
    all_finite = bool(finite.all())
    infinite = np.isinf(series.value)  # no number that could be taken for a valid one: it stays as text
    ok, garbage, fault = (np.uint8(STATUS.index(text)) for text in ("ok", "garbage", "sensor-fault"))
    return Columns(
        arrival=np.broadcast_to(np.int64(0), n),
        seq=np.arange(n, dtype=np.int64),
        taken_ns=series.taken_ns,
        received_ns=np.broadcast_to(np.int64(series.received_ns), n),
        monotonic_ns=np.broadcast_to(np.int64(0), n),
        value=series.value + 0.0 if all_finite else np.where(finite, series.value + 0.0, np.nan),
        status=np.broadcast_to(ok, n)
        if all_finite
        else np.where(finite, ok, np.where(infinite, garbage, fault)),
        late=np.broadcast_to(np.True_, n),
        writer=Texts.constant(writer, n),
        channel=Texts.constant(series.channel, n),
        boot=Texts.constant("", n),
        raw=_raw_texts(series, np.flatnonzero(infinite).tolist()),
        source=Texts.constant(series.source, n),
    )


def _raw_texts(series: ImportedReadings, infinite: Sequence[int]) -> Texts:
    """Texts of which most are empty: a reading that is a value needs none.

    infinite: places of values that stay as text alone.
    """
    if not infinite and _is_one_empty_text(series.raw):
        return Texts.constant("", len(series.taken_ns))
    raw = np.array(series.raw, object)
    for at in infinite:
        raw[at] = raw[at] or repr(float(series.value[at]))
    filled = np.flatnonzero(raw != "")
    codes = np.zeros(len(raw), np.int32)
    if not len(filled):
        return Texts(codes, ("",))
    texts = Texts.of(["", *(_storable_text(text) for text in raw[filled].tolist())])
    codes[filled] = texts.codes[1:]
    return Texts(codes, texts.table)


def _is_one_empty_text(raw: Sequence[str] | NDArray[np.object_]) -> bool:
    """Whether one empty text stands for all readings, as `np.broadcast_to` gives it."""
    return isinstance(raw, np.ndarray) and raw.strides == (0,) and len(raw) > 0 and raw[0] == ""


def join_columns(parts: Sequence[Columns]) -> Columns:
    """All parts one after the other."""
    if len(parts) == 1:
        return parts[0]
    fields: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in NUMERIC
    }
    fields |= {name: _join_texts([getattr(part, name) for part in parts]) for name in TEXTS}
    return Columns(**fields)


def are_equal(first: Columns, other: Columns) -> bool:
    """Whether both are the same readings to the bit, in everything but `arrival`, which no file holds."""
    if len(first) != len(other):
        return False
    numeric = (np.array_equal(_bits(getattr(first, n)), _bits(getattr(other, n))) for n in NUMERIC[1:])
    return all(numeric) and all(_are_equal_texts(getattr(first, n), getattr(other, n)) for n in TEXTS)


def _bits(column: NDArray[Any]) -> NDArray[Any]:
    return column.view(np.int64) if column.dtype == np.float64 else column


def _are_equal_texts(first: Texts, other: Texts) -> bool:
    if first.table == other.table:
        return np.array_equal(first.codes, other.codes)
    place = {text: code for code, text in enumerate(dict.fromkeys((*first.table, *other.table)))}
    return np.array_equal(_recode(first, place), _recode(other, place))


def sort_columns(columns: Columns) -> Columns:
    """In the order of the record: instant taken, writer, sequence number."""
    if (np.diff(columns.taken_ns) > 0).all():
        return columns
    return columns.part(np.lexsort((columns.seq, columns.writer.ranks(), columns.taken_ns)))


def digests(columns: Columns, starts: Sequence[int], ends: Sequence[int] | None = None) -> list[str]:
    """SHA-256 of each block [start, end) of readings; without `ends` each ends where the next begins."""
    records = np.empty(len(columns), RECORD)
    for name in RECORD.names or ():
        records[name] = getattr(columns, name)
    runs = [_Runs(getattr(columns, name)) for name in TEXTS]
    ends = [*starts[1:], len(columns)] if ends is None else ends
    return [_digest(records[a:b], runs, a, b) for a, b in zip(starts, ends, strict=True)]


def _digest(records: NDArray[np.void], runs: Sequence[_Runs], start: int, end: int) -> str:
    sha = hashlib.sha256(b"stillroom rows 1\n" + struct.pack("<Q", end - start))
    sha.update(records.data)
    sha.update(b"".join(run.encode(start, end) for run in runs))
    return sha.hexdigest()


class _Runs:
    """Runs of equal text in a column, ready for any block of it."""

    def __init__(self, texts: Texts) -> None:
        codes = texts.codes
        changes = np.flatnonzero(codes[1:] != codes[:-1]) + 1
        self._changes: list[int] = changes.tolist()
        self._codes = codes
        encoded = [text.encode("utf-8") for text in texts.table]
        self._table: list[bytes] = [struct.pack("<I", len(text)) + text for text in encoded]

    def encode(self, start: int, end: int) -> bytes:
        if start == end:
            return struct.pack("<I", 0)
        if not self._changes:  # the usual case: one text throughout
            return struct.pack("<II", 1, end - start) + self._table[int(self._codes[start])]
        inside = self._changes[bisect_right(self._changes, start) : bisect_left(self._changes, end)]
        firsts = [start, *inside]
        parts = [struct.pack("<I", len(firsts))]
        for first, stop in zip(firsts, [*inside, end], strict=True):
            parts.append(struct.pack("<I", stop - first) + self._table[self._codes[first]])
        return b"".join(parts)


def _join_texts(parts: Sequence[Texts]) -> Texts:
    table = tuple(dict.fromkeys(text for part in parts for text in part.table))
    place = {text: code for code, text in enumerate(table)}
    return Texts(np.concatenate([_recode(part, place) for part in parts]), table)


def _recode(part: Texts, place: dict[str, int]) -> NDArray[np.int32]:
    codes: Iterable[int] = (place[text] for text in part.table)
    return np.fromiter(codes, np.int32, len(part.table))[part.codes]


def _storable_row(row: Row) -> Row:
    """The row in the only shape that is stored: a finite value with status ok, or none with another."""
    if row.status not in STATUS:
        raise StoreError(
            f"A reading of {row.channel} has status {row.status!r}; known are {', '.join(STATUS)}."
        )
    value = row.value
    if row.status == "ok" and value is None:
        raise StoreError(
            f"A reading of {row.channel} has status ok but no value; give the status that says why."
        )
    if value is not None and (row.status != "ok" or not math.isfinite(value)):
        # Never NaN, and no number that could be taken for a valid one: what came stays as text.
        status = "garbage" if row.status == "ok" else row.status
        row = replace(row, value=None, status=status, raw=row.raw or repr(value))
    elif value is not None:
        row = replace(row, value=float(value) + 0.0) if value == 0 else row  # SQLite keeps no minus zero
    raw = _storable_text(row.raw)
    return row if raw == row.raw else replace(row, raw=raw)


def _storable_text(raw: str) -> str:
    """Without lone surrogates, which no file holds."""
    return raw.encode("utf-8", "backslashreplace").decode("utf-8")
