"""What an import would do, before anything is stored: rows, the time axis, gaps, flagged rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..instants import NS, rfc3339
from ..model.figures import number_of
from .reading import Reading, Series

Int = NDArray[np.int64]

ROWS = 3  # shown at each end
GAPS = 10  # told one by one
BINS = 60
_LONGER = 1.5  # a step longer than that many usual ones is a gap
_LEVELS = "▁▂▃▄▅▆▇█"


@dataclass(frozen=True)
class PreviewLine:
    """One line of the file as it was understood."""

    line: int
    taken_ns: int
    values: tuple[tuple[str, str], ...]  # channel, value or the word for a fault


@dataclass(frozen=True)
class TimeAxis:
    """The instants of one channel: how many, how far apart, where they stop; counts in equal bins."""

    channel: str
    unit: str
    rows: int
    first_ns: int
    last_ns: int
    step_s: float | None
    gaps: tuple[tuple[int, int], ...]
    counts: tuple[int, ...]
    low: float | None
    high: float | None

    @property
    def bar(self) -> str:
        """The counts as a line of characters, for a terminal."""
        most = max(self.counts, default=0)
        return "".join("·" if not n else _LEVELS[min(7, n * 8 // (most + 1))] for n in self.counts)


@dataclass(frozen=True)
class Preview:
    """First and last rows, every channel's axis, and the rows that carry no value."""

    first: tuple[PreviewLine, ...]
    last: tuple[PreviewLine, ...]
    axes: tuple[TimeAxis, ...]
    flagged: tuple[PreviewLine, ...]


def preview_of(reading: Reading) -> Preview:
    """What a person looks at before saying yes."""
    filled = [s for s in reading.series if len(s.taken_ns)]
    ends = (
        (min(int(s.taken_ns[0]) for s in filled), max(int(s.taken_ns[-1]) for s in filled))
        if filled
        else (0, 0)
    )
    flagged = [(s, np.flatnonzero(np.isnan(s.value))[:GAPS]) for s in filled]
    return Preview(
        _rows([(s, np.arange(min(ROWS, len(s.taken_ns)))) for s in filled])[:ROWS],
        _rows([(s, np.arange(max(0, len(s.taken_ns) - ROWS), len(s.taken_ns))) for s in filled])[-ROWS:],
        tuple(_axis(s, ends) for s in filled),
        _rows(flagged)[:GAPS],
    )


def _rows(selected: Sequence[tuple[Series, Int]]) -> tuple[PreviewLine, ...]:
    """What some channels say at some places, a line of the file each, in order of time."""
    rows: dict[tuple[int, int], list[tuple[str, str]]] = {}
    for series, places in selected:
        for n in places.tolist():
            value = float(series.value[n])
            text = str(series.raw[n]) if np.isnan(value) else f"{value:g}"
            key = (int(series.taken_ns[n]), int(series.line[n]))
            rows.setdefault(key, []).append((series.channel.key, text))
    return tuple(PreviewLine(line, at, tuple(cells)) for (at, line), cells in sorted(rows.items()))


def _axis(series: Series, ends: tuple[int, int]) -> TimeAxis:
    taken_ns, value = series.taken_ns, series.value[np.isfinite(series.value)]
    steps = np.diff(taken_ns)
    rising = steps[steps > 0]
    step_ns = int(np.median(rising)) if len(rising) else None
    wide = np.flatnonzero(steps > _LONGER * step_ns) if step_ns else np.empty(0, np.int64)
    gaps = tuple((int(taken_ns[n]), int(taken_ns[n + 1])) for n in wide.tolist())
    bins = max(1, min(BINS, len(taken_ns) // 3))  # fewer readings than that would show as gaps
    edges = np.linspace(ends[0], max(ends[1], ends[0] + 1), bins + 1)
    counts = np.histogram(taken_ns.astype(np.float64), edges)[0]
    low, high = (float(value.min()), float(value.max())) if len(value) else (None, None)
    step_s = None if step_ns is None else step_ns / NS
    key, unit = series.channel.key, series.channel.unit
    whole = (len(taken_ns), int(taken_ns[0]), int(taken_ns[-1]))
    return TimeAxis(key, unit, *whole, step_s, gaps, tuple(counts.tolist()), low, high)


def lines_of(preview: Preview) -> list[str]:
    """A preview as lines of a terminal."""
    lines = []
    for heading, rows in (
        ("first rows", preview.first),
        ("last rows", preview.last),
        ("without value", preview.flagged),
    ):
        if rows:
            lines += [f"  {heading}:", *(f"    {_row(row)}" for row in rows)]
    lines.append("  time axis, number of readings in equal parts of the time:")
    for axis in preview.axes:
        every = "" if axis.step_s is None else f", every {plain_duration(round(axis.step_s * NS))}"
        span = "" if axis.low is None else f", {axis.low:g} to {axis.high:g} {axis.unit}"
        lines.append(f"    {axis.bar} {axis.channel}: {number_of(axis.rows, 'reading')}{every}{span}")
    lines += _gap_lines(preview.axes)
    return lines


def _row(row: PreviewLine) -> str:
    values = ", ".join(f"{channel} {text}" for channel, text in row.values)
    return f"line {row.line}: {rfc3339(row.taken_ns)}  {values}"


def plain_duration(ns: int) -> str:
    """A length of time in its two largest units.

    >>> [plain_duration(s * NS) for s in (1_363_500, 600, 90)], plain_duration(NS // 4)
    (['15 d 18 h', '10 min', '1 min 30 s'], '0.25 s')
    """
    if ns < 60 * NS:
        return f"{ns / NS:g} s"
    remaining, parts = ns // NS, []
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min"), (1, "s")):
        number, remaining = divmod(remaining, size)
        parts.append((number, unit))
    first = next(n for n, (number, _) in enumerate(parts) if number)
    return " ".join(f"{number} {unit}" for number, unit in parts[first : first + 2] if number)


def _gap_lines(axes: Sequence[TimeAxis]) -> list[str]:
    """Gaps that several channels share are told once."""
    shared: dict[tuple[int, int], list[str]] = {}
    for axis in axes:
        for gap in axis.gaps:
            shared.setdefault(gap, []).append(axis.channel)
    gaps = sorted(shared.items(), key=lambda item: item[0][0] - item[0][1])[:GAPS]
    lines = [
        f"    gap of {plain_duration(end - begin)} from {rfc3339(begin)} to {rfc3339(end)}: "
        f"{channels[0] if len(channels) == 1 else f'{len(channels)} channels'}"
        for (begin, end), channels in sorted(gaps)
    ]
    more = len(shared) - len(gaps)
    return (
        [f"  {number_of(len(shared), 'gap')}:", *lines, *([f"    and {more} shorter"] if more else [])]
        if shared
        else []
    )
