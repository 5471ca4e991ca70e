"""Readings as CSV: open, plain, with a description of every column beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..core.evidence.quality import possible_span
from ..imports.samples import MARK
from ..instants import NS
from ..model import Channel
from ..series import STATUS, Bool, Float, Int, Readings

if TYPE_CHECKING:
    import pyarrow as pa

    from ..core.calibration.apply import CorrectedReadings

SIMULATED = MARK.decode()
_DECIMALS = (("s", NS), ("ms", 1_000_000), ("ns", 1))
_DAYS = (-719_162, 2_932_896)  # since 1970: of the years 1 to 9999
_MOST_FIXED = 2**31 // 24 - 1  # so many texts have 32-bit places
RAW: tuple[tuple[str, str], ...] = (
    ("channel", "key of the channel: <probe>.<quantity>"),
    ("taken", "instant at which the reading was taken, RFC 3339 in UTC"),
    ("value", "indication as it came, in `unit`; empty where there is none"),
    ("unit", "the probe's own unit"),
    ("status", f"ok, or why there is no value: {', '.join(STATUS[1:])}"),
    ("late", "1 where the reading came by a file or after a lost link, else 0"),
)
CORRECTED: tuple[tuple[str, str], ...] = (
    ("corrected", "value after the correction of the certificate in force, in `corrected_unit`"),
    ("U", "expanded uncertainty of the corrected value (k = 2), in `corrected_unit` as a difference"),
    ("corrected_unit", "the unit in which values are judged"),
)
JUDGED: tuple[tuple[str, str], ...] = (
    (
        "quality",
        "pass, suspect, fail, missing or not evaluated (QARTOD flags, as judged where the probe stood), or "
        "conflict: another value is stored for this time, and nobody has decided",
    ),
    ("decision", "holds or set aside, where a person decided between contradicting values; else empty"),
)
MARKED: tuple[tuple[str, str], ...] = (("mark", f"{SIMULATED} (of a simulated room alone has this column)"),)


def columns_of(*, simulated: bool) -> tuple[tuple[str, str], ...]:
    """The columns of the readings of a record, in order: name and meaning."""
    return (*RAW, *CORRECTED, *JUDGED, *(MARKED if simulated else ()))


def instants(taken_ns: Int, has_time: Bool | None = None) -> pa.Array:
    """RFC 3339 in UTC, all of a channel with as many decimals as its finest instant needs: 0, 3 or 9.

    Null where `has_time` is False; shape (n,).
    """
    sure = taken_ns if has_time is None else taken_ns[has_time]
    unit, size = next((u, s) for u, s in _DECIMALS if s == 1 or not (sure % s).any())
    if unit != "ns" and has_time is None and len(sure) and len(sure) <= _MOST_FIXED:
        days = taken_ns // (86_400 * NS)
        if _DAYS[0] <= days.min() and days.max() <= _DAYS[1]:
            return _of_fixed_width(taken_ns, days, milliseconds=unit == "ms")
    return _of_any_width(taken_ns // size, unit, has_time)


def _of_any_width(stamps: Int, unit: str, has_time: Bool | None) -> pa.Array:
    import pyarrow as pa
    import pyarrow.compute as pc

    from ..store.archive.parquet import arrow_array

    fn: Any = pc
    # strftime takes ten times as long
    spaced = arrow_array(stamps, pa.timestamp(unit), has_time).cast(pa.string())
    return fn.binary_join_element_wise(fn.utf8_replace_slice(spaced, 10, 11, "T"), scalar("Z"), scalar(""))


def _of_fixed_width(taken_ns: Int, days: Int, *, milliseconds: bool) -> pa.Array:
    """Instants of the years 1 to 9999, whose texts are put together from those of days, seconds and ms."""
    import pyarrow as pa

    first, seconds = int(days.min()), taken_ns // NS
    dates = np.arange(first, int(days.max()) + 1).astype("datetime64[D]").astype("S10")
    end = [("ms", "S5")] if milliseconds else [("zone", "S1")]
    texts = np.empty(len(taken_ns), [("date", "S10"), ("time", "S9"), *end])
    texts["date"] = dates[days - first]
    texts["time"] = _times_of_day()[seconds - days * 86_400]
    if milliseconds:
        endings = np.array([f".{ms:03d}Z" for ms in range(1000)], "S5")
        texts["ms"] = endings[(taken_ns - seconds * NS) // 1_000_000]
    else:
        texts["zone"] = b"Z"
    ends = np.arange(len(texts) + 1, dtype=np.int32) * np.int32(texts.itemsize)
    buffers = [None, pa.py_buffer(ends), pa.py_buffer(texts)]
    return pa.Array.from_buffers(pa.string(), len(texts), buffers)


@cache
def _times_of_day() -> NDArray[np.bytes_]:
    """The text of each second of a day, as in T09:30:00."""
    second = np.arange(86_400)
    parts = second // 3600, second // 60 % 60, second % 60
    digits = [part // ten % 10 for part in parts for ten in (10, 1)]
    signs = np.full((len(second), 9), ord(":"), np.uint8)
    signs[:, 0] = ord("T")
    signs[:, (1, 2, 4, 5, 7, 8)] = np.stack(digits, 1) + ord("0")
    return signs.view("S9").ravel()


def numbers(values: Float) -> pa.Array:
    """The shortest text that reads back as the same number; nothing where there is none."""
    import pyarrow as pa

    from ..store.archive.parquet import arrow_array

    return arrow_array(values, pa.float64(), np.isfinite(values))


def scalar(text: str) -> pa.Scalar:
    """One text as pyarrow has it, without pandas."""
    from ..store.archive.parquet import arrow_texts

    return arrow_texts([text])[0]


def texts_of(codes: NDArray[np.integer[Any]], words: Sequence[str]) -> pa.Array:
    """The word of each code, which is its place among the words; shape (n,)."""
    import pyarrow as pa

    from ..store.archive.parquet import arrow_array, arrow_texts

    places = arrow_array(codes.astype(np.int32, copy=False), pa.int32())
    return pa.DictionaryArray.from_arrays(places, arrow_texts(list(words) or [""])).cast(pa.string())


def same(text: str, n: int) -> pa.Array:
    import pyarrow as pa

    return pa.repeat(scalar(text), n)


def head(columns: Iterable[tuple[str, str]]) -> bytes:
    return f"{','.join(name for name, _ in columns)}\n".encode()


def lines(*tables: pa.Table, quoting: str = "none", before: bytes = b"") -> bytes:
    """The rows of tables behind each other, without heads; `before` stands in front of them."""
    import pyarrow as pa
    from pyarrow import csv

    sink, options = pa.BufferOutputStream(), csv.WriteOptions(include_header=False, quoting_style=quoting)
    sink.write(before)
    for table in tables:
        csv.write_csv(table, sink, options)
    content: bytes = sink.getvalue().to_pybytes()
    return content


def column_description(columns: Iterable[tuple[str, str]]) -> str:
    """The description of columns that accompanies a file, one line each."""
    return "".join(f"{name:15} {meaning}\n" for name, meaning in columns)


def chart_values(channel: Channel, readings: Readings, corrected: CorrectedReadings) -> tuple[Int, Float]:
    """Instants and corrected values for a chart; what lies outside the probe's own span is left out."""
    low, high = possible_span(channel)
    possible = (readings.value >= low) & (readings.value <= high)
    return readings.taken_ns, np.where(possible, corrected.value, np.nan)
