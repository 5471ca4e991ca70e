"""Log of the room during the verification of a coordinate machine: one row for each measured length.

ISO 10360-2:2009 (clauses from memory) leaves the limits of the surroundings to the maker for acceptance and
to the user for reverification (5.1), and has five lengths measured three times each at every position (6.3).
Before, during and after stand side by side; where the probes cannot prove a limit, the row says so.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ..core.judge.judgement import Judgement
from ..errors import IntervalError, Refused
from ..instants import NS, parse, rfc3339
from ..model import Setup
from ..model.figures import number_of
from ..series import Float
from ..units import MICRO
from ..verdicts.verdicts import Verdicts

WANTED = ("position", "length_mm", "repeat", "from", "to")
HOUR_NS = 3600 * NS
LONGEST_NS = 7 * 86_400 * NS
MOST_ROWS = 2000


@dataclass(frozen=True)
class StatedLimits:
    """Limits stated by the maker, or by the user for a reverification; None where none is stated."""

    lower_degC: float | None = None
    upper_degC: float | None = None
    change_K_per_h: float | None = None
    gradient_K_per_m: float | None = None


@dataclass(frozen=True)
class MeasuredLength:
    """One measured length: at which position of the machine, which repeat, over [from_ns, to_ns)."""

    position: str
    length_mm: float
    repeat: int
    from_ns: int
    to_ns: int


@dataclass(frozen=True)
class RoomState:
    """The air over an interval: extremes and mean in degC with U, change in K/h, gradient in K/m.

    change_K_per_h: slope by least squares over the hour that ends with the interval; gradient_K_per_m: the
    largest between two probes. None where the probes say nothing.
    """

    min_degC: float | None
    mean_degC: float | None
    max_degC: float | None
    U_K: float | None
    change_K_per_h: float | None
    gradient_K_per_m: float | None


@dataclass(frozen=True)
class LogRow:
    """A measured length with the room before (1 h), during and after (1 h) it, and the result."""

    length: MeasuredLength
    before: RoomState
    during: RoomState
    after: RoomState
    result: str  # kept, exceeded, not shown
    why: str

    def to_dict(self) -> dict[str, Any]:
        """As plain data."""
        length = self.length
        return {
            "position": length.position, "length_mm": length.length_mm, "repeat": length.repeat,
            "from": rfc3339(length.from_ns), "to": rfc3339(length.to_ns), "result": self.result,
            "why": self.why, "before": vars(self.before), "during": vars(self.during),
            "after": vars(self.after),
        }  # fmt: skip


def read_lengths(file: Path, zone: ZoneInfo) -> list[MeasuredLength]:
    """Measured lengths from a CSV; Refused with all faults, each with its row."""
    try:
        text = file.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"{file} cannot be read: {error}.") from None
    separator = max(";,\t", key=text.partition("\n")[0].count)
    rows = list(csv.DictReader(io.StringIO(text), delimiter=separator))
    names = [n.strip().casefold() for n in (rows[0] if rows else {})]
    missing = [name for name in WANTED if name not in names]
    if missing or not rows:
        columns = ", ".join(names) or "nothing"
        raise Refused(f"{file}: expected the columns {', '.join(WANTED)} and a row or more, found {columns}.")
    lengths, faults = list[MeasuredLength](), list[str]()
    for number, raw in enumerate(rows[:MOST_ROWS], 2):
        cells = {str(k).strip().casefold(): str(v or "").strip() for k, v in raw.items()}
        try:
            lengths.append(_length(cells, zone))
        except (Refused, ValueError) as fault:
            faults.append(f"row {number}: {fault}")
    if faults:
        raise Refused(f"{file} has {number_of(len(faults), 'fault')}:\n  " + "\n  ".join(faults[:20]))
    return lengths


def _length(cells: Mapping[str, str], zone: ZoneInfo) -> MeasuredLength:
    try:
        length, repeat = float(cells["length_mm"].replace(",", ".")), int(cells["repeat"])
    except ValueError:
        entries = f"{cells['length_mm']!r} and {cells['repeat']!r}"
        raise Refused(f"expected numbers for length_mm and repeat, found {entries}") from None
    from_ns, to_ns = parse(cells["from"], zone, "from"), parse(cells["to"], zone, "to")
    if not from_ns < to_ns:
        raise Refused(f"from {cells['from']} is not before to {cells['to']}")
    return MeasuredLength(cells["position"], length, repeat, from_ns, to_ns)


def verification_log(
    verdicts: Verdicts, zone: str, lengths: Sequence[MeasuredLength], limits: StatedLimits, now_ns: int
) -> list[LogRow]:
    """One row for each length, in order of time; IntervalError where they lie too far apart or ahead."""
    first = min(m.from_ns for m in lengths) - 2 * HOUR_NS
    last = max(m.to_ns for m in lengths)
    if last > now_ns:
        raise IntervalError(
            f"A length ends at {rfc3339(last)}, which is in the future; it cannot be judged yet."
        )
    if last - first > LONGEST_NS:
        raise IntervalError("The lengths span more than 7 days; make one log for each verification.")
    judgement = verdicts.judgement(zone, first, min(last + HOUR_NS, now_ns), now_ns)
    air = _air(verdicts.setup, judgement)
    return [
        _row(air, judgement, length, limits)
        for length in sorted(lengths, key=lambda m: (m.from_ns, m.position))
    ]


@dataclass(frozen=True)
class _Air:
    """Values in degC, shape (channels, n), NaN without evidence; U in K; places in m, (channels, 3)."""

    values: Float
    U: Float
    places: Float


def _air(setup: Setup, judgement: Judgement) -> _Air:
    rows, widths, places = [], [], []
    for key, cells in sorted(judgement.cells.items()):
        if key not in setup.channels or cells.channel.quantity != "temperature":
            continue
        stays = [setup.positions[p.position] for p in setup.placements_of(key)]
        mine = [p for p in stays if p.zone == judgement.zone and p.medium == "air"]
        if mine:
            good = cells.placed & (cells.why == 0) & np.isfinite(cells.U)
            rows.append(np.where(good, (cells.low + cells.high) / 2 / MICRO, np.nan))
            widths.append(np.where(good, cells.U / MICRO, np.nan))
            places.append(mine[-1].xyz_m)
    if not rows:
        raise Refused(f"Zone {judgement.zone!r} has no temperature probe in air; a log needs one or more.")
    return _Air(np.stack(rows), np.stack(widths), np.array(places, np.float64))


def _row(air: _Air, judgement: Judgement, length: MeasuredLength, limits: StatedLimits) -> LogRow:
    before = _state(air, judgement, length.from_ns - HOUR_NS, length.from_ns)
    during = _state(air, judgement, length.from_ns, length.to_ns)
    after = _state(air, judgement, length.to_ns, length.to_ns + HOUR_NS)
    result, why = _result(during, limits)
    return LogRow(length, before, during, after, result, why)


def _state(air: _Air, judgement: Judgement, from_ns: int, to_ns: int) -> RoomState:
    step_ns, first, n = judgement.grid.step_ns, judgement.grid.first, judgement.grid.n
    begin, end = max(0, from_ns // step_ns - first), min(n, -(-to_ns // step_ns) - first)
    inside = air.values[:, begin:end]
    if end <= begin or not np.isfinite(inside).all(axis=1).any():
        return RoomState(None, None, None, None, None, None)
    U = float(np.nanmax(air.U[:, begin:end]))
    hour = air.values[:, max(0, end - HOUR_NS // step_ns) : end]
    return RoomState(
        round(float(np.nanmin(inside)), 6),
        round(float(np.nanmean(inside)), 6),
        round(float(np.nanmax(inside)), 6),
        round(U, 6),
        _slope(hour, step_ns),
        _gradient(inside, air.places),
    )


def _slope(values: Float, step_ns: int) -> float | None:
    """The steepest slope of a channel in K/h over its cells; None with gaps or less than half an hour."""
    steepest: float | None = None
    hours = np.arange(values.shape[1]) * step_ns / HOUR_NS
    for row in values:
        if np.isfinite(row).all() and len(row) * step_ns >= HOUR_NS / 2:
            slope = round(float(np.polyfit(hours, row, 1)[0]), 6)
            steepest = slope if steepest is None or abs(slope) > abs(steepest) else steepest
    return steepest


def _gradient(values: Float, places: Float) -> float | None:
    """The largest |difference of means| over distance, between two channels at least 0.3 m apart."""
    means = [float(np.mean(row)) if np.isfinite(row).all() else math.nan for row in values]
    largest = [
        abs(means[a] - means[b]) / distance
        for a in range(len(means))
        for b in range(a)
        if (distance := float(np.linalg.norm(places[a] - places[b]))) >= 0.3
        and math.isfinite(means[a] - means[b])
    ]
    return round(max(largest), 6) if largest else None


def _result(state: RoomState, limits: StatedLimits) -> tuple[str, str]:
    """kept, exceeded or not shown, and which limit decides; a value within U of its limit is not shown."""
    U = state.U_K
    checks = [
        ("temperature", state.min_degC, limits.lower_degC, -1.0, "degC", U),
        ("temperature", state.max_degC, limits.upper_degC, 1.0, "degC", U),
        ("change", _size(state.change_K_per_h), limits.change_K_per_h, 1.0, "K/h", 0.0),
        ("gradient", state.gradient_K_per_m, limits.gradient_K_per_m, 1.0, "K/m", 0.0),
    ]
    stated = [c for c in checks if c[2] is not None]
    if not stated:
        return "not shown", "no limit is stated"
    open_ends = []
    for name, value, limit, side, unit, width in stated:
        assert limit is not None  # noqa: S101 (chosen above)
        if value is None or width is None:
            open_ends.append(f"{name} is not known")
        elif side * (value - limit) > 0:
            return "exceeded", f"{name} {value:.3g} {unit}, limit {limit:g}"
        elif side * (value - limit) + width > 0:
            open_ends.append(f"{name} {value:.4g} {unit} is within U of the limit {limit:g}")
    return ("not shown", "; ".join(open_ends)) if open_ends else ("kept", "")


def _size(value: float | None) -> float | None:
    return None if value is None else abs(value)


def log_csv(rows: Sequence[LogRow]) -> bytes:
    """The log as CSV, figures unrounded."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    head = ("position", "length_mm", "repeat", "from", "to", "result", "why")
    names = ("min_degC", "mean_degC", "max_degC", "U_K", "change_K_per_h", "gradient_K_per_m")
    writer.writerow((*head, *(f"{when}_{name}" for when in ("before", "during", "after") for name in names)))
    for row in rows:
        body = row.to_dict()
        cells = [body[name] for name in head]
        cells[0] = f"'{cells[0]}" if str(cells[0])[:1] in "=+-@\t\r" and cells[0] else cells[0]
        writer.writerow(
            [*cells, *(body[when][name] for when in ("before", "during", "after") for name in names)]
        )
    return out.getvalue().encode()
