"""Temperatures of part and scale over an inspection, as the record has them.

From mastering to the end, on the grid of a judgement. A probe on the part or the scale decides; without
one the air of the zone stands for it, lagged by a time constant where one is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...instants import rfc3339
from ...model import Setup
from ...model.reasons import WHY_TEXT, Why
from ...series import Float
from ...units import MICRO
from ..evidence.cells import Cells
from ..judge.body_temperature import lagged
from ..judge.judgement import Judgement

# How far a body of unknown start may be from the air that was seen, in K; as for declared bodies.
WIDENED_K = 2.0


@dataclass(frozen=True)
class Lag:
    """How a body follows the air: time constant and its standard uncertainty in s; 0: without delay.

    arrived_ns, arrived_C: when it came into the zone, and how warm.
    """

    tau_s: float = 0.0
    u_tau_s: float = 0.0
    arrived_ns: int | None = None
    arrived_C: float | None = None


@dataclass(frozen=True)
class Track:
    """One temperature in degC, shape (n,) from mastering to the end; NaN without evidence.

    mean_C: over the interval itself; u_own_K: standard uncertainty that the other side does not share.
    """

    value: Float
    mean_C: float
    u_own_K: float
    channels: tuple[str, ...]
    how: str  # "measured", "air", "air lagged by 2700 s"


@dataclass(frozen=True)
class Tracks:
    """Part, scale and air from mastering to the end; `at_start_K`: part minus scale at the start."""

    part: Track
    scale: Track
    air: Float
    u_shared_K: float
    span_K: float
    at_start_K: float
    step_s: float
    notices: tuple[str, ...]


@dataclass(frozen=True)
class Interval:
    """What is asked about, in cells of the judgement's grid: mastering, start, end."""

    mastered: int
    begin: int
    end: int


@dataclass(frozen=True)
class _Mean:
    """Mean of several channels per cell; u: of a value; places_K: half the spread of their means."""

    value: Float
    u_K: float
    places_K: float
    channels: tuple[str, ...]


def tracks(
    judgement: Judgement, setup: Setup, interval: tuple[int, int, int], part: Lag, scale: Lag
) -> Tracks | None:
    """Temperatures for [mastered, start, end] in ns; None where the zone has no temperature with a U.

    The judgement begins early enough for a lag to have forgotten its start, or the rest enters u.
    """
    span = _cells(judgement, interval)
    groups = {m: _mean(judgement, setup, m, span) for m in ("part", "scale", "air")}
    air = groups["air"]
    parts = _track(judgement, groups["part"], air, span, part)
    scales = _track(judgement, groups["scale"], air, span, scale)
    if parts is None or scales is None:
        return None
    (p, p_own), (s, s_own) = parts, scales
    both = p.channels == s.channels
    u = max(x.u_K for x in groups.values() if x is not None and x.channels == p.channels) if both else 0.0
    if not (np.isfinite(p.value) & np.isfinite(s.value)).any():
        return None
    shown = slice(span.mastered, span.end)
    seen = air.value[shown] if air is not None else p.value
    return Tracks(
        part=p if both else p_own,
        scale=s if both else s_own,
        air=seen,
        u_shared_K=u,
        span_K=float(np.nanmax(seen) - np.nanmin(seen)) if np.isfinite(seen).any() else 0.0,
        at_start_K=float((p.value - s.value)[max(0, span.begin - span.mastered)]),
        step_s=float(judgement.grid.step_s),
        notices=(
            *_notices(judgement, (p, s), span, part),
            *_at_mastering(judgement, p.value - s.value, interval[0]),
        ),
    )


def _cells(judgement: Judgement, interval: tuple[int, int, int]) -> Interval:
    step_ns, first, n = judgement.grid.step_ns, judgement.grid.first, judgement.grid.n
    mastered, begin, end = interval
    places = (mastered // step_ns - first, begin // step_ns - first, -(-end // step_ns) - first)
    return Interval(*(min(max(place, 0), n) for place in places))


def _mean(judgement: Judgement, setup: Setup, medium: str, span: Interval) -> _Mean | None:
    """All temperatures in a medium that have a value and a U inside the interval."""
    inside = slice(span.begin, span.end)
    found = [
        cells
        for key, cells in sorted(judgement.cells.items())
        if _measures(key, cells, setup, judgement.zone, medium)
        and (np.isfinite(cells.low) & np.isfinite(cells.U) & cells.placed)[inside].any()
    ]
    if not found:
        return None
    middles = np.stack([np.where(c.placed, (c.low + c.high) / 2, np.nan) for c in found]) / MICRO
    known = np.isfinite(middles)
    total = np.where(known, middles, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    each = [float(np.nanmean(m[inside])) for m in middles]
    largest = max(float(np.nanmax(c.U[inside])) for c in found) / MICRO / 2
    return _Mean(
        np.where(count > 0, total / np.maximum(count, 1), np.nan),
        largest,
        (max(each) - min(each)) / 2,
        tuple(c.channel.key for c in found),
    )


def _measures(key: str, cells: Cells, setup: Setup, zone: str, medium: str) -> bool:
    if cells.channel.quantity != "temperature" or key not in setup.channels:
        return False
    places = (setup.positions[p.position] for p in setup.placements_of(key))
    return any(p.zone == zone and p.medium == medium for p in places)


def _track(
    judgement: Judgement, own: _Mean | None, air: _Mean | None, span: Interval, lag: Lag
) -> tuple[Track, Track] | None:
    """A side's track as it is where its probes are shared with the other side, and where they are not."""
    if own is not None:
        return _two(own, own.value, span, "measured", 0.0)
    if air is None:
        return None
    if not lag.tau_s:
        return _two(air, air.value, span, "air", 0.0)
    followed = _followed(judgement, air.value, lag, lag.tau_s)
    slower = _followed(judgement, air.value, lag, lag.tau_s + lag.u_tau_s) if lag.u_tau_s else followed
    inside = slice(span.begin, span.end)
    model = abs(float(np.nanmean(slower[inside]) - np.nanmean(followed[inside])))
    model = float(np.hypot(model, _start(judgement, air.value, span, lag)))
    return _two(air, followed, span, f"air lagged by {lag.tau_s:g} s", model)


def _two(mean: _Mean, value: Float, span: Interval, how: str, model_K: float) -> tuple[Track, Track]:
    inside = value[span.begin : span.end]
    at = float(np.nanmean(inside)) if np.isfinite(inside).any() else np.nan
    # Where exactly part and scale stand among the probes is not known: even between the extremes.
    apart = float(np.hypot(mean.places_K / 3**0.5, model_K))
    whole = float(np.hypot(apart, mean.u_K))
    shown = value[span.mastered : span.end]
    return tuple(Track(shown, at, u, mean.channels, how) for u in (apart, whole))  # type: ignore[return-value]


def _followed(judgement: Judgement, air: Float, lag: Lag, tau_s: float) -> Float:
    """The body on the whole grid; before the air is first seen, NaN. A gap keeps the air of before it."""
    seen = np.flatnonzero(np.isfinite(air))
    body = np.full(len(air), np.nan)
    begin, start = int(seen[0]), float(air[seen[0]])
    if lag.arrived_ns is not None and lag.arrived_C is not None:
        arrived = lag.arrived_ns // judgement.grid.step_ns - judgement.grid.first
        if begin <= arrived < len(air):
            begin, start = arrived, lag.arrived_C
    place = np.zeros(len(air), np.int64)
    place[seen] = seen
    held = air[np.maximum.accumulate(place)]
    held[: seen[0]] = air[seen[0]]
    after = lagged(held[begin:], start, judgement.grid.step_s / tau_s)
    # A cell's reading stands for its middle, and so does the body: between the cell's two ends.
    body[begin:] = (after + np.concatenate([[start], after[:-1]])) / 2
    return body


def _start(judgement: Judgement, air: Float, span: Interval, lag: Lag) -> float:
    """What is left of not knowing how warm the body was when the air was first seen; standard, in K."""
    seen = np.flatnonzero(np.isfinite(air))
    if lag.arrived_ns is not None:
        # What came in before the air was first seen has followed an air that nobody knows.
        arrived = lag.arrived_ns // judgement.grid.step_ns - judgement.grid.first
        if arrived >= seen[0]:
            return 0.0
    before = air[seen[0] : span.begin + 1]
    spread = float(np.nanmax(before) - np.nanmin(before)) + WIDENED_K if len(before) else WIDENED_K
    gone_s = max(0, span.begin - int(seen[0])) * judgement.grid.step_s
    return spread * float(np.exp(-gone_s / lag.tau_s)) / 3**0.5


def _at_mastering(judgement: Judgement, difference: Float, mastered_ns: int) -> list[str]:
    """Drift counts from mastering: where nothing is known of that time, the drift is not."""
    before = mastered_ns // judgement.grid.step_ns < judgement.grid.first
    if not before and np.isfinite(difference[:1]).all():
        return []
    return [f"no temperature is known at mastering, {rfc3339(mastered_ns)}: drift since then is not shown"]


def _notices(judgement: Judgement, both: Sequence[Track], span: Interval, part: Lag) -> list[str]:
    found = []
    for name, track in zip(("part", "scale"), both, strict=True):
        if track.how == "air":
            found.append(f"{name}: no probe on it and no time constant: taken as warm as the air")
    inside = slice(span.mastered, span.end)
    for key in dict.fromkeys(key for track in both for key in track.channels):
        cells = judgement.cells[key]
        short = cells.why[inside]
        if short.any():
            why = WHY_TEXT[Why(int(short.max()))]
            found.append(f"{key}: {why} in {(short > 0).mean():.0%} of the time: what follows is not shown")
    if part.arrived_C is not None and both[0].how == "measured":
        found.append("part: a probe on it decides; arrival time and temperature were not needed")
    return found
