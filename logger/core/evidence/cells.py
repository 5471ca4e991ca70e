"""From the readings of a zone's channels to the cells of the grid on which rules are judged.

All values here are whole micro-units held in float64 (exact up to 2^53), NaN where there is
none: sums and comparisons are those of integers, and no machine differs in a last bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...errors import Refused
from ...instants import NS
from ...model import Channel, Quality, Setup
from ...model.reasons import Why
from ...series import Bool, Float, Int, Readings, find_conflicts, first_occurrences, without_repeats
from ...units import MICRO, difference_to_canonical, to_canonical
from ..calibration.apply import correct_readings
from .quality import constant_runs, gross_range, last_run, moved, possible_span, spikes, stays
from .reduction import Reduced, cover, in_blocks, reduced

# A run of identical values is compared with its neighbours in pieces of at most this length.
FLAT_WINDOW_S = 6 * 3600
# So long after a run could last have gone on, a reading that continues it may still arrive in order.
DELAY_S = 3600


@dataclass(frozen=True)
class Grid:
    """Cells first … first + n − 1 of `step_s` seconds; cell c covers [c·step, (c + 1)·step) since 1970."""

    first: int
    n: int
    step_s: int

    @property
    def step_ns(self) -> int:
        return self.step_s * NS

    def start_ns(self) -> Int:
        """Start of each cell, shape (n,)."""
        return (self.first + np.arange(self.n, dtype=np.int64)) * self.step_ns

    def part(self, cells: slice) -> Grid:
        """The cells of a slice, which may reach beyond the end."""
        begin, end, _ = cells.indices(self.n)
        return Grid(self.first + begin, max(0, end - begin), self.step_s)

    def clip(self, from_ns: int, to_ns: int | None) -> slice:
        """Cells that start in [from, to)."""
        begin = -(-from_ns // self.step_ns) - self.first
        end = self.n if to_ns is None else -(-to_ns // self.step_ns) - self.first
        return slice(min(max(begin, 0), self.n), min(max(end, 0), self.n))


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
    """Readings of one channel with all that is known of each, before the grid.

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


def _in_order(key: str, readings: Readings) -> Readings:
    """Ascending, each reading once: what came by two ways would make half a record count as a whole one."""
    if (readings.taken_ns[1:] < readings.taken_ns[:-1]).any():
        raise Refused(f"Readings of {key} are not in order of time; sort them before they are judged.")
    return without_repeats(readings)


def _reading_level(channel: Channel, setup: Setup, readings: Readings) -> _Channel:
    flags = gross_range(readings.value, possible_span(channel), channel.user_span)
    done = correct_readings(channel, setup.certificates_of(channel.key), readings.taken_ns, readings.value)
    why = done.why
    outside, conflict = why == Why.OUTSIDE_RANGE, find_conflicts(readings)
    if conflict.any():
        why = np.where(conflict, np.maximum(why, Why.CONFLICT), why).astype(np.uint8)
        outside &= ~conflict
    micro, U = np.rint(done.value * MICRO), np.rint(done.U * MICRO)
    doubted = spikes(channel, readings.taken_ns, readings.value, flags)
    nowhere = np.zeros(len(doubted), np.bool_)
    return _Channel(readings.taken_ns, micro, U, why, flags, doubted, readings.value, outside, nowhere)


def _confirmed(key: str, parts: Mapping[str, _Channel], setup: Setup, zone: str) -> _Channel:
    """Lift the doubt of the spike test where the next two readings, or a probe beside it, confirm a value."""
    own, channel = parts[key], setup.channels[key]
    if not own.doubted.any():
        return own
    usable = np.flatnonzero(own.flags < Quality.FAIL)
    pick: Int | slice = slice(None) if len(usable) == len(own.flags) else usable
    known = own.taken_ns[pick], own.micro[pick], own.U[pick]
    # Each with the two that follow it: the others need no confirmation.
    at = stays(*known, channel.max_age_s, np.flatnonzero(own.doubted[pick]))
    doubted = own.doubted.copy()
    doubted[usable[at]] = False
    for other in parts:
        at = np.flatnonzero(doubted)
        if not len(at):
            break
        if other != key and setup.channels[other].quantity == channel.quantity:
            at = at[_same_medium(key, other, setup, zone, own.taken_ns[at])]
            doubted[at] = ~_beside(own, at, parts[other], setup.channels[other].max_age_s)
    return replace(own, doubted=doubted, alone=_alone(own, doubted, usable))


def _alone(own: _Channel, doubted: Bool, usable: Int) -> Bool:
    """Single departures: an undoubted reading on either side differs from them by more than their U."""
    alone = np.zeros(len(doubted), np.bool_)
    place = np.flatnonzero(doubted[usable])
    place = place[(place > 0) & (place + 1 < len(usable))]
    at, before, after = usable[place], usable[place - 1], usable[place + 1]
    U = np.nan_to_num(own.U[at])
    apart = [np.abs(own.micro[side] - own.micro[at]) > U for side in (before, after)]
    alone[at] = apart[0] & apart[1] & ~doubted[before] & ~doubted[after]
    return alone


def _same_medium(one: str, other: str, setup: Setup, zone: str, taken_ns: Int) -> Bool:
    """Where, of these instants, two probes stood in one medium of the zone."""
    media = {p.medium for p in setup.positions.values() if p.zone == zone}
    each = ([_stood(key, setup, zone, taken_ns, m) for key in (one, other)] for m in media)
    return np.asarray(np.logical_or.reduce([a & b for a, b in each]))


def _stood(channel: str, setup: Setup, zone: str, taken_ns: Int, medium: str = "") -> Bool:
    """Where, of these instants, the probe of a channel stood in the zone; if a medium is named, in that."""
    there = np.zeros(len(taken_ns), np.bool_)
    for place in setup.placements_of(channel):
        position = setup.positions.get(place.position)
        if position is None or position.zone != zone or medium not in ("", position.medium):
            continue
        there |= (taken_ns >= place.from_ns) & ((place.to_ns is None) | (taken_ns < (place.to_ns or 0)))
    return there


def _beside(own: _Channel, at: Int, other: _Channel, max_age_s: float) -> Bool:
    """Where, of the places `at`, the other probe's reading before or after agrees within both U.

    Each may vouch for the other, though both be in doubt: two probes do not err alike.
    """
    held = np.zeros(len(at), np.bool_)
    if not len(other.taken_ns):
        return held
    after = np.searchsorted(other.taken_ns, own.taken_ns[at], side="right")
    for place in (after - 1, after):
        there = (place >= 0) & (place < len(other.taken_ns))
        o = np.clip(place, 0, len(other.taken_ns) - 1)
        near = np.abs(own.taken_ns[at] - other.taken_ns[o]) <= max_age_s * NS
        agree = np.abs(own.micro[at] - other.micro[o]) <= np.hypot(own.U[at], other.U[o])
        good = (other.flags[o] == Quality.PASS) & (other.why[o] == Why.EVIDENCE)
        held |= there & near & agree & good
    return held


def _flag_stuck(
    key: str, parts: Mapping[str, _Channel], setup: Setup, readings: Readings, zone: str
) -> _Channel:
    """Doubt runs of identical values during which another probe of the zone and quantity moved."""
    channel, own = setup.channels[key], parts[key]
    if channel.flat_n <= 1 or not len(readings):
        return own
    runs = constant_runs(readings.taken_ns, readings.value, channel.flat_n, channel.max_age_s)
    # Whatever goes on at the end may yet become a run that is long enough.
    longest = max(len(readings) - _longest(channel), 0)
    since = slice(max(longest - 1, 0), None)
    last = since.start + last_run(readings.taken_ns[since], readings.value[since], channel.max_age_s)
    open_ns = int(own.taken_ns[max(last, longest)])
    doubted = own.doubted if not runs else own.doubted.copy()
    least = 5 * max(channel.resolution, channel.noise)
    threshold = float(difference_to_canonical(least, channel.unit, channel.quantity)) * MICRO
    for begin, end in runs:
        for i, j in _pieces(own.taken_ns, begin, end, channel.flat_n):
            others = _neighbours(key, parts, setup, zone, slice(own.taken_ns[i], own.taken_ns[j - 1] + 1))
            if any(moved(values, threshold) for values in others):
                doubted[i:j] = True
    return replace(own, doubted=doubted, open_run_ns=open_ns)


def _longest(channel: Channel) -> int:
    return max(channel.flat_n, int(FLAT_WINDOW_S // channel.interval_s))


def _pieces(taken_ns: Int, begin: int, end: int, least: int) -> list[tuple[int, int]]:
    """Parts of a run in windows of FLAT_WINDOW_S that begin every half window of UTC time.

    The windows hang on the clock, not on the run, so that a record cut anywhere is tested alike;
    parts of fewer than `least` readings prove nothing.
    """
    window, half = FLAT_WINDOW_S * NS, FLAT_WINDOW_S * NS // 2
    first, last = int(taken_ns[begin]) // half - 1, int(taken_ns[end - 1]) // half
    pieces = []
    for k in range(first, last + 1):
        i, j = (int(x) for x in np.searchsorted(taken_ns[begin:end], [k * half, k * half + window]) + begin)
        if j - i >= least:
            pieces.append((i, j))
    return pieces


def _neighbours(key: str, parts: Mapping[str, _Channel], setup: Setup, zone: str, ns: slice) -> list[Float]:
    """Values of [ns.start, ns.stop) of other channels of the same quantity, while they stood in the zone.

    As they were read, so that a new certificate is no movement; none that any test of a reading doubts.
    """
    quantity, values = setup.channels[key].quantity, []
    for other, part in parts.items():
        if other != key and setup.channels[other].quantity == quantity:
            near = slice(*np.searchsorted(part.taken_ns, [ns.start, ns.stop]))
            good = (part.flags[near] == Quality.PASS) & (part.why[near] != Why.CONFLICT) & ~part.doubted[near]
            read = part.value[near][good & _stood(other, setup, zone, part.taken_ns[near])]
            values.append(np.rint(to_canonical(read, setup.channels[other].unit, quantity) * MICRO))
    return values


def _placed(channel: str, zone: str, setup: Setup, grid: Grid) -> Bool:
    placed = np.zeros(grid.n, np.bool_)
    for place in setup.placements_of(channel):
        position = setup.positions.get(place.position)
        if position is not None and position.zone == zone:
            placed[grid.clip(place.from_ns, place.to_ns)] = True
    return placed


def _nowhere(channel: str, setup: Setup, grid: Grid) -> Bool:
    """Cells in which the probe of a channel stood at no position of any zone."""
    nowhere = np.ones(grid.n, np.bool_)
    for place in setup.placements_of(channel):
        nowhere[grid.clip(place.from_ns, place.to_ns)] = False
    return nowhere


def _gridded(
    zone: str, setup: Setup, parts: Mapping[str, _Channel], grid: Grid, now_ns: int
) -> Iterator[tuple[str, Cells]]:
    """Cells of several channels at once, which lie one after the other on a grid k times as long."""
    near = [_within(part, grid) for part in parts.values()]
    row = np.repeat(np.arange(len(parts)), [len(part.taken_ns) for part in near])
    taken, doubt = _flat(part.taken_ns for part in near), _flat(_doubt(part) for part in near)
    index, present = taken // grid.step_ns - grid.first, _flat(part.flags for part in near) < Quality.FAIL
    if len(parts) > 1:
        index += row * grid.n
    why = np.zeros(len(parts) * grid.n, np.uint8)
    clear = doubt == Why.EVIDENCE
    good: Bool | slice = slice(None)
    outside = np.zeros(len(why), np.bool_)
    if not (clear & present).all():
        doubtful = present & ~clear
        np.maximum.at(why, index[doubtful], doubt[doubtful])
        good = present & clear
    micro, U = _flat(part.micro for part in near), _flat(part.U for part in near)
    cells = reduced(index[good], taken[good], micro[good], U[good], len(why))
    channels = [setup.channels[key] for key in parts]
    cover(cells, why, grid.n, np.array([channel.max_age_s for channel in channels]) * NS, now_ns)
    why[~np.isfinite(cells.low) & (why == Why.EVIDENCE)] = Why.NO_READING
    if not isinstance(good, slice):
        beyond = present & _flat(part.outside & ~part.doubted for part in near)
        if beyond.any():
            outside[index[beyond]] = True
            seen = good | beyond
            _see(cells, outside, reduced(index[seen], taken[seen], micro[seen], U[seen], len(why)))
    for number, (key, part) in enumerate(parts.items()):
        own = slice(number * grid.n, (number + 1) * grid.n)
        made = Cells(
            channel=channels[number],
            grid=grid,
            **_arrays(cells, own),
            why=why[own],
            placed=_placed(key, zone, setup, grid),
            outside=outside[own],
            open_run_from=_open_cell(part, channels[number], grid, now_ns),
        )
        yield key, replace(made, as_read=_as_read(made, near[number], setup, now_ns))


def _arrays(cells: Reduced, own: slice) -> dict[str, Any]:
    """The arrays of one channel among those of several, as cells name them."""
    same = {name: getattr(cells, name)[own] for name in ("low", "high", "mean", "U", "count")}
    return {f"{name}_ns": getattr(cells, name)[own] for name in ("first", "last", "inside")} | same


def _see(cells: Reduced, outside: Bool, every: Reduced) -> None:
    """Let cells with a reading outside its certificate's range show it; it is valid in none of them."""
    for name in ("low", "high", "mean", "U"):
        getattr(cells, name)[outside] = getattr(every, name)[outside]


def _as_read(made: Cells, part: _Channel, setup: Setup, now_ns: int) -> Cells | None:
    """The cells of a channel if its doubted readings are taken as they stand; None where none is doubted.

    A reading at no known place is one of them; a single spike that both sides contradict is none.
    """
    grid, channel = made.grid, made.channel
    nowhere = _nowhere(channel.key, setup, grid)
    lost = nowhere.any() and bool((nowhere & (made.count > 0)).any())
    if not (part.doubted.any() or part.why.any() or lost):
        return None
    taken_so = (part.flags < Quality.FAIL) & ~(part.alone & (part.why == Why.EVIDENCE))
    index, U = part.taken_ns[taken_so] // grid.step_ns - grid.first, np.nan_to_num(part.U[taken_so])
    cells = reduced(index, part.taken_ns[taken_so], part.micro[taken_so], U, grid.n)
    why = np.zeros_like(made.why)
    cover(cells, why, grid.n, np.array([channel.max_age_s]) * NS, now_ns)
    why[~np.isfinite(cells.low)] = Why.NO_READING
    placed, outside = made.placed | nowhere, np.zeros(grid.n, np.bool_)
    return replace(made, **_arrays(cells, slice(None)), why=why, placed=placed, outside=outside)


def _within(part: _Channel, grid: Grid) -> _Channel:
    """The readings that fall into a cell of the grid; the arrays are views."""
    ends = np.array([grid.first, grid.first + grid.n]) * grid.step_ns
    begin, end = np.searchsorted(part.taken_ns, ends)
    i = slice(begin, end)
    own = part.taken_ns[i], part.micro[i], part.U[i], part.why[i], part.flags[i]
    return _Channel(*own, part.doubted[i], part.value[i], part.outside[i], part.alone[i])


def _doubt(part: _Channel) -> NDArray[np.uint8]:
    """Why each reading supports nothing, the doubts of the tests among the reasons."""
    return np.where(part.doubted, np.maximum(part.why, Why.SUSPECT), part.why).astype(np.uint8, copy=False)


def _open_cell(part: _Channel, channel: Channel, grid: Grid, now_ns: int) -> int:
    """The cell in which a run begins that may still go on; the end of the grid without one."""
    edge = grid.first + grid.n
    if part.open_run_ns is None or now_ns - part.taken_ns[-1] > (channel.max_age_s + DELAY_S) * NS:
        return edge
    return min(edge, part.open_run_ns // grid.step_ns)


def _flat(arrays: Iterable[NDArray[Any]]) -> NDArray[Any]:
    """Arrays of shape (n,) one after the other; one alone is not copied."""
    each = list(arrays)
    return each[0] if len(each) == 1 else np.concatenate(each)


def evidence(
    zone: str, setup: Setup, readings: Mapping[str, Readings], grid: Grid, now_ns: int
) -> dict[str, Cells]:
    """Cells of every channel of a zone, with readings or without; keys as in `setup.channels_in(zone)`.

    The readings should reach max_age beyond the grid at both ends, or to the end of the record.
    """
    keys = setup.channels_in(zone)
    known = {k: _in_order(k, readings[k]) if k in readings else Readings.empty() for k in keys}
    parts = _tested(zone, setup, known)
    cells: dict[str, Cells] = {}
    for some in in_blocks(keys, grid.n):
        cells |= _gridded(zone, setup, {k: parts[k] for k in some}, grid, now_ns)
    return cells


def _tested(zone: str, setup: Setup, known: Mapping[str, Readings]) -> dict[str, _Channel]:
    """Every test of single readings, over the channels of a zone."""
    parts = {k: _reading_level(setup.channels[k], setup, known[k]) for k in known}
    parts = {k: _confirmed(k, parts, setup, zone) for k in known}
    return {k: _flag_stuck(k, parts, setup, known[k], zone) for k in known}


def qualities(setup: Setup, readings: Mapping[str, Readings]) -> dict[str, NDArray[np.uint8]]:
    """By channel the flag (`Quality`) of each reading, shape (n,), as the judge tests it where it stood.

    readings: of channels of the setup, each ascending. A reading of a probe that stood nowhere has the
    flag that it has alone. What is left open between two values of one instant is no matter of a flag.
    """
    first = {key: first_occurrences(some) for key, some in readings.items()}
    known = {key: _in_order(key, some) for key, some in readings.items()}
    found = {k: _flags(_reading_level(setup.channels[k], setup, known[k])) for k in known}
    for zone in setup.zones:
        there = [key for key in setup.channels_in(zone) if key in known]
        for key, part in _tested(zone, setup, {key: known[key] for key in there}).items():
            stood = _stood(key, setup, zone, part.taken_ns)
            found[key][stood] = _flags(part)[stood]
    return {key: flags[np.cumsum(first[key]) - 1] for key, flags in found.items()}


def _flags(part: _Channel) -> NDArray[np.uint8]:
    suspect = part.doubted & (part.flags < Quality.SUSPECT)
    return np.where(suspect, np.uint8(Quality.SUSPECT), part.flags)
