"""One sealed file against its seal: the file as bytes, and each channel and day in it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ...errors import StoreDamaged
from ...series import Int
from ..place import NOT_OF_THE_FILE, unopened_error
from ..rows import Columns
from .archive import Archive
from .month_file import days_of

if TYPE_CHECKING:
    from .parquet import ParquetReader


@dataclass(frozen=True)
class SealedFile:
    """What was found in a file. `seqs`: writer -> its numbers there, ascending."""

    faults: tuple[str, ...]
    rows: int
    seqs: Mapping[str, Int]
    sources: frozenset[str] = frozenset()
    simulated: bool = False  # as the file says of itself


def read_sealed(archive: Archive, what: Mapping[str, Any]) -> SealedFile:
    """Read a file as its seal `what` describes it, and name everything that differs.

    From its place, never from a copy. ArchiveAway where that does not answer.
    """
    file = what["file"]
    try:
        content = archive.content.get(file)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        if isinstance(error, OSError) and error.errno in NOT_OF_THE_FILE:
            raise unopened_error(Path(archive.content.at(file)), error) from error
        cause = getattr(error, "strerror", None) or error
        return SealedFile(
            (f"file {file}: missing or unreadable ({cause}), {_describe_contents(what)}",), 0, {}
        )
    same = hashlib.sha256(content).hexdigest() == what["sha256"]
    try:
        with archive.open(file, content) as reader:
            day_digests, numbers, sources = _read(reader)
            simulated = reader.simulated
    except StoreDamaged as error:
        return SealedFile(
            (f"file {file}: altered and unreadable ({error.__cause__}), {_describe_contents(what)}",), 0, {}
        )
    faults = list(_day_faults(file, day_digests, what))
    if not same and not faults:
        faults.append(f"file {file}: altered, though every channel and day in it reads back as it was sealed")
    return SealedFile(tuple(faults), sum(len(seqs) for seqs in numbers.values()), numbers, sources, simulated)


def _read(reader: ParquetReader) -> tuple[dict[str, dict[str, str]], dict[str, Int], frozenset[str]]:
    days: dict[str, dict[str, str]] = {}
    sources: set[str] = set()
    seqs: dict[str, list[Int]] = {}
    for channel, groups in reader.groups().items():
        columns = reader.columns(groups)
        days[channel] = days_of(columns)
        sources |= columns.source.distinct()
        for writer, numbers in _by_writer(columns):
            seqs.setdefault(writer, []).append(numbers)
    # Numbers rise within each channel: a stable sort merges such runs instead of beginning anew.
    ascending = {writer: np.sort(np.concatenate(parts), kind="stable") for writer, parts in seqs.items()}
    return days, ascending, frozenset(sources)


def _by_writer(columns: Columns) -> Iterator[tuple[str, Int]]:
    if len(columns.writer.table) == 1:
        yield columns.writer.table[0], columns.seq
        return
    for code in np.unique(columns.writer.codes).tolist():
        yield columns.writer.table[code], columns.seq[columns.writer.codes == code]


def _day_faults(
    file: str, day_digests: Mapping[str, Mapping[str, str]], what: Mapping[str, Any]
) -> Iterator[str]:
    for channel in sorted(what["channels"].keys() | day_digests.keys()):
        expected: Mapping[str, str] = what["channels"].get(channel, {}).get("days", {})
        actual = day_digests.get(channel, {})
        for day in sorted(expected.keys() | actual.keys()):
            if expected.get(day) != actual.get(day):
                state = (
                    "missing" if day not in actual else "altered" if day in expected else "not in the seal"
                )
                yield f"file {file}: channel {channel}, day {day}: {state}"


def _describe_contents(what: Mapping[str, Any]) -> str:
    days = {day for channel in what["channels"].values() for day in channel["days"]}
    channels = ", ".join(sorted(what["channels"]))
    span = f"from {min(days, default='?')} to {max(days, default='?')}"
    return f"it held {what['rows']} readings of {channels} {span}"
