"""Readings as CSV: open, plain, with a description of every column beside them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

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

    Null where `known` is False; shape (n,).
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    unknown = None if has_time is None else ~has_time
    sure = taken_ns if has_time is None else taken_ns[has_time]
    unit, size = next((u, s) for u, s in _DECIMALS if s == 1 or not (sure % s).any())
    fn: Any = pc
    spaced = pa.array(taken_ns // size, pa.timestamp(unit), mask=unknown).cast(
        pa.string()
    )  # strftime takes ten times as long
    return fn.binary_join_element_wise(fn.utf8_replace_slice(spaced, 10, 11, "T"), "Z", "")


def numbers(values: Float) -> pa.Array:
    """The shortest text that reads back as the same number; nothing where there is none."""
    import pyarrow as pa

    return pa.array(values, mask=~np.isfinite(values))


def same(text: str, n: int) -> pa.Array:
    import pyarrow as pa

    return pa.repeat(pa.scalar(text), n)


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
