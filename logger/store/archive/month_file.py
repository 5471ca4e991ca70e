"""What a sealed file of one month holds, as facts for the journal and the tables that lead to it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..rows import Columns, digests
from ..types import JSON
from .months import day_starts, day_text, month_of

SEAL_FACTS = ("room", "from_ns", "to_ns", "upto_arrival", "file", "rows", "size_bytes", "sha256")
CHANNEL_FACTS = ("rows", "first_ns", "last_ns", "first_ok_ns", "last_ok_ns", "last_arrival")


@dataclass(frozen=True)
class Month:
    """What one seal is made of."""

    room: str
    from_ns: int
    to_ns: int
    channels: Mapping[str, int]  # key -> number


@dataclass(frozen=True)
class ChannelFacts:
    """One channel as it was written into a file."""

    rows: int
    first_ns: int
    last_ns: int
    first_ok_ns: int | None
    last_ok_ns: int | None
    last_arrival: int
    days: Mapping[str, str]  # ISO day -> digest
    writers: Mapping[str, tuple[int, int]]  # first and last number


def channel_facts(columns: Columns, days: Mapping[str, str] | None = None) -> ChannelFacts:
    """The facts of one channel, whose readings are in the order of the record.

    days: UTC day -> digest, where it was computed already.
    """
    finite = np.isfinite(columns.value)
    valid = columns.taken_ns if finite.all() else columns.taken_ns[finite]
    return ChannelFacts(
        rows=len(columns),
        first_ns=int(columns.taken_ns[0]),
        last_ns=int(columns.taken_ns[-1]),
        first_ok_ns=int(valid[0]) if len(valid) else None,
        last_ok_ns=int(valid[-1]) if len(valid) else None,
        last_arrival=int(columns.arrival.max()),
        days=days_of(columns) if days is None else days,
        writers=_seq_spans(columns),
    )


def days_of(columns: Columns) -> dict[str, str]:
    """UTC day -> digest of the readings of one channel, which are in order."""
    starts = day_starts(columns.taken_ns)
    return _by_day(columns, starts, digests(columns, starts))


def whole_and_days(columns: Columns) -> tuple[str, dict[str, str]]:
    """The digest of all readings of one channel, and those of `days_of`: the readings are encoded once."""
    starts = day_starts(columns.taken_ns)
    whole, *each = digests(columns, [0, *starts], [len(columns), *starts[1:], len(columns)])
    return whole, _by_day(columns, starts, each)


def _by_day(columns: Columns, starts: Sequence[int], each: Sequence[str]) -> dict[str, str]:
    return {day_text(int(columns.taken_ns[at])): sha for at, sha in zip(starts, each, strict=True)}


def seal_facts(file: str, content: bytes, channels: Mapping[str, ChannelFacts]) -> dict[str, Any]:
    """The facts of a file that was written and read back: its name, size and digest."""
    return {
        "file": file,
        "rows": sum(channel.rows for channel in channels.values()),
        "size_bytes": len(content),
        "sha256": hashlib.sha256(content).hexdigest(),
    }


def seal_entry(
    month: Month, upto: int, facts: Mapping[str, Any], channels: Mapping[str, ChannelFacts]
) -> tuple[dict[str, JSON], list[dict[str, object]]]:
    """What the journal says of a seal, and its rows of the table of channels."""
    year, number = month_of(month.from_ns)
    span = {"from_ns": month.from_ns, "to_ns": month.to_ns, "upto_arrival": upto}
    fields = {
        key: {name: getattr(channel, name) for name in CHANNEL_FACTS} for key, channel in channels.items()
    }
    what: dict[str, JSON] = {
        **facts,
        **span,
        "room": month.room,
        "year": year,
        "month": number,
        "writers": _writers(channels),  # type: ignore[dict-item]
        "channels": {key: {**fields[key], "days": dict(channel.days)} for key, channel in channels.items()},
    }
    return what, [{"channel": month.channels[key], **span, **fields[key]} for key in channels]


def _seq_spans(columns: Columns) -> dict[str, tuple[int, int]]:
    spans = {}
    if len(columns.writer.table) == 1:  # nothing to pick out: a quarter of the time
        return {columns.writer.table[0]: (int(columns.seq.min()), int(columns.seq.max()))}
    for code in np.flatnonzero(np.bincount(columns.writer.codes)).tolist():
        seq = columns.seq[columns.writer.codes == code]
        spans[columns.writer.table[code]] = (int(seq.min()), int(seq.max()))
    return spans


def _writers(channels: Mapping[str, ChannelFacts]) -> dict[str, list[int]]:
    spans: dict[str, list[int]] = {}
    for channel in channels.values():
        for writer, (first, last) in channel.writers.items():
            span = spans.setdefault(writer, [first, last])
            span[:] = [min(span[0], first), max(span[1], last)]
    return spans
