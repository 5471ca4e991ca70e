"""Readings as CSV: open, plain, with a description of every column beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from ..calibration import Corrected, corrected
from ..instants import rfc3339
from ..model import Channel
from ..series import STATUS, Float, Int, Readings
from ..units import quantity

if TYPE_CHECKING:
    from ..model import Setup
    from ..store import Store

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


def raw_csv(store: Store, channel: Channel, from_ns: int, to_ns: int) -> tuple[bytes, int]:
    """One channel as it came, and the number of its readings."""
    readings = store.readings(channel.key, from_ns, to_ns)
    return _table([name for name, _ in RAW], _raw_rows(channel, readings)), len(readings)


def record_csv(store: Store, setup: Setup, zone: str, from_ns: int, to_ns: int) -> tuple[bytes, int]:
    """All readings of a zone in an interval, as they came and corrected, and their number."""
    rows: list[str] = []
    for key in setup.channels_in(zone):
        channel, readings = setup.channels[key], store.readings(key, from_ns, to_ns)
        done = corrected(channel, setup.certificates_of(key), readings.taken_ns, readings.value)
        more = _corrected_rows(channel, done)
        rows += [f"{raw},{rest}" for raw, rest in zip(_raw_rows(channel, readings), more, strict=True)]
    return _table([name for name, _ in (*RAW, *CORRECTED)], rows), len(rows)


def _table(heads: Sequence[str], rows: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in (",".join(heads), *rows)).encode()


def _raw_rows(channel: Channel, readings: Readings) -> list[str]:
    """No field can hold a comma, a quote or a line end: keys and units are checked by the configuration."""
    fields = zip(
        readings.taken_ns.tolist(), readings.value.tolist(), readings.status, readings.late, strict=True
    )
    return [
        f"{channel.key},{rfc3339(taken)},{_shortest(value)},{channel.unit},{STATUS[status]},{int(late)}"
        for taken, value, status, late in fields
    ]


def _corrected_rows(channel: Channel, done: Corrected) -> list[str]:
    unit = quantity(channel.quantity).unit
    pairs = zip(_rounded(done.value), _rounded(done.U), strict=True)
    return [f"{_shortest(value)},{_shortest(U)},{unit}" for value, U in pairs]


def _rounded(values: Float) -> list[float]:
    """To a millionth of the unit, as they are judged."""
    rounded: list[float] = np.round(values, 6).tolist()
    return rounded


def _shortest(value: float) -> str:
    """The shortest text that reads back as the same number; empty for none."""
    return repr(value) if isfinite(value) else ""


def described(columns: Iterable[tuple[str, str]]) -> str:
    """The description of columns, as it is put beside a file."""
    return "".join(f"{name:15} {meaning}\n" for name, meaning in columns)


def shown(channel: Channel, setup: Setup, readings: Readings) -> tuple[Int, Float]:
    """Instants and corrected values for a chart; what lies outside the probe's own span is left out."""
    low, high = channel.probe_span
    done = corrected(channel, setup.certificates_of(channel.key), readings.taken_ns, readings.value)
    possible = (readings.value >= low) & (readings.value <= high)
    return readings.taken_ns, np.where(possible, done.value, np.nan)
