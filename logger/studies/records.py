"""What a study reads: corrected cell means of a channel, without what does not count."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from ..core.evidence.cells import Cells, evidence
from ..core.evidence.grid import Grid
from ..core.study.channel_record import ChannelRecord
from ..errors import IntervalError, Refused, UnknownName
from ..instants import NS
from ..local_time import stretches
from ..model import Mark, Setup
from ..model.reasons import WHY_TEXT, Why
from ..series import Bool, Float, Int
from ..units import MICRO, QUANTITIES, difference_to_canonical
from ..verdicts.verdicts import Verdicts

PART_NS = 31 * 86_400 * NS  # read and tested at once, so that a year needs no more memory than a month
AROUND_NS = 7 * 3600 * NS  # readings on both sides on which the tests of a reading may hang


@dataclass(frozen=True)
class RecordUsed:
    """A channel's record, its U (k = 2, the largest), and the hours that did not count, by reason.

    hours: with a value; gap_hours: without any reading.
    """

    record: ChannelRecord
    U: float
    hours: float
    gap_hours: float
    left_out_hours: dict[str, float]

    def remark(self) -> str:
        """What was used and what was left out, as a sentence."""
        probe = self.record.channel
        left = "; ".join(f"{hours:.1f} h {reason}" for reason, hours in self.left_out_hours.items())
        return (
            f"{probe}: {self.hours:.1f} h used, {self.gap_hours:.1f} h without readings"
            + (f", left out: {left}" if left else "")
            + "."
        )


def zone_channels(setup: Setup, zone: str, quantity: str = "temperature") -> list[str]:
    """Channels of a quantity that stood in a zone at any time."""
    return [key for key in setup.channels_in(zone) if setup.channels[key].quantity == quantity]


def zone_of_channel(setup: Setup, channel: str) -> str:
    """The zone in which the probe of a channel stood last; UnknownName or Refused where there is none."""
    if channel not in setup.channels:
        raise UnknownName("channel", channel, setup.channels)
    for stay in reversed(setup.placements_of(channel)):
        if stay.position in setup.positions:
            return setup.positions[stay.position].zone
    raise Refused(f"The probe of {channel} stood at no position; place it first: stillroom probe place.")


def read_channel(verdicts: Verdicts, channel: str, from_ns: int, to_ns: int, now_ns: int) -> RecordUsed:
    """Corrected cell means of a channel over [from, to), at the step of its readings.

    UnknownName for a channel that is not in the setup; IntervalError where nothing counts.
    """
    return read_channels(verdicts, [channel], from_ns, to_ns, now_ns)[channel]


def read_channels(
    verdicts: Verdicts, channels: Sequence[str], from_ns: int, to_ns: int, now_ns: int
) -> dict[str, RecordUsed]:
    """Corrected cell means of several channels; those of one zone are read and tested once, together."""
    setup, used = verdicts.setup, dict[str, RecordUsed]()
    grid = Grid(-(-from_ns // (setup.step_s * NS)), 0, setup.step_s)
    end = min(to_ns, now_ns) // grid.step_ns
    grid = Grid(grid.first, max(0, end - grid.first), grid.step_s)
    zones = {channel: zone_of_channel(setup, channel) for channel in channels}
    if not grid.n:
        raise IntervalError(
            "The interval of the study holds no whole minute of the record. Choose a longer one."
        )
    for zone in dict.fromkeys(zones.values()):
        mine = [channel for channel in channels if zones[channel] == zone]
        marks = [mark for mark in verdicts.marks() if mark.zone == zone]
        parts: dict[str, list[tuple[Float, Int, float]]] = {channel: [] for channel in mine}
        for cells in _cells(verdicts, zone, mine, grid, now_ns):
            for channel in mine:
                parts[channel].append(_part(cells[channel], marks))
        used |= {channel: _used(setup, channel, grid, parts.pop(channel)) for channel in mine}
    return used


def _used(setup: Setup, channel: str, grid: Grid, parts: list[tuple[Float, Int, float]]) -> RecordUsed:
    value = np.concatenate([part[0] for part in parts])
    if not np.isfinite(value).any():
        raise IntervalError(
            f"{channel} has no reading that counts in this interval. Choose another channel or interval."
        )
    why, U = np.concatenate([part[1] for part in parts]), max(part[2] for part in parts)
    record = _record(setup, channel, grid, value)
    return RecordUsed(record, U, *_hours(value, why, grid.step_s, record.step_s))


def _cells(
    verdicts: Verdicts, zone: str, channels: Sequence[str], grid: Grid, now_ns: int
) -> Iterator[Mapping[str, Cells]]:
    """Cells of channels over a grid, month by month; their neighbours take part in the tests."""
    setup = verdicts.setup
    quantities = {setup.channels[channel].quantity for channel in channels}
    beside = [key for key in setup.channels_in(zone) if setup.channels[key].quantity in quantities]
    names = list(dict.fromkeys([*channels, *beside]))
    for begin in range(grid.first, grid.first + grid.n, PART_NS // grid.step_ns):
        n = min(PART_NS // grid.step_ns, grid.first + grid.n - begin)
        part = Grid(begin, n, grid.step_s)
        ends = begin * grid.step_ns - AROUND_NS, (begin + n) * grid.step_ns + AROUND_NS
        readings = verdicts.store.readings.read_channels(names, *ends)
        yield evidence(zone, setup.at(begin * grid.step_ns), readings, part, now_ns)


def _part(cells: Cells, marks: Sequence[Mark]) -> tuple[Float, Int, float]:
    """Means in the canonical unit, NaN where they do not count; the reason of each cell; the largest U."""
    marked = _marked(cells.grid, marks)
    why = np.where(cells.placed | (cells.count == 0), cells.why, _MISPLACED).astype(np.int64)
    why = np.where(marked & (cells.count > 0), _MARKED, why)
    good = (cells.count > 0) & (why == Why.EVIDENCE)
    why = np.where(good, Why.EVIDENCE, np.where((cells.count == 0) & (why < _MISPLACED), _empty(why), why))
    U = float(np.nanmax(cells.U[good], initial=0.0)) / MICRO
    return np.where(good, cells.mean / MICRO, np.nan), why, U


_MISPLACED, _MARKED, _GAP = 1000, 1001, 1002


def _empty(why: Int) -> Int:
    """A cell without a counting reading is a gap, unless a reading in it was left out for a reason."""
    return np.where((why == Why.EVIDENCE) | (why == Why.NO_READING), _GAP, why)


def _marked(grid: Grid, marks: Sequence[Mark]) -> Bool:
    marked = np.zeros(grid.n, np.bool_)
    for mark in marks:
        begin = mark.from_ns // grid.step_ns - grid.first
        end = -(-mark.to_ns // grid.step_ns) - grid.first
        marked[max(0, begin) : max(0, end)] = True
    return marked


def _hours(value: Float, why: Int, cell_s: int, step_s: int) -> tuple[float, float, dict[str, float]]:
    """Hours with a value, hours of gaps, hours left out by reason; sparse readings count for their step."""
    hour = step_s / 3600
    names = {_MISPLACED: "at another place", _MARKED: "marked as not to be used"}
    left = {
        names.get(int(code)) or WHY_TEXT[Why(int(code))]: round(float((why == code).sum()) * hour, 2)
        for code in np.unique(why)
        if code not in (Why.EVIDENCE, _GAP)
    }
    used = float(np.isfinite(value).sum()) * hour
    whole = len(value) * cell_s / 3600
    return used, max(0.0, round(whole - used - sum(left.values()), 2)), left


def _record(setup: Setup, channel: str, grid: Grid, value: Float) -> ChannelRecord:
    specification = setup.channels[channel]
    every_s = _distance_s(value, grid.step_s, specification.interval_s)
    unit = _canonical_unit(specification.quantity)
    resolution = float(
        difference_to_canonical(specification.resolution, specification.unit, specification.quantity)
    )
    record = ChannelRecord(
        channel,
        unit,
        grid.first * grid.step_s,
        grid.step_s,
        value,
        local_offsets(grid.first * grid.step_s, grid.n, grid.step_s, ZoneInfo(setup.room.timezone)),
        resolution,
        every_s,
    )
    steps = max(1, round(every_s / grid.step_s))
    return record.coarser(steps * grid.step_s, 1 / steps)


def _canonical_unit(quantity: str) -> str:
    return QUANTITIES[quantity].unit


def _distance_s(value: Float, step_s: int, declared_s: float) -> float:
    """Usual distance of readings: the median of those between cells with a value."""
    apart = np.diff(np.flatnonzero(np.isfinite(value)))
    if len(apart) < 10:
        return declared_s
    median = float(np.median(apart)) * step_s
    return declared_s if median <= step_s and declared_s <= step_s else median


def local_offsets(start_s: int, n: int, step_s: int, zone: ZoneInfo) -> Int:
    """Seconds by which the room's clock is ahead of UTC at the start of each of n cells."""
    at = start_s + np.arange(n, dtype=np.int64) * step_s
    offsets = np.zeros(n, np.int64)
    for stretch in stretches(start_s * NS, (start_s + n * step_s) * NS, zone):
        begin, end = np.searchsorted(at, [-(-stretch.from_ns // NS), -(-stretch.to_ns // NS)])
        offsets[begin:end] = stretch.offset_s
    return offsets
