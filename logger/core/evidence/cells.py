"""From the readings of a zone's channels to the cells of the grid on which rules are judged.

All values here are whole micro-units held in float64 (exact up to 2^53), NaN where there is
none: sums and comparisons are those of integers, and no machine differs in a last bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...instants import NS
from ...model import Channel, Quality, Setup
from ...model.reasons import Why
from ...series import Bool, Float, Int, Readings, find_conflicts, of_one_number
from ...units import MICRO, difference_to_canonical, to_canonical
from ..calibration.apply import correct_readings
from .grid import Grid
from .order import as_given, in_order
from .places import in_zone, without_position
from .quality import confirmed_at, constant_runs, doubt_flags, gross_range, has_moved, last_run, possible_span
from .reduction import ReducedCells, cover_empty_cells, in_blocks, reduce_to_cells, with_values

# As numbers of one byte: a member of an enumeration makes numpy compare eight for each reading.
EVIDENCE, FAIL = np.uint8(Why.EVIDENCE), np.uint8(Quality.FAIL)
# A run of identical values is compared with its neighbours in pieces of at most this length.
FLAT_WINDOW_S = 6 * 3600
# So long after a run could last have gone on, a reading that continues it may still arrive in order.
DELAY_S = 3600


@dataclass(frozen=True)
class Cells:
    """Evidence of one channel on a grid; all arrays of shape (n,).

    low, high: of the readings, or of the two valid ones that flank a covered cell; mean: of the
    cell's own readings; U: expanded uncertainty (k = 2) of a value; count: valid readings;
    why: Why.EVIDENCE or the reason why the cell supports nothing; placed: the probe stood in the
    zone; first_ns, last_ns: of the cell's valid readings (0 without); inside_ns: longest time
    between two of them; outside: some reading lies outside its certificate's range: it is seen in low,
    high and mean, and is not valid. as_read: the cells if doubted readings are taken as they stand; None
    where none is doubted.
    """

    channel: Channel
    grid: Grid
    low: Float
    high: Float
    mean: Float
    U: Float
    count: Int
    why: NDArray[np.uint8]
    placed: Bool
    first_ns: Int
    last_ns: Int
    inside_ns: Int
    outside: Bool
    open_run_from: int  # first cell of a constant run that reaches the live edge, or first + n
    as_read: Cells | None = None


@dataclass(frozen=True)
class _Channel:
    """Readings of one channel with the results of their tests, before the grid; arrays of shape (n,).

    doubted: supports neither side. A value beyond the user's span alone is flagged and still judged.
    value: as it was read, in the channel's unit; alone: a doubted one that both sides contradict.
    """

    taken_ns: Int
    micro: Float
    U: Float
    why: NDArray[np.uint8]
    flags: NDArray[np.uint8]
    doubted: Bool
    value: Float
    outside: Bool
    alone: Bool
    open_run_ns: int | None = None


def _test_single_readings(channel: Channel, setup: Setup, readings: Readings) -> _Channel:
    flags = gross_range(readings.value, possible_span(channel), channel.user_span)
    result = correct_readings(channel, setup.certificates_of(channel.key), readings.taken_ns, readings.value)
    why = result.why
    outside, conflict = why == np.uint8(Why.OUTSIDE_RANGE), find_conflicts(readings)
    if conflict.any():
        why = np.where(conflict, np.maximum(why, Why.CONFLICT), why).astype(np.uint8)
        outside &= ~conflict
    micro, U = _in_micro(result.value), of_one_number(_in_micro, result.U)
    doubted = doubt_flags(channel, readings.taken_ns, readings.value, flags)
    nowhere = np.zeros(len(doubted), np.bool_)
    return _Channel(readings.taken_ns, micro, U, why, flags, doubted, readings.value, outside, nowhere)


def _in_micro(value: Float) -> Float:
    """Whole micro-units of values in their canonical unit."""
    micro = value * MICRO
    return np.asarray(np.rint(micro, out=micro))


def _lift_confirmed_doubts(key: str, parts: Mapping[str, _Channel], setup: Setup, zone: str) -> _Channel:
    """Lift the doubt of the spike test where the next two readings, or another probe, confirm a value."""
    readings, channel = parts[key], setup.channels[key]
    if not readings.doubted.any():
        return readings
    is_usable = readings.flags < FAIL
    usable = np.flatnonzero(is_usable)
    pick: Int | slice = slice(None) if is_usable.all() else usable  # a view, where it can be
    usable_readings = readings.taken_ns[pick], readings.micro[pick], readings.U[pick]
    # Each with the two that follow it: the others need no confirmation.
    at = confirmed_at(*usable_readings, channel.max_age_s, np.flatnonzero(readings.doubted[pick]))
    doubted = readings.doubted.copy()
    doubted[usable[at]] = False
    for other in parts:
        at = np.flatnonzero(doubted)
        if not len(at):
            break
        if other != key and setup.channels[other].quantity == channel.quantity:
            at = at[_same_medium(key, other, setup, zone, readings.taken_ns[at])]
            doubted[at] = ~_agrees_with_other(readings, at, parts[other], setup.channels[other].max_age_s)
    return replace(readings, doubted=doubted, alone=_single_departures(readings, doubted, usable))


def _single_departures(readings: _Channel, doubted: Bool, usable: Int) -> Bool:
    """Single departures: an undoubted reading on either side differs from them by more than their U."""
    alone = np.zeros(len(doubted), np.bool_)
    place = np.searchsorted(usable, np.flatnonzero(doubted))
    place = place[(place > 0) & (place + 1 < len(usable))]
    at, before, after = usable[place], usable[place - 1], usable[place + 1]
    U = np.nan_to_num(readings.U[at])
    apart = [np.abs(readings.micro[side] - readings.micro[at]) > U for side in (before, after)]
    alone[at] = apart[0] & apart[1] & ~doubted[before] & ~doubted[after]
    return alone


def _same_medium(channel: str, other: str, setup: Setup, zone: str, taken_ns: Int) -> Bool:
    """True (n,) at the instants when two probes were in one medium of the zone."""
    media = {p.medium for p in setup.positions.values() if p.zone == zone}
    in_medium = ([_was_in_zone(key, setup, zone, taken_ns, m) for key in (channel, other)] for m in media)
    return np.asarray(np.logical_or.reduce([a & b for a, b in in_medium]))


def _was_in_zone(channel: str, setup: Setup, zone: str, taken_ns: Int, medium: str = "") -> Bool:
    """True (n,) at the instants when the probe of a channel was in the zone, and in the medium if given."""
    in_zone = np.zeros(len(taken_ns), np.bool_)
    for stay in setup.placements_of(channel):
        position = setup.positions.get(stay.position)
        if position is None or position.zone != zone or medium not in ("", position.medium):
            continue
        in_zone |= (taken_ns >= stay.from_ns) & ((stay.to_ns is None) | (taken_ns < (stay.to_ns or 0)))
    return in_zone


def _agrees_with_other(readings: _Channel, at: Int, other: _Channel, max_age_s: float) -> Bool:
    """Where, of the places `at`, the other probe's reading before or after agrees within both U.

    Each may vouch for the other, though both be in doubt: two probes do not err alike.
    """
    agrees = np.zeros(len(at), np.bool_)
    if not len(other.taken_ns):
        return agrees
    after = np.searchsorted(other.taken_ns, readings.taken_ns[at], side="right")
    for place in (after - 1, after):
        exists = (place >= 0) & (place < len(other.taken_ns))
        o = np.clip(place, 0, len(other.taken_ns) - 1)
        near = np.abs(readings.taken_ns[at] - other.taken_ns[o]) <= max_age_s * NS
        agree = np.abs(readings.micro[at] - other.micro[o]) <= np.hypot(readings.U[at], other.U[o])
        good = (other.flags[o] == Quality.PASS) & (other.why[o] == Why.EVIDENCE)
        agrees |= exists & near & agree & good
    return agrees


def _flag_stuck(
    key: str, parts: Mapping[str, _Channel], setup: Setup, readings: Readings, zone: str
) -> _Channel:
    """Mark as doubted runs of identical values during which another probe of the quantity moved."""
    channel, part = setup.channels[key], parts[key]
    if channel.flat_n <= 1 or not len(readings):
        return part
    runs = constant_runs(readings.taken_ns, readings.value, channel.flat_n, channel.max_age_s)
    # Whatever goes on at the end may yet become a run that is long enough.
    longest = max(len(readings) - _longest_run(channel), 0)
    since = slice(max(longest - 1, 0), None)
    last = since.start + last_run(readings.taken_ns[since], readings.value[since], channel.max_age_s)
    open_ns = int(part.taken_ns[max(last, longest)])
    doubted = part.doubted if not runs else part.doubted.copy()
    least = 5 * max(channel.resolution, channel.noise)
    threshold = float(difference_to_canonical(least, channel.unit, channel.quantity)) * MICRO
    for begin, end in runs:
        for i, j in _windows_of_run(part.taken_ns, begin, end, channel.flat_n):
            others = _neighbours(key, parts, setup, zone, slice(part.taken_ns[i], part.taken_ns[j - 1] + 1))
            if any(has_moved(values, threshold) for values in others):
                doubted[i:j] = True
    return replace(part, doubted=doubted, open_run_ns=open_ns)


def _longest_run(channel: Channel) -> int:
    return max(channel.flat_n, int(FLAT_WINDOW_S // channel.interval_s))


def _windows_of_run(taken_ns: Int, begin: int, end: int, least: int) -> list[tuple[int, int]]:
    """Parts of a run in windows of FLAT_WINDOW_S that begin every half window of UTC time.

    The windows hang on the clock, not on the run, so that a record cut anywhere is tested alike;
    parts of fewer than `least` readings prove nothing.
    """
    window, half = FLAT_WINDOW_S * NS, FLAT_WINDOW_S * NS // 2
    first, last = int(taken_ns[begin]) // half - 1, int(taken_ns[end - 1]) // half
    ranges = []
    for k in range(first, last + 1):
        i, j = (int(x) for x in np.searchsorted(taken_ns[begin:end], [k * half, k * half + window]) + begin)
        if j - i >= least:
            ranges.append((i, j))
    return ranges


def _neighbours(key: str, parts: Mapping[str, _Channel], setup: Setup, zone: str, ns: slice) -> list[Float]:
    """Values of [ns.start, ns.stop) of other channels of the same quantity, while they stood in the zone.

    As they were read, so that a new certificate is no movement; none that any test of a reading doubts.
    """
    quantity, values = setup.channels[key].quantity, []
    for other, part in parts.items():
        if other != key and setup.channels[other].quantity == quantity:
            near = slice(*np.searchsorted(part.taken_ns, [ns.start, ns.stop]))
            good = (part.flags[near] == Quality.PASS) & (part.why[near] != Why.CONFLICT) & ~part.doubted[near]
            read = part.value[near][good & _was_in_zone(other, setup, zone, part.taken_ns[near])]
            values.append(np.rint(to_canonical(read, setup.channels[other].unit, quantity) * MICRO))
    return values


def _to_cells(
    zone: str, setup: Setup, parts: Mapping[str, _Channel], grid: Grid, now_ns: int
) -> Iterator[tuple[str, Cells]]:
    """Cells of several channels, reduced at once and cut apart; yields the key with each."""
    near = [_on_grid(part, grid) for part in parts.values()]
    channels = [setup.channels[key] for key in parts]
    cells, why, outside = _reduced(near, channels, grid, now_ns)
    for number, (key, part) in enumerate(parts.items()):
        row_cells = slice(number * grid.n, (number + 1) * grid.n)
        channel_cells = Cells(
            channel=channels[number],
            grid=grid,
            **_arrays(cells, row_cells),
            why=why[row_cells],
            placed=in_zone(key, zone, setup, grid),
            outside=outside[row_cells],
            open_run_from=_open_cell(part, channels[number], grid, now_ns),
        )
        as_read = _as_read(channel_cells, near[number], setup, now_ns)
        yield key, channel_cells if as_read is None else replace(channel_cells, as_read=as_read)


def _reduced(
    near: Sequence[_Channel], channels: Sequence[Channel], grid: Grid, now_ns: int
) -> tuple[ReducedCells, NDArray[np.uint8], Bool]:
    """Cells of k channels, which lie one after the other on a grid k times as long: shape (k·n,).

    With the reason why each supports nothing, and where readings lie outside the range of a certificate.
    """
    taken_ns, doubt = _join(part.taken_ns for part in near), _join(_reasons(part) for part in near)
    index = taken_ns // grid.step_ns - grid.first
    present = _join(part.flags for part in near) < FAIL
    if len(near) > 1:
        index += np.repeat(np.arange(len(near)) * grid.n, [len(part.taken_ns) for part in near])
    why = np.zeros(len(near) * grid.n, np.uint8)
    clear = doubt == EVIDENCE
    good: Bool | slice = slice(None)
    outside = np.zeros(len(why), np.bool_)
    if not (clear & present).all():
        doubtful = present & ~clear
        np.maximum.at(why, index[doubtful], doubt[doubtful])
        good = present & clear
    micro, U = _join(part.micro for part in near), _join(part.U for part in near)
    cells = reduce_to_cells(index[good], taken_ns[good], micro[good], U[good], len(why))
    max_age_ns = np.array([channel.max_age_s for channel in channels]) * NS
    cells = cover_empty_cells(cells, why, grid.n, max_age_ns, now_ns)
    why[~np.isfinite(cells.low) & (why == EVIDENCE)] = Why.NO_READING
    if not isinstance(good, slice):
        beyond = present & _join(part.outside & ~part.doubted for part in near)
        if beyond.any():
            outside[index[beyond]] = True
            visible = good | beyond
            with_outside = reduce_to_cells(
                index[visible], taken_ns[visible], micro[visible], U[visible], len(why)
            )
            cells = _show_outside_range(cells, outside, with_outside)
    return cells, why, outside


def _arrays(cells: ReducedCells, part: slice) -> dict[str, Any]:
    """The arrays of one channel among those of several, as cells name them."""
    same = {name: getattr(cells, name)[part] for name in ("low", "high", "mean", "U", "count")}
    return {f"{name}_ns": getattr(cells, name)[part] for name in ("first", "last", "inside")} | same


def _show_outside_range(cells: ReducedCells, outside: Bool, with_outside: ReducedCells) -> ReducedCells:
    """The cells with values outside the range of a certificate in them; these stay invalid."""
    at = np.flatnonzero(outside)
    values = {name: getattr(with_outside, name)[at] for name in ("low", "high", "mean", "U")}
    return with_values(cells, at, **values)


def _as_read(channel_cells: Cells, part: _Channel, setup: Setup, now_ns: int) -> Cells | None:
    """The cells of a channel with its doubted readings taken as valid; None where none is doubted.

    A reading at no known place is one of them; a single spike that both sides contradict is none.
    """
    grid, channel = channel_cells.grid, channel_cells.channel
    nowhere = without_position(channel.key, setup, grid)
    lost = nowhere.any() and bool((nowhere & (channel_cells.count > 0)).any())
    if not (part.doubted.any() or part.why.any() or lost):
        return None
    included = (part.flags < Quality.FAIL) & ~(part.alone & (part.why == Why.EVIDENCE))
    index, U = part.taken_ns[included] // grid.step_ns - grid.first, np.nan_to_num(part.U[included])
    cells = reduce_to_cells(index, part.taken_ns[included], part.micro[included], U, grid.n)
    why = np.zeros_like(channel_cells.why)
    cells = cover_empty_cells(cells, why, grid.n, np.array([channel.max_age_s]) * NS, now_ns)
    why[~np.isfinite(cells.low)] = Why.NO_READING
    placed, outside = channel_cells.placed | nowhere, np.zeros(grid.n, np.bool_)
    return replace(channel_cells, **_arrays(cells, slice(None)), why=why, placed=placed, outside=outside)


def _on_grid(part: _Channel, grid: Grid) -> _Channel:
    """The readings that fall into a cell of the grid; the arrays are views."""
    ends = np.array([grid.first, grid.first + grid.n]) * grid.step_ns
    begin, end = np.searchsorted(part.taken_ns, ends)
    i = slice(begin, end)
    columns = part.taken_ns[i], part.micro[i], part.U[i], part.why[i], part.flags[i]
    return _Channel(*columns, part.doubted[i], part.value[i], part.outside[i], part.alone[i])


def _reasons(part: _Channel) -> NDArray[np.uint8]:
    """Reason why each reading supports nothing, (n,), the doubts of the tests included."""
    if not part.doubted.any():
        return part.why
    return np.where(part.doubted, np.maximum(part.why, Why.SUSPECT), part.why).astype(np.uint8, copy=False)


def _open_cell(part: _Channel, channel: Channel, grid: Grid, now_ns: int) -> int:
    """The cell in which a run begins that may still go on; the end of the grid without one."""
    edge = grid.first + grid.n
    if part.open_run_ns is None or now_ns - part.taken_ns[-1] > (channel.max_age_s + DELAY_S) * NS:
        return edge
    return min(edge, part.open_run_ns // grid.step_ns)


def _join(arrays: Iterable[NDArray[Any]]) -> NDArray[Any]:
    """Arrays of shape (n,) one after the other; one alone is not copied."""
    listed = list(arrays)
    return listed[0] if len(listed) == 1 else np.concatenate(listed)


def evidence(
    zone: str, setup: Setup, readings: Mapping[str, Readings], grid: Grid, now_ns: int
) -> dict[str, Cells]:
    """Cells of every channel of a zone, with readings or without; keys as in `setup.channels_in(zone)`.

    The readings should reach max_age beyond the grid at both ends, or to the end of the record.
    """
    keys = setup.channels_in(zone)
    ordered = {k: in_order(k, readings[k]) if k in readings else Readings.empty() for k in keys}
    parts = _test_readings(zone, setup, ordered)
    cells: dict[str, Cells] = {}
    for block in in_blocks(keys, grid.n):
        cells |= _to_cells(zone, setup, {k: parts[k] for k in block}, grid, now_ns)
    return cells


def _test_readings(zone: str, setup: Setup, ordered: Mapping[str, Readings]) -> dict[str, _Channel]:
    """Every test of single readings, over the channels of a zone."""
    parts = {k: _test_single_readings(setup.channels[k], setup, ordered[k]) for k in ordered}
    parts = {k: _lift_confirmed_doubts(k, parts, setup, zone) for k in ordered}
    return {k: _flag_stuck(k, parts, setup, ordered[k], zone) for k in ordered}


def qualities(setup: Setup, readings: Mapping[str, Readings]) -> dict[str, NDArray[np.uint8]]:
    """By channel the flag (`Quality`) of each reading, shape (n,), as the judge tests it where it stood.

    readings: of channels of the setup, each ascending. A reading of a probe that stood nowhere has the
    flag that it has alone. What is left open between two values of one instant is no matter of a flag.
    """
    ordered = {key: in_order(key, channel_readings) for key, channel_readings in readings.items()}
    flags_of = {k: _flags(_test_single_readings(setup.channels[k], setup, ordered[k])) for k in ordered}
    for zone in setup.zones:
        keys = [key for key in setup.channels_in(zone) if key in ordered]
        for key, part in _test_readings(zone, setup, {key: ordered[key] for key in keys}).items():
            there = _was_in_zone(key, setup, zone, part.taken_ns)
            flags_of[key][there] = _flags(part)[there]
    return {key: as_given(flags, readings[key]) for key, flags in flags_of.items()}


def _flags(part: _Channel) -> NDArray[np.uint8]:
    suspect = part.doubted & (part.flags < Quality.SUSPECT)
    return np.where(suspect, np.uint8(Quality.SUSPECT), part.flags)
