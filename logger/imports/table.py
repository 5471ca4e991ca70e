"""A grid to streams of readings: heading row, units, rows with their line numbers, and what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import ImportRefused
from ..model.figures import number_of
from ..units import unit_name
from .grid import Row, TextGrid
from .heading import Heading, find_heading, places_of, unit_in_heading
from .profile import Column, Profile
from .rows import GridRows, short


@dataclass(frozen=True)
class TextColumn:
    """Cells of one column of values as text, and the unit that the file states, if any."""

    spec: Column
    unit: str | None
    cells: Sequence[str]


@dataclass(frozen=True)
class Stream:
    """Columns that share their rows: time as text, the line of each, the day that stands above it, if
    asked.
    """

    times: Sequence[str]
    lines: Sequence[int]
    columns: tuple[TextColumn, ...]
    days: Sequence[str] = ()
    file: str = ""  # its name may tell the day
    delimiter: str = ""  # of the text it comes from


@dataclass(frozen=True)
class TextTable:
    """What a file holds as text; `rows` is the number of its lines with readings."""

    streams: tuple[Stream, ...]
    rows: int
    assumed: tuple[str, ...]
    left_out: tuple[tuple[int, str], ...] = ()  # lines that somebody named, with their text
    simulated: bool = False  # it says of itself that nothing in it was measured


@dataclass(frozen=True)
class _Body:
    """Rows of readings, all as wide as the heading, and what the lines above each of them say."""

    rows: list[Row]
    above: list[dict[str, str]]
    units: Sequence[str]
    assumed: list[str]
    file: str
    delimiter: str


def read_table(grid: TextGrid, profile: Profile) -> TextTable:
    """The table that the profile describes; ImportRefused naming what was not found."""
    heading = find_heading(grid.rows, profile)
    line = grid.rows[heading.at][0] if heading.at >= 0 else 1
    places = places_of(heading, profile, line)
    body = _body(grid, heading, places, profile)
    streams = [_stream(times, only, columns, (heading, body, places), profile)
               for (times, only), columns in profile.streams().items()]  # fmt: skip
    assumed = [*grid.assumed, *body.assumed, *_unwanted(body, places, profile)]
    filled = tuple(s for s in streams if len(s.lines))
    return TextTable(filled, len(body.rows), tuple(assumed))


def _stream(
    times: tuple[str, ...],
    only: tuple[tuple[str, str], ...],
    columns: tuple[Column, ...],
    located: tuple[Heading, _Body, dict[str, int]],
    profile: Profile,
) -> Stream:
    heading, body, places = located
    chosen = range(len(body.rows)) if not only else _chosen(body, places, only, profile)
    rows = body.rows if not only else [body.rows[n] for n in chosen]
    parts = [[cells[places[t]] for _, cells in rows] for t in times]
    lines = [line for line, _ in rows]
    if profile.columns[0].time or len(profile.streams()) > 1:
        keep = [n for n in range(len(rows)) if all(part[n].strip() for part in parts)]
        if len(keep) < len(rows):  # probes side by side, each with its times, need not end together
            _refuse_untimed(rows, set(keep), [places[c.heading] for c in columns])
            rows, lines = [rows[n] for n in keep], [lines[n] for n in keep]
            parts, chosen = [[part[n] for n in keep] for part in parts], [chosen[n] for n in keep]
    days = [body.above[n].get(profile.day_in, "") for n in chosen] if profile.day_in else ()
    return Stream(
        parts[0] if len(parts) == 1 else [f"{d} {t}" for d, t in zip(*parts, strict=True)],
        lines,
        tuple(_text_column(c, rows, (heading, body, places), profile) for c in columns),
        days,
        body.file,
        body.delimiter,
    )


def _refuse_untimed(rows: list[Row], timed: set[int], values: list[int]) -> None:
    for n, (line, cells) in enumerate(rows):
        if n not in timed and any(cells[p].strip() for p in values):
            raise ImportRefused(f"Line {line} has a value without its time: {short(cells)}.", line)


def _text_column(
    column: Column, rows: list[Row], parts: tuple[Heading, _Body, dict[str, int]], profile: Profile
) -> TextColumn:
    heading, body, places = parts
    place = places[column.heading]
    cells = [row[place] for _, row in rows]
    unit = column_unit(column, heading, body.units, places, profile)
    if column.unit_in:
        units = {row[places[column.unit_in]].strip() for _, row in rows}
        if len({unit_name(u) for u in units}) > 1:
            raise ImportRefused(
                f"Rows of {column.channel!r} are in several units: {', '.join(sorted(map(repr, units)))}."
            )
        unit = next(iter(units), None)
    return TextColumn(column, unit, cells)


def _chosen(
    body: _Body, places: dict[str, int], only: tuple[tuple[str, str], ...], profile: Profile
) -> list[int]:
    """Rows of which the other columns, and the sections they stand in, say what is wanted."""
    rows = range(len(body.rows))
    for key, value in only:
        if key in profile.sections:
            rows = [n for n in rows if body.above[n].get(key, "") == value]  # type: ignore[assignment]
        else:
            rows = [n for n in rows if body.rows[n][1][places[key]].strip() == value]  # type: ignore[assignment]
    if not rows:
        condition = " and ".join(f"{key} = {value!r}" for key, value in only)
        raise ImportRefused(f"No row of the file has {condition}, which `only` in the profile requires.")
    return list(rows)


def _unwanted(body: _Body, places: dict[str, int], profile: Profile) -> list[str]:
    """What the columns and sections that choose rows say beside what is wanted."""
    notes = []
    for key in dict.fromkeys(key for c in profile.columns for key, _ in c.only):
        chosen = {value for c in profile.columns for k, value in c.only if k == key}
        if key in profile.sections:
            others = [above.get(key, "") for above in body.above]
        else:
            others = [cells[places[key]].strip() for _, cells in body.rows]
        for other in sorted(set(others) - chosen):
            notes.append(f"left out: {number_of(others.count(other), 'row')} with {key} = {other!r}")
    return notes


def column_unit(
    column: Column, heading: Heading, units: Sequence[str], places: dict[str, int], profile: Profile
) -> str | None:
    """The unit that the heading of a column, or the row of units below it, states."""
    place = places[column.heading]
    named = place - (0 if column.heading.startswith("#") else int(profile.unnamed_first_column))
    return _unit(heading.names[named] if named < heading.width else column.heading, units, place)


def _unit(heading: str, units: Sequence[str], place: int) -> str | None:
    """The unit that the file states for a column, in its own spelling."""
    in_heading = unit_in_heading(heading)
    in_row = units[place].strip().strip("[](){}") if place < len(units) else ""
    if in_heading and in_row and unit_name(in_heading) != unit_name(in_row):
        raise ImportRefused(f"The column {heading!r} has another unit in the row below it, {in_row!r}.")
    return in_heading or in_row or None


def _body(grid: TextGrid, heading: Heading, places: dict[str, int], profile: Profile) -> _Body:
    width = heading.width + profile.unnamed_first_column
    rows = GridRows(grid, heading, width, time_places(places, profile), profile)
    rows.needed = set(places.values())
    rows.values = {places[c.heading] for c in profile.columns}
    first = rows.first_reading()
    units, notes = rows.between_heading_and(first, places)
    last = rows.last_reading()
    readings = rows.readings(first, last, notes)
    end = rows.ending(readings, last, notes)
    readings = readings[: len(readings) - end]
    return _Body(
        [row for _, row in readings],
        rows.above([n for n, _ in readings]),
        units,
        notes,
        grid.name,
        grid.delimiter,
    )


def time_places(places: dict[str, int], profile: Profile) -> list[tuple[int, ...]]:
    """The columns of times, one group for each stream; one of them must be filled in a reading."""
    return list(dict.fromkeys(tuple(places[t] for t in times) for times, _ in profile.streams()))
