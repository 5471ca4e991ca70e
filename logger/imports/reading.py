"""A file to series of readings, with everything that was taken as known; nothing is stored here."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from ..model.figures import number_of
from ..units import from_canonical, quantity, to_canonical, unit_name
from .cells import Coded, kinds
from .channels import ChannelList
from .containers import Part, parts_of
from .dates import instants
from .encoding import Decoded, decoded
from .grid import Flag, TextGrid
from .heading import delimiter_of, text_grid
from .plain import plain_table
from .profile import UNKNOWN, Column, Profile
from .samples import grid_simulated, is_simulated
from .sheets import sheet_grid
from .structured import json_grid, parquet_grid
from .table import Stream, TextColumn, TextTable, read_table
from .values import ColumnValues, read_values

if TYPE_CHECKING:
    from ..model import Channel

Int = NDArray[np.int64]
Float = NDArray[np.float64]

RAW_CHARS = 64


@dataclass(frozen=True)
class Series:
    """Readings of one channel, ascending in time; NaN with its text where the logger told a fault."""

    channel: Channel
    taken_ns: Int
    value: Float
    raw: NDArray[np.object_]
    line: Int  # where each stands in the file

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickled with its texts coded: as a rule there is one for all readings, none."""
        is_one_text = self.raw.strides == (0,) and len(self.raw) > 0
        texts = (
            Coded((str(self.raw[0]),), np.zeros(0, np.int32)) if is_one_text else Coded.of(self.raw.tolist())
        )
        return _unpickled, (self.channel, self.taken_ns, self.value, texts, self.line)

    def part(self, where: NDArray[np.bool_]) -> Series:
        """Those readings only."""
        return Series(
            self.channel, self.taken_ns[where], self.value[where], self.raw[where], self.line[where]
        )


def _unpickled(channel: Channel, taken_ns: Int, value: Float, texts: Coded, line: Int) -> Series:
    table = np.array(texts.table, object)
    is_one_text = len(table) == 1 and len(texts.codes) == 0
    raw = np.broadcast_to(table, len(value)) if is_one_text else table[texts.codes]
    return Series(channel, taken_ns, value, raw, line)


@dataclass(frozen=True)
class Reading:
    """What a file says. `rows`: lines of its tables."""

    rows: int
    series: tuple[Series, ...]
    assumed: tuple[str, ...]
    left_out: tuple[tuple[int, str], ...] = ()  # lines that somebody named, with their text
    simulated: bool = False  # a part says of itself that nothing in it was measured, or is a sample


def read_content(
    name: str, content: bytes, profile: Profile, setup: ChannelList, without: frozenset[int] = frozenset()
) -> Reading:
    """Everything in a file, as the profile describes it; ImportRefused where a question is open.

    without: numbers of lines that a person has named as not to be read.
    """
    parts = parts_of(name, content)
    if len(parts) == 1:
        return _reading(name, parts, content, profile, setup, without)
    if without:
        raise ImportRefused(f"{name} holds several files. Unpack it to leave out lines of one of them.")
    try:
        return _reading(name, parts, content, profile, setup, without)
    except ImportRefused as refused:
        refused.bad_line = None  # it is a line of one of them
        raise


def _reading(  # noqa: PLR0917 (all that a reading depends on)
    name: str,
    parts: list[Part],
    content: bytes,
    profile: Profile,
    setup: ChannelList,
    without: frozenset[int],
) -> Reading:
    """What the parts of a file hold together."""
    simulated = any(_is_simulated(part) for part in parts if part.content is not content)
    del content  # with its part, once that is text: a long file lies in memory once
    tables = [_table(parts, profile, name, without) for _ in range(len(parts))]
    streams = [stream for table in tables for stream in table.streams]
    instants_ns, time_notes = instants(streams, profile)
    values, value_notes = read_values(streams, profile)
    assumed = [note for table in tables for note in table.assumed] + time_notes + value_notes
    if any((at[1:] < at[:-1]).any() for at in instants_ns):
        assumed.append("rows are not in order of time; they were sorted")
    series = []
    for stream, at, some in zip(streams, instants_ns, values, strict=True):
        lines = _lines(stream)
        for column, cells in zip(stream.columns, some, strict=True):
            channel_series, notes = _series(column, cells, at, lines, setup)
            series.append(channel_series)
            assumed += notes
    rows = sum(table.rows for table in tables)
    left_out = tuple(line for table in tables for line in table.left_out)
    simulated |= any(table.simulated for table in tables)
    return Reading(rows, _joined(series), tuple(dict.fromkeys(assumed)), left_out, simulated)


def _is_simulated(part: Part) -> bool:
    return is_simulated(hashlib.sha256(part.content).hexdigest(), part.content)


def grid_of(part: Part, profile: Profile) -> TextGrid:
    """The cells of a part, whatever kind of file it is."""
    if part.kind == "sheet":
        return sheet_grid(part, profile.sheet)
    if part.kind == "json":
        return json_grid(part)
    if part.kind == "parquet":
        return parquet_grid(part)
    return _text_grid(part.name, decoded(part.content, profile.encoding), profile)


def _text_grid(name: str, text: Decoded, profile: Profile) -> TextGrid:
    grid = text_grid(name, text.text, delimiter_of(text.text, profile))
    return replace(grid, assumed=(_encoding_note(text), *grid.assumed))


def _encoding_note(text: Decoded) -> str:
    return f"the encoding is {text.encoding} ({text.how})"


def _text_table(name: str, text: Decoded, profile: Profile, without: frozenset[int]) -> TextTable:
    """A table of text: by columns where all its rows are plain, else row by row."""
    named = bool(without)
    plain = None if named else plain_table(name, text.text, delimiter_of(text.text, profile), profile)
    if plain is None:
        return _rest(_text_grid(name, text, profile), profile, without)
    return replace(plain, assumed=(_encoding_note(text), *plain.assumed))


def _rest(grid: TextGrid, profile: Profile, without: frozenset[int]) -> TextTable:
    """The table of all rows but those that a person has named; each is told with its text."""
    if not without:
        return read_table(grid, profile)
    out = [(line, " | ".join(cells)[:500]) for line, cells in grid.rows if line in without]
    if missing := sorted(without - {line for line, _ in out}):
        raise ImportRefused(f"There is no line {missing[0]} with anything in it to leave out.")
    rest = [row for row in grid.rows if row[0] not in without]
    torn = grid.unterminated and grid.rows[-1][0] not in without
    table = read_table(replace(grid, rows=rest, unterminated=torn), profile)
    notes = [f"line {line} was left out by name: {text[:60]!r}" for line, text in out]
    return replace(table, assumed=(*table.assumed, *notes), left_out=tuple(out))


def _table(parts: list[Part], profile: Profile, file: str, without: frozenset[int]) -> TextTable:
    """What the first of the parts holds, which leaves them; a refusal names the part of an archive."""
    part = parts.pop(0)
    name = part.name
    try:
        if part.kind == "text":
            text = decoded(part.content, profile.encoding)
            del part
            return _text_table(name, text, profile, without)
        grid = grid_of(part, profile)
        return replace(_rest(grid, profile, without), simulated=grid_simulated(grid))
    except ImportRefused as refused:
        within = name.removeprefix(f"{file}/")
        sentence = f"{within}: {refused}" if name.startswith(f"{file}/") else str(refused)
        raise ImportRefused(sentence, refused.bad_line) from None


def _channel(column: Column, setup: ChannelList) -> Channel:
    if column.channel == UNKNOWN:
        raise ImportRefused(
            f"Which channel is column {column.heading!r}? Set `channel` in the profile, or delete its "
            f"table. The setup has: {', '.join(setup.channels)}."
        )
    if column.channel not in setup.channels:
        raise ImportRefused(
            f"The profile puts {column.heading!r} into channel {column.channel!r}, which is not in the "
            f"setup. It has: {', '.join(setup.channels)}."
        )
    return setup.channels[column.channel]


def _unit(column: Column, text: str | None, in_cells: str | None, channel: Channel) -> tuple[str, list[str]]:
    """The unit of a column as declared or written; all that tell one must agree, and one must be there."""
    units = quantity(channel.quantity).units
    sources = {
        "the profile": unit_name(column.unit) if column.unit else None,
        "the file": unit_name(text) if text and unit_name(text) in units else None,
        "its cells": in_cells,
    }
    named = {where: unit for where, unit in sources.items() if unit}
    if len({_one_unit(u) for u in named.values()}) > 1:
        where = ", ".join(f"{unit} in {place}" for place, unit in reversed(named.items()))
        raise ImportRefused(f"Column {column.heading!r} is in {where}.")
    unit = next(iter(named.values()), None)
    if unit is None:
        says = f"it says {text!r}" if text else "the file does not say"
        raise ImportRefused(
            f"In which unit is column {column.heading!r} ({channel.quantity})? {says[0].upper()}{says[1:]}. "
            f"Set `unit` in the profile: one of {', '.join(units)}."
        )
    to_canonical(0.0, unit, channel.quantity)  # a unit of another quantity is refused here
    if unit == channel.unit:
        return unit, [] if column.unit else [f"{column.heading!r} is in {unit}, as the file says"]
    return unit, [f"{column.heading!r} is in {unit} and was converted to {channel.unit} of {channel.key}"]


def _one_unit(unit: str) -> str:
    """Per cent is relative humidity where that is what a channel measures."""
    return "%RH" if unit == "%" else unit


def _series(
    column: TextColumn, cells: ColumnValues, taken_ns: Int, lines: Int, setup: ChannelList
) -> tuple[Series, list[str]]:
    channel = _channel(column.spec, setup)
    unit, notes = _unit(column.spec, column.unit, cells.unit, channel)
    _refuse_flags(column, cells, lines, channel)
    value = cells.value
    raw: NDArray[np.object_] = np.broadcast_to(np.array("", object), len(value))  # one text for all
    if unit != channel.unit or cells.fault.any():
        raw = raw.copy()
    if unit != channel.unit:
        canonical = to_canonical(value, unit, channel.quantity)
        # Converting rounds in the last bit; nine decimals make 68 °F and 20 °C one value.
        value = np.round(from_canonical(canonical, channel.unit, channel.quantity), 9)
        raw[:] = [f"{cell.strip()} {unit}"[:RAW_CHARS] for cell in cells.cells]
    for i in np.flatnonzero(cells.fault).tolist():
        raw[i] = str(cells.cells[i]).strip()[:RAW_CHARS]
    series = _in_order(Series(channel, taken_ns, value, raw, lines), ~cells.blank)
    return series, [*notes, *_beyond(series)]


def _lines(stream: Stream) -> Int:
    """Where the rows of a stream stand in the file; one array for all of its series."""
    lines = stream.lines
    return np.arange(lines.start, lines.stop) if isinstance(lines, range) else np.asarray(lines, np.int64)


def _in_order(series: Series, there: NDArray[np.bool_]) -> Series:
    """Without empty cells and ascending in time; as most files are written, nothing is copied."""
    if there.all() and not (series.taken_ns[1:] < series.taken_ns[:-1]).any():
        return series
    present = series.part(there)
    order = np.argsort(present.taken_ns, kind="stable")
    return Series(
        present.channel,
        present.taken_ns[order],
        present.value[order],
        present.raw[order],
        present.line[order],
    )


def _refuse_flags(column: TextColumn, cells: ColumnValues, lines: Int, channel: Channel) -> None:
    if not any(issubclass(kind, Flag) for kind in kinds(cells.cells)):
        return
    flag = next((n for n, cell in enumerate(cells.cells) if isinstance(cell, Flag)), None)
    if flag is not None and channel.quantity != "state":
        raise ImportRefused(
            f"Line {lines[flag]}, column {column.spec.heading!r}: expected a number, found true or false."
        )


def _beyond(series: Series) -> list[str]:
    """Values that the probe cannot have measured: stored as they are, and told, as they may stand for a
    fault.
    """
    low, high = series.channel.probe_span
    with np.errstate(invalid="ignore"):
        odd = (series.value < low) | (series.value > high)
    if not odd.any():
        return []
    values, counts = np.unique(series.value[odd], return_counts=True)
    often = sorted(zip(counts.tolist(), values.tolist(), strict=True), reverse=True)[:3]
    examples = ", ".join(
        f"{value:g} ({'once' if count == 1 else f'{count} times'})" for count, value in often
    )
    outside = number_of(int(odd.sum()), "value")
    return [
        f"{outside} of {series.channel.key} outside the span of the probe, {low:g} to {high:g} "
        f"{series.channel.unit}: {examples}. "
        f"Where such a number means a fault, list it under `sentinels`"
    ]


def _joined(series: Sequence[Series]) -> tuple[Series, ...]:
    """One series for each channel: a zip may hold the same table many times over."""
    by_channel: dict[str, list[Series]] = {}
    for part in series:
        by_channel.setdefault(part.channel.key, []).append(part)
    return tuple(same[0] if len(same) == 1 else _merged(same) for same in by_channel.values())


def _merged(same: Sequence[Series]) -> Series:
    columns = [
        np.concatenate([getattr(s, name) for s in same]) for name in ("taken_ns", "value", "raw", "line")
    ]
    order = np.argsort(columns[0], kind="stable")
    taken_ns, value, raw, line = (c[order] for c in columns)
    return Series(same[0].channel, taken_ns, value, raw, line)
