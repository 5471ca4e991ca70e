"""Computed temperatures of declared bodies: dT/dt = (T_air − T)/τ, cell by cell, with what is not known.

A body whose temperature is known has one track. At the start of a record, after a silence, and after doubted
readings that might have been out, it has two: from the coldest and from the hottest credible start (air of
the last 7 days, doubted readings as they stand, widened by 2 K). Both obey the same equation, so everything
in between stays in between. A third track with τ + u(τ) shows what the uncertainty of the time constant does:

    U² = (2·(T(τ + u) − T(τ)))² + U_air²

A body is settled when all its credible temperatures lie within its limits by U. At each UTC
midnight the state is rounded to whole micro-units, so that every day can be judged from there
alone. Temperatures are in micro-degC.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ...model import Setup, ThermalBody, Zone
from ...model.reasons import Why
from ...series import Bool, Float, Int
from ...units import MICRO
from ..evidence.cells import EVIDENCE, Cells
from ..evidence.grid import Grid
from ..evidence.places import in_media, media_of
from .silence import Countdown, Silence, Silences, from_pairs

DAYS_REMEMBERED = 7
WIDENED_MICRO = 2 * MICRO
DAY_S = 86_400


@dataclass(frozen=True)
class BodyTrack:
    """Credible temperatures of one body at the start of a cell, in whole micro-degC."""

    low: int
    high: int
    slow: int


@dataclass(frozen=True)
class AirMemory:
    """The air of one body before a cell: its last value, and (day, coldest, hottest) of the last days.

    silences, unknown_s: as of a state of bodies, of this air alone; lost: the track does not go on, and
    begins anew with the next air.
    """

    last: int | None = None
    silences: Silences = ()
    days: tuple[tuple[int, int, int], ...] = ()
    lost: bool = False
    unknown_s: int = 0


@dataclass(frozen=True)
class TrackState:
    """All bodies of a zone at the start of a cell, and the air of each.

    A body whose air was never seen has no track: None, whatever is known of the others; `tracks` empty:
    none is known yet.
    """

    tracks: tuple[BodyTrack | None, ...] = ()
    airs: tuple[AirMemory, ...] = ()

    def track(self, body: int) -> BodyTrack | None:
        """The track of a body by its place; None where it is not known."""
        return self.tracks[body] if body < len(self.tracks) else None

    def air(self, body: int) -> AirMemory:
        """The air of a body by its place; of one that was not followed before: nothing."""
        return self.airs[body] if body < len(self.airs) else AirMemory()

    @staticmethod
    def from_dict(body: Mapping[str, object] | None) -> TrackState:
        """From what `dataclasses.asdict` made of it and JSON kept."""
        if not body:
            return TrackState()
        tracks: list[dict[str, int] | None] = body["tracks"]  # type: ignore[assignment]
        airs: list[dict[str, object]] = body.get("airs", [])  # type: ignore[assignment]
        return TrackState(_tracks(BodyTrack(**t) if t else None for t in tracks), tuple(map(_air, airs)))


def _tracks(tracks: Iterable[BodyTrack | None]) -> tuple[BodyTrack | None, ...]:
    """Tracks by body; empty where none is known."""
    of_bodies = tuple(tracks)
    return of_bodies if any(of_bodies) else ()


def _air(body: Mapping[str, object]) -> AirMemory:
    """From what JSON kept."""
    days: list[list[int]] = body["days"]  # type: ignore[assignment]
    silences: list[list[int]] = body.get("silences", [])  # type: ignore[assignment]
    of_days = tuple((d, a, b) for d, a, b in days)
    rest: tuple[bool, int] = bool(body.get("lost")), int(str(body.get("unknown_s", 0)))
    return AirMemory(body["last"], from_pairs(silences), of_days, *rest)  # type: ignore[arg-type]


@dataclass(frozen=True)
class BodyFlags:
    """Per cell, shape (n,): a body is out of its limits for sure, or may be; which; states.

    lost: a body may be out, and the settling time has not passed since its air was lost.
    """

    out: Bool
    doubtful: Bool
    lost: Bool
    body: NDArray[np.int16]
    states: dict[int, TrackState]


@dataclass(frozen=True)
class BodyAir:
    """What a body follows; arrays of shape (n,), NaN where nothing was read.

    value: mean of the middles of its channels' cells, with the largest U; has_evidence: some channel gives
    evidence; low, high: what may have been, doubted readings as they stand; troubled: as of
    `bodies.Exposure`.
    """

    value: Float
    U: Float
    has_evidence: Bool
    low: Float
    high: Float
    troubled: Bool


def air_of_body(
    zone: Zone, body: ThermalBody, cells: Mapping[str, Cells], setup: Setup, troubled: Bool
) -> BodyAir:
    """The air that a body follows: of named channels wherever in the zone, else of all while in its air."""
    keys = body.channels or tuple(
        key for key in setup.channels_in(zone.key) if _is_air_temperature(key, zone.key, setup)
    )
    if not keys:
        nothing = np.full(next(iter(cells.values())).grid.n if cells else 0, np.nan)
        return BodyAir(nothing, nothing, np.isfinite(nothing), nothing, nothing, troubled)
    there = [cells[k].placed if body.channels else _in_air(cells[k], zone.key, setup) for k in keys]
    air, U, evidence = _mean_air([cells[k] for k in keys], there)
    low = high = air
    for cell, placed in zip((cells[k] for k in keys), there, strict=True):
        if cell.as_read is not None:
            # A probe whose place is not known may have stood here.
            doubted = (placed & (cell.why > Why.NO_READING)) | (cell.as_read.placed & ~cell.placed)
            low = np.fmin(low, np.where(doubted, cell.as_read.low, np.nan))
            high = np.fmax(high, np.where(doubted, cell.as_read.high, np.nan))
    return BodyAir(air, U, evidence & np.isfinite(air), low, high, troubled)


def _mean_air(cells: Sequence[Cells], there: Sequence[Bool]) -> tuple[Float, Float, Bool]:
    """Mean of the middles of channels while they are there, largest U, and whether any gives evidence; (n,).

    Channel by channel: all of a zone side by side would be too large for a processor's cache.
    """
    n = cells[0].grid.n
    total, most, evidence = np.zeros(n), np.zeros(n), np.zeros(n, np.bool_)
    count: Int | int = 0
    for cell, here in zip(cells, there, strict=True):
        middle, U = 0.5 * (cell.low + cell.high), cell.U
        has_value = np.isfinite(middle) & here
        if not has_value.all():
            middle, U, count = (
                np.where(has_value, middle, 0.0),
                np.where(has_value, U, 0.0),
                count + has_value,
            )
        else:
            count = count + 1
        total += middle
        np.fmax(most, U, out=most)  # an unknown U is none
        evidence |= (cell.why == EVIDENCE) & here
    mean = total / np.maximum(count, 1)
    return np.rint(np.where(np.greater(count, 0), mean, np.nan)), most, evidence


def _is_air_temperature(key: str, zone: str, setup: Setup) -> bool:
    return setup.channels[key].quantity == "temperature" and "air" in media_of(key, zone, setup)


def _in_air(cells: Cells, zone: str, setup: Setup) -> Bool:
    """The cells in which a channel stands in the air of a zone."""
    return in_media(cells.channel.key, zone, ("air",), setup, cells.grid)


def follow_bodies(
    zone: Zone, state: TrackState, air: list[BodyAir], grid: Grid, before_cells: Iterable[int]
) -> BodyFlags:
    """Run all bodies of a zone over the grid, each in its air."""
    n = grid.n
    out, doubtful, lost = (np.zeros(n, np.bool_) for _ in range(3))
    which = np.full(n, -1, np.int16)
    state_cells = {w for w in before_cells if 0 <= w <= n} | {n}
    states: dict[int, list[BodyTrack | None]] = {w: [] for w in state_cells}
    airs: dict[int, list[AirMemory]] = {w: [] for w in state_cells}
    for number, body in enumerate(zone.bodies):
        run = _Run(zone, body, grid, state.air(number), air[number])
        tracks, memories = run.over(state.track(number), state_cells)
        for w in state_cells:
            states[w].append(tracks[w])
            airs[w].append(memories[w])
        worse = run.out & ~out
        which[worse | (run.doubtful & ~out & ~doubtful)] = number
        out |= run.out
        doubtful |= run.doubtful
        lost |= run.doubtful & run.unknown.runs
    return BodyFlags(
        out, doubtful & ~out, lost & ~out, which,
        {w: TrackState(_tracks(states[w]), tuple(airs[w])) for w in state_cells},
    )  # fmt: skip


class _Run:
    """One body over one grid."""

    def __init__(self, zone: Zone, body: ThermalBody, grid: Grid, memory: AirMemory, air: BodyAir) -> None:
        self.zone, self.body, self.grid, self.memory, self.air = zone, body, grid, memory, air
        self.out = np.zeros(grid.n, np.bool_)
        self.doubtful = np.zeros(grid.n, np.bool_)
        within_s = zone.settling_s or zone.body_gap_s + grid.step_s
        self.silence = Silence(within_s, zone.body_gap_s, grid.step_s, ~air.has_evidence, memory.silences)
        self.lost = self.silence.lost() | air.troubled
        settling_s = zone.settling_s
        self.unknown = Countdown(memory.unknown_s, settling_s, air.has_evidence, self.lost, grid.step_s)

    def over(
        self, start: BodyTrack | None, state_cells: set[int]
    ) -> tuple[dict[int, BodyTrack | None], dict[int, AirMemory]]:
        """Flags into `out` and `doubtful`; the track and the air's memory before each of `state_cells`."""
        tracks: dict[int, BodyTrack | None] = {}
        memories: dict[int, AirMemory] = {}
        per_day = DAY_S // self.grid.step_s
        edges = sorted(
            {0, self.grid.n, *state_cells, *range(-self.grid.first % per_day, self.grid.n, per_day)}
        )
        track, memory = start, self.memory
        for begin, end in zip(edges, [*edges[1:], self.grid.n], strict=True):
            if begin in state_cells:
                tracks[begin] = track
                rest = self.silence.before(begin), self.unknown.before(begin)
                memories[begin] = replace(memory, silences=rest[0], unknown_s=rest[1])
            if end > begin:
                track, memory = self._piece(track, memory, slice(begin, end))
        return tracks, memories

    def _piece(
        self, track: BodyTrack | None, memory: AirMemory, part: slice
    ) -> tuple[BodyTrack | None, AirMemory]:
        """Cells of at most one UTC day, in stretches between the losses that leave the body unknown."""
        values, step_s = self.air.value[part], self.grid.step_s
        low_air, high_air = self.air.low[part], self.air.high[part]
        day = (self.grid.first + part.start) // (DAY_S // step_s)
        with_value = np.flatnonzero(np.isfinite(values))
        was_lost = memory.lost or track is None
        starts, lost = self._restarts(part, was_lost)
        air = _last_known(values, with_value, memory.last)
        low, high, slow = (np.full(len(values), np.nan) for _ in range(3))
        begins = starts if track is None or starts[:1] == [0] else [0, *starts]
        for begin, end in pairwise([*begins, len(values)]):
            if begin in starts:
                memory = _with_air(memory, day, low_air[: begin + 1], high_air[: begin + 1])
                track = _credible(memory)
            assert track is not None  # noqa: S101 - a stretch begins known, or with a restart
            cells, tau_s = slice(begin, end), self.body.tau_s
            low[cells] = lag_response(air[cells], float(track.low), step_s / tau_s)
            if track.high == track.low:  # as soon as what was not known at first has died away
                high[cells] = low[cells]
            else:
                high[cells] = lag_response(air[cells], float(track.high), step_s / tau_s)
            slow[cells] = lag_response(air[cells], float(track.slow), step_s / (tau_s + self.body.u_tau_s))
            track = BodyTrack(*(int(np.rint(x[end - 1])) for x in (low, high, slow)))
        if was_lost or lost or starts:
            low[self._lost_cells(part, starts, was_lost)] = np.nan  # the track of before says nothing of it
        self._flag(low, high, slow, self.air.U[part], part)
        memory = _with_air(memory, day, low_air, high_air)
        return track, replace(memory, last=_int_or_none(air[-1]), lost=lost)

    def _restarts(self, part: slice, lost: bool) -> tuple[list[int], bool]:
        """Cells of a part at which the air is seen again after a loss; whether a loss lasts at its end.

        `lost`: whether one lasts at its begin.
        """
        broken = self.lost[part]
        if not (lost or broken.any()):
            return [], False
        with_evidence = np.flatnonzero(self.air.has_evidence[part] & ~broken)
        count = np.cumsum(broken)
        before = np.concatenate([[-1 if lost else 0], count[with_evidence]])
        return [int(cell) for cell in with_evidence[np.diff(before) > 0]], bool(count[-1] > before[-1])

    def _lost_cells(self, part: slice, starts: Sequence[int], was_lost: bool) -> Bool:
        """Cells of a part from a loss on until the air is seen again, shape (n,)."""
        place = np.arange(1, part.stop - part.start + 1)
        begun = np.full(len(place), -1)
        begun[starts] = place[starts]
        newest_loss = np.maximum.accumulate(np.where(self.lost[part], place, 0 if was_lost else -1))
        return np.asarray(newest_loss > np.maximum.accumulate(begun))

    def _flag(self, low: Float, high: Float, slow: Float, U_air: Float, part: slice) -> None:
        U = np.rint(np.hypot(2 * (slow - (low + high) / 2), U_air))
        lowest, highest = self.body.lower * MICRO + U, self.body.upper * MICRO - U
        all_within = (low >= lowest) & (high <= highest)
        some_within = (high >= lowest) & (low <= highest) & (lowest <= highest)
        has_track = np.isfinite(low)
        self.out[part] = has_track & ~some_within
        self.doubtful[part] = ~has_track | (some_within & ~all_within)


def lag_response(air: Float, start: float, x: float) -> Float:
    """T after each cell of T' = (air − T)/τ, air held over the cell, from `start`; x = step/τ.

    T[i] − start = (1 − d)·d^i·Σ_j (air[j] − start)·d^−j with d = exp(−x), summed in order, so that
    what comes later changes nothing before it; in blocks, so that d^−j stays a number.

    >>> lag_response(np.full(3, 22.0), 20.0, np.log(2)).tolist()
    [21.0, 21.5, 21.75]
    """
    body, block = np.empty(len(air)), max(1, int(200 / x))
    for begin in range(0, len(air), block):
        above = air[begin : begin + block] - start
        growth = np.exp(x * np.arange(len(above)))
        body[begin : begin + block] = start - np.expm1(-x) * np.cumsum(above * growth) / growth
        start = float(body[min(begin + block, len(air)) - 1])
    return body


def _last_known(values: Float, with_value: NDArray[np.int64], last: int | None) -> Float:
    """The newest air known in each cell; NaN before the first."""
    place = np.zeros(len(values), np.int64)
    place[with_value] = with_value + 1
    place = np.maximum.accumulate(place)
    before = np.nan if last is None else float(last)
    return np.where(place > 0, values[place - 1], before)


def _int_or_none(value: float) -> int | None:
    return int(value) if np.isfinite(value) else None


def _with_air(memory: AirMemory, day: int, low: Float, high: Float) -> AirMemory:
    """The memory with the day's extremes widened by what was seen; days too old are forgotten."""
    has_value = np.isfinite(low)
    if not has_value.any():
        return memory
    coldest, hottest = int(low[has_value].min()), int(high[has_value].max())
    days = {d: (a, b) for d, a, b in memory.days if d > day - DAYS_REMEMBERED}
    a, b = days.get(day, (coldest, hottest))
    days[day] = (min(a, coldest), max(b, hottest))
    return replace(memory, days=tuple((d, a, b) for d, (a, b) in sorted(days.items())))


def _credible(memory: AirMemory) -> BodyTrack:
    """Coldest and hottest start that the air of the last days allows, widened."""
    coldest = min(a for _, a, _ in memory.days) - WIDENED_MICRO
    hottest = max(b for _, _, b in memory.days) + WIDENED_MICRO
    return BodyTrack(coldest, hottest, (coldest + hottest) // 2)
