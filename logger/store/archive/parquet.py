"""One sealed file: readings of one room and month as Parquet, lossless and small.

One row group (or more, when very long) per channel, rows in the order taken, writer, seq:

    channel             text
    taken               UTC instant in ms
    value               in the channel's own unit; null when there is none
    status              ok, timeout, garbage, sensor-fault, device-error, no-port, wrong-probe
    raw                 text as received, where it explains something
    late                true when imported or delivered after a lost link
    received_after_ms   received − taken
    monotonic_minus_taken_ms   nearly constant within one boot, hence small
    taken_rest_ns, received_rest_ns, monotonic_rest_ns   what the ms leave over, 0..999999
    writer, seq         who stored it, under which number
    boot, source        boot of the machine; poll, import:…

Nanoseconds in full: taken · 10⁶ + rest, and likewise for the other two. Instants that are whole
milliseconds cost nothing in the rest columns; others are kept all the same. A file of simulated readings
says so in its key-value pairs: stillroom.simulated = true.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ...series import STATUS, Int
from ..rows import Columns, Texts

MS = 1_000_000
GROUP_ROWS = 1 << 20
SIMULATED = b"stillroom.simulated"  # among the file's own key-value pairs, hence inside its digest

TEXT = pa.dictionary(pa.int32(), pa.string())
SCHEMA = pa.schema(
    [  # all but the value are there in every row, so no page says so again for each of them
        pa.field(name, kind, nullable=name == "value")
        for name, kind in (
            ("channel", TEXT),
            ("taken", pa.timestamp("ms", tz="UTC")),
            ("value", pa.float64()),
            ("status", TEXT),
            ("raw", TEXT),
            ("late", pa.bool_()),
            ("received_after_ms", pa.int64()),
            ("monotonic_minus_taken_ms", pa.int64()),
            ("taken_rest_ns", pa.int32()),
            ("received_rest_ns", pa.int32()),
            ("monotonic_rest_ns", pa.int32()),
            ("writer", TEXT),
            ("seq", pa.int64()),
            ("boot", TEXT),
            ("source", TEXT),
        )
    ]
)
TEXTS = ["channel", "status", "raw", "writer", "boot", "source"]
REST = ["taken_rest_ns", "received_rest_ns", "monotonic_rest_ns"]
STEPS = ["taken", "received_after_ms", "monotonic_minus_taken_ms", "seq"]
SHOWN = ["taken", "taken_rest_ns", "value", "status", "late"]
# Rows encoded in one go, and pages as long as a month: written in two thirds of the time, and the file of a
# regular logger two fifths smaller. Arrow before 21 bounds the bytes of a page alone and knows no such word.
_LONG_PAGES = {
    "write_batch_size": 1 << 16,
    **(
        {"max_rows_per_page": GROUP_ROWS}
        if "max_rows_per_page" in inspect.signature(pq.ParquetWriter).parameters
        else {}
    ),
}


class ParquetWriter:
    """Writes one file, channel by channel."""

    def __init__(self, path: Path, simulated: bool = False) -> None:
        self._writer = pq.ParquetWriter(
            path,
            SCHEMA,
            version="2.6",
            compression="zstd",
            compression_level=3,  # 9 takes half as long again to write polled readings, and saves 1.5 %
            use_dictionary=[*TEXTS, *REST, "value"],
            column_encoding=dict.fromkeys(STEPS, "DELTA_BINARY_PACKED"),
            write_statistics=["channel", "taken"],
            store_schema=False,
            **_LONG_PAGES,
        )
        if simulated:
            self._writer.add_key_value_metadata({SIMULATED: b"true"})

    def write(self, columns: Columns) -> None:
        """Add readings of one channel, in order."""
        self._writer.write_table(_table(columns), row_group_size=GROUP_ROWS)

    def __enter__(self) -> ParquetWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._writer.close()


class ParquetReader:
    """Reads one file; anything in UNREADABLE may come out when it is none or is damaged."""

    def __init__(self, source: Path | bytes) -> None:
        opened = pa.BufferReader(source) if isinstance(source, bytes) else source
        self._file = pq.ParquetFile(opened, read_dictionary=TEXTS, pre_buffer=True)
        self._groups: dict[str, list[int]] = {}

    def __enter__(self) -> ParquetReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    @property
    def simulated(self) -> bool:
        """Whether the file says of itself that nothing in it was measured."""
        return (self._file.metadata.metadata or {}).get(SIMULATED) == b"true"

    def groups(self) -> dict[str, list[int]]:
        """Channel -> its row groups, from the statistics in the footer."""
        if not self._groups:
            for at in range(self._file.metadata.num_row_groups):
                channel = self._file.metadata.row_group(at).column(0).statistics.min
                self._groups.setdefault(channel, []).append(at)
        return self._groups

    def columns(self, groups: Sequence[int]) -> Columns:
        """Everything in these row groups."""
        table = self._file.read_row_groups(list(groups))
        taken_ms = _ints(table, "taken")
        return Columns(
            arrival=np.zeros(len(table), np.int64),
            seq=_ints(table, "seq"),
            taken_ns=_ns(taken_ms, _ints(table, "taken_rest_ns")),
            received_ns=_ns(taken_ms + _ints(table, "received_after_ms"), _ints(table, "received_rest_ns")),
            monotonic_ns=_ns(
                taken_ms + _ints(table, "monotonic_minus_taken_ms"), _ints(table, "monotonic_rest_ns")
            ),
            value=_values(table),
            status=_status(table),
            late=_bits(table.column("late")),
            writer=_texts(table, "writer"),
            channel=_texts(table, "channel"),
            boot=_texts(table, "boot"),
            raw=_texts(table, "raw"),
            source=_texts(table, "source"),
        )

    def series(self, channel: str) -> tuple[Int, Any, Any, Any]:
        """Instants, values, status and late mark of one channel, without what only the record needs."""
        table = self._file.read_row_groups(self.groups().get(channel, []), columns=SHOWN)
        taken_ns = _ns(_ints(table, "taken"), _ints(table, "taken_rest_ns"))
        return (
            taken_ns,
            _values(table),
            _status(table),
            _bits(table.column("late")),
        )


def _table(columns: Columns) -> Any:
    instants_ns = (columns.taken_ns, columns.received_ns, columns.monotonic_ns)
    (taken_ms, received_ms, monotonic_ms), rests_ns = zip(*map(_split, instants_ns), strict=True)
    arrays = [
        _encode_texts(columns.channel),
        arrow_array(taken_ms, pa.timestamp("ms", tz="UTC")),
        arrow_array(columns.value, pa.float64(), ~np.isnan(columns.value)),
        _encode_texts(Texts(columns.status.astype(np.int32), STATUS)),
        _encode_texts(columns.raw),
        _arrow_bits(columns.late),
        arrow_array(received_ms - taken_ms, pa.int64()),
        arrow_array(monotonic_ms - taken_ms, pa.int64()),
        *(arrow_array(rest_ns, pa.int32()) for rest_ns in rests_ns),
        _encode_texts(columns.writer),
        arrow_array(columns.seq, pa.int64()),
        _encode_texts(columns.boot),
        _encode_texts(columns.source),
    ]
    return pa.Table.from_arrays(arrays, schema=SCHEMA)


def _split(instants_ns: Int) -> tuple[Int, Any]:
    """Whole milliseconds, and the nanoseconds that they leave; of one instant for all rows once."""
    distinct = instants_ns[:1] if instants_ns.strides == (0,) else instants_ns
    ms = distinct // MS
    # By the quotient that is there: numpy divides six times as fast as it takes remainders.
    rest_ns = (distinct - ms * MS).astype(np.int32)
    return np.broadcast_to(ms, instants_ns.shape), np.broadcast_to(rest_ns, instants_ns.shape)


def _encode_texts(texts: Texts) -> Any:
    return pa.DictionaryArray.from_arrays(
        arrow_array(texts.codes.astype(np.int32, copy=False), pa.int32()), arrow_texts(texts.table)
    )


def arrow_texts(texts: Sequence[str]) -> Any:
    """Texts as pyarrow has them; its own `array` and `scalar` import pandas, see `arrow_array`."""
    encoded = [text.encode("utf-8") for text in texts]
    ends = np.cumsum([0, *map(len, encoded)]).astype(np.int32)
    buffers = [None, pa.py_buffer(ends), pa.py_buffer(b"".join(encoded))]
    return pa.Array.from_buffers(pa.string(), len(encoded), buffers)


def arrow_array(values: Any, kind: Any, valid: Any = None) -> Any:
    """A numpy array of shape (n,) as pyarrow has it, over the same bytes; null where not `valid`.

    By its buffers: pyarrow's own `array` imports pandas where it is given one of numpy.
    """
    bits = None if valid is None or valid.all() else _bits_of(valid)
    return pa.Array.from_buffers(kind, len(values), [bits, pa.py_buffer(np.ascontiguousarray(values))])


def _arrow_bits(flags: Any) -> Any:
    return pa.Array.from_buffers(pa.bool_(), len(flags), [None, _bits_of(flags)])


def _bits_of(flags: Any) -> Any:
    return pa.py_buffer(np.packbits(np.asarray(flags, np.bool_), bitorder="little"))


def array_of(column: Any, dtype: type[np.generic]) -> Any:
    """A column without nulls as numpy has it.

    By DLPack: pyarrow's own `to_numpy` imports pandas, a fifth of a second before the first answer.
    """
    parts = [np.from_dlpack(chunk) for chunk in column.chunks if len(chunk)]
    if len(parts) == 1:
        return parts[0].astype(dtype, copy=False)
    return np.concatenate(parts).astype(dtype, copy=False) if parts else np.empty(0, dtype)


def _ints(table: Any, name: str) -> Int:
    column = table.column(name)
    if name == "taken":  # by another view of the same bytes: a cast imports all functions of pyarrow
        column = pa.chunked_array([chunk.view(pa.int64()) for chunk in column.chunks], pa.int64())
    values: Int = array_of(column, np.int64)
    return values


def _bits(column: Any) -> Any:
    """Yes and no of a column without nulls, which are bits in its buffers."""
    parts = (
        np.unpackbits(np.frombuffer(chunk.buffers()[1], np.uint8), bitorder="little")[chunk.offset :][
            : len(chunk)
        ]
        for chunk in column.chunks
        if len(chunk)
    )
    return np.concatenate([np.empty(0, np.uint8), *parts]).astype(np.bool_)


def _ns(ms: Int, rest: Int) -> Int:
    ns = ms * MS
    ns += rest
    return ns


def _values(table: Any) -> Any:
    chunks = table.column("value").chunks
    return np.concatenate([np.empty(0), *(_with_nan(chunk) for chunk in chunks if len(chunk))])


def _with_nan(chunk: Any) -> Any:
    """Null becomes NaN. What stands in the buffer under a null is not defined, hence set here."""
    value = np.frombuffer(chunk.buffers()[1], np.float64)[chunk.offset : chunk.offset + len(chunk)]
    if chunk.null_count == 0:
        return value
    return np.where(np.from_dlpack(chunk.is_null().cast(pa.uint8())) != 0, np.nan, value)


def _texts(table: Any, name: str) -> Texts:
    column = table.column(name).unify_dictionaries()
    if column.num_chunks == 0:
        return Texts(np.empty(0, np.int32), ())
    codes = np.concatenate([np.from_dlpack(chunk.indices) for chunk in column.chunks])
    return Texts(codes.astype(np.int32, copy=False), tuple(column.chunk(0).dictionary.to_pylist()))


def _status(table: Any) -> Any:
    texts = _texts(table, "status")
    places: Iterable[int] = (STATUS.index(text) for text in texts.table)
    return np.fromiter(places, np.uint8, len(texts.table))[texts.codes]
