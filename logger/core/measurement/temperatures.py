"""Temperatures of part and scale over an inspection, from the stored readings.

From mastering to the end, on the grid of a judgement. A probe on the part or the scale decides; without
one the air of the zone is used, lagged by a time constant where there is one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...instants import rfc3339
from ...model import Setup
from ...model.figures import percent
from ...model.reasons import WHY_TEXT, Why
from ...series import Float
from ...units import MICRO
from ..evidence.cells import Cells
from ..judge.body_temperature import lag_response
from ..judge.judgement import Judgement

# How far a body of unknown initial temperature may be from the first air value, in K; as for declared bodies.
WIDENED_K = 2.0


@dataclass(frozen=True)
class Lag:
    """Lag of a body behind the air: time constant and its standard uncertainty in s; 0: without delay.

    arrived_ns, arrived_C: arrival in the zone, and temperature then.
    """

    tau_s: float = 0.0
    u_tau_s: float = 0.0
    arrived_ns: int | None = None
    arrived_C: float | None = None


@dataclass(frozen=True)
class SideTemperature:
    """One temperature in degC, shape (n,) from mastering to the end; NaN without evidence.

    mean_C: over the interval itself; u_own_K: standard uncertainty that the other side does not share.
    """

    value: Float
    mean_C: float
    u_own_K: float
    channels: tuple[str, ...]
    how: str  # "measured", "air", "air lagged by 2700 s"


@dataclass(frozen=True)
class Temperatures:
    """Part, scale and air from mastering to the end; `at_start_K`: part minus scale at the start."""

    part: SideTemperature
    scale: SideTemperature
    air: Float
    u_shared_K: float
    span_K: float
    at_start_K: float
    step_s: float
    notices: tuple[str, ...]


@dataclass(frozen=True)
class InspectionCells:
    """Interval of an inspection in cells of the judgement's grid: mastering, start, end."""

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


def part_and_scale(
    judgement: Judgement, setup: Setup, interval: tuple[int, int, int], part: Lag, scale: Lag
) -> Temperatures | None:
    """Temperatures for [mastered, start, end] in ns; None where the zone has no temperature with a U.

    The judgement begins so early that the initial temperature no longer matters, or the rest enters u.
    """
    span = _cells(judgement, interval)
    # A body that follows the air remembers all of it; what is measured counts where the inspection ran.
    follows = part.tau_s or scale.tau_s
    wide = slice(0, judgement.grid.n) if follows else slice(min(span.mastered, span.begin), span.end)
    by_medium = _channels_by_medium(judgement, setup, slice(span.begin, span.end))
    groups = {m: _mean(by_medium.get(m, ()), span, wide) for m in ("part", "scale", "air")}
    air = groups["air"]
    parts = _side(judgement, groups["part"], air, span, part)
    scales = _side(judgement, groups["scale"], air, span, scale)
    if parts is None or scales is None:
        return None
    (p, p_own), (s, s_own) = parts, scales
    same_probes = p.channels == s.channels
    u = (
        max(x.u_K for x in groups.values() if x is not None and x.channels == p.channels)
        if same_probes
        else 0.0
    )
    if not (np.isfinite(p.value) & np.isfinite(s.value)).any():
        return None
    recorded = slice(span.mastered, span.end)
    air_values = air.value[recorded] if air is not None else p.value
    return Temperatures(
        part=p if same_probes else p_own,
        scale=s if same_probes else s_own,
        air=air_values,
        u_shared_K=u,
        span_K=float(np.nanmax(air_values) - np.nanmin(air_values)) if np.isfinite(air_values).any() else 0.0,
        at_start_K=float((p.value - s.value)[max(0, span.begin - span.mastered)]),
        step_s=float(judgement.grid.step_s),
        notices=(
            *_notices(judgement, (p, s), span, part),
            *_at_mastering(judgement, p.value - s.value, interval[0]),
        ),
    )


def _cells(judgement: Judgement, interval: tuple[int, int, int]) -> InspectionCells:
    step_ns, first, n = judgement.grid.step_ns, judgement.grid.first, judgement.grid.n
    mastered, begin, end = interval
    places = (mastered // step_ns - first, begin // step_ns - first, -(-end // step_ns) - first)
    return InspectionCells(*(min(max(place, 0), n) for place in places))


def _channels_by_medium(judgement: Judgement, setup: Setup, inside: slice) -> dict[str, list[Cells]]:
    """By medium in which they stood in the zone: temperatures that have a value and a U inside."""
    by_medium: dict[str, list[Cells]] = {}
    for key, cells in sorted(judgement.cells.items()):
        media = _media(key, cells, setup, judgement.zone)
        if media and _has_value(cells, inside):
            for medium in media:
                by_medium.setdefault(medium, []).append(cells)
    return by_medium


def _mean(channels: Sequence[Cells], span: InspectionCells, wide: slice) -> _Mean | None:
    """The mean of channels per cell, NaN outside the cells of `wide`; None without a channel."""
    if not channels:
        return None
    inside = slice(span.begin - wide.start, span.end - wide.start)
    placed = [np.where(c.placed[wide], (c.low[wide] + c.high[wide]) / 2, np.nan) for c in channels]
    middles = np.stack(placed) / MICRO
    has_value = np.isfinite(middles)
    total = np.where(has_value, middles, 0.0).sum(axis=0)
    count = has_value.sum(axis=0)
    means = np.nanmean(middles[:, inside], axis=1).tolist()
    largest = max(float(np.nanmax(c.U[span.begin : span.end])) for c in channels) / MICRO / 2
    value = np.full(channels[0].grid.n, np.nan)
    value[wide] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return _Mean(
        value,
        largest,
        (max(means) - min(means)) / 2,
        tuple(c.channel.key for c in channels),
    )


def _has_value(cells: Cells, inside: slice) -> bool:
    valid = np.isfinite(cells.low[inside]) & np.isfinite(cells.U[inside]) & cells.placed[inside]
    return bool(valid.any())


def _media(key: str, cells: Cells, setup: Setup, zone: str) -> set[str]:
    """What the probe of a temperature ever stood in, in a zone."""
    if cells.channel.quantity != "temperature" or key not in setup.channels:
        return set()
    places = (setup.positions[p.position] for p in setup.placements_of(key))
    return {p.medium for p in places if p.zone == zone}


def _side(
    judgement: Judgement, on_side: _Mean | None, air: _Mean | None, span: InspectionCells, lag: Lag
) -> tuple[SideTemperature, SideTemperature] | None:
    """Temperature of a side, once with probes shared with the other side, once without."""
    if on_side is not None:
        return _side_temperatures(on_side, on_side.value, span, "measured", 0.0)
    if air is None:
        return None
    if not lag.tau_s:
        return _side_temperatures(air, air.value, span, "air", 0.0)
    lagged_C = _lagged_air(judgement, air.value, lag, lag.tau_s)
    slower = _lagged_air(judgement, air.value, lag, lag.tau_s + lag.u_tau_s) if lag.u_tau_s else lagged_C
    inside = slice(span.begin, span.end)
    model = abs(float(np.nanmean(slower[inside]) - np.nanmean(lagged_C[inside])))
    model = float(np.hypot(model, _start(judgement, air.value, span, lag)))
    return _side_temperatures(air, lagged_C, span, f"air lagged by {lag.tau_s:g} s", model)


def _side_temperatures(
    mean: _Mean, value: Float, span: InspectionCells, how: str, model_K: float
) -> tuple[SideTemperature, SideTemperature]:
    inside = value[span.begin : span.end]
    at = float(np.nanmean(inside)) if np.isfinite(inside).any() else np.nan
    # The position of part and scale among the probes is unknown: evenly distributed between the extremes.
    without_shared = float(np.hypot(mean.places_K / 3**0.5, model_K))
    with_shared = float(np.hypot(without_shared, mean.u_K))
    recorded = value[span.mastered : span.end]
    return tuple(SideTemperature(recorded, at, u, mean.channels, how) for u in (without_shared, with_shared))  # type: ignore[return-value]


def _lagged_air(judgement: Judgement, air: Float, lag: Lag, tau_s: float) -> Float:
    """Body temperature in degC, (n,); NaN before the first air value. A gap keeps the air value before it."""
    with_value = np.flatnonzero(np.isfinite(air))
    body = np.full(len(air), np.nan)
    begin, start = int(with_value[0]), float(air[with_value[0]])
    if lag.arrived_ns is not None and lag.arrived_C is not None:
        arrived = lag.arrived_ns // judgement.grid.step_ns - judgement.grid.first
        if begin <= arrived < len(air):
            begin, start = arrived, lag.arrived_C
    place = np.zeros(len(air), np.int64)
    place[with_value] = with_value
    filled = air[np.maximum.accumulate(place)]
    filled[: with_value[0]] = air[with_value[0]]
    after = lag_response(filled[begin:], start, judgement.grid.step_s / tau_s)
    # A cell's reading is that of its middle, and so is the body's: the mean of the cell's two ends.
    body[begin:] = (after + np.concatenate([[start], after[:-1]])) / 2
    return body


def _start(judgement: Judgement, air: Float, span: InspectionCells, lag: Lag) -> float:
    """Standard uncertainty in K that remains of the unknown initial temperature of the body."""
    with_value = np.flatnonzero(np.isfinite(air))
    if lag.arrived_ns is not None:
        # A part that arrived before the first air value has followed unknown air.
        arrived = lag.arrived_ns // judgement.grid.step_ns - judgement.grid.first
        if arrived >= with_value[0]:
            return 0.0
    before = air[with_value[0] : span.begin + 1]
    spread = float(np.nanmax(before) - np.nanmin(before)) + WIDENED_K if len(before) else WIDENED_K
    elapsed_s = max(0, span.begin - int(with_value[0])) * judgement.grid.step_s
    return spread * float(np.exp(-elapsed_s / lag.tau_s)) / 3**0.5


def _at_mastering(judgement: Judgement, difference: Float, mastered_ns: int) -> list[str]:
    """Drift counts from mastering: without a temperature then, it is unknown."""
    before = mastered_ns // judgement.grid.step_ns < judgement.grid.first
    if not before and np.isfinite(difference[:1]).all():
        return []
    return [f"no temperature is known at mastering, {rfc3339(mastered_ns)}: drift since then is not shown"]


def _notices(
    judgement: Judgement, sides: Sequence[SideTemperature], span: InspectionCells, part: Lag
) -> list[str]:
    notices = []
    for name, track in zip(("part", "scale"), sides, strict=True):
        if track.how == "air":
            notices.append(f"{name}: no probe and no time constant; assumed to be at air temperature")
    inside = slice(span.mastered, span.end)
    for key in dict.fromkeys(key for track in sides for key in track.channels):
        cells = judgement.cells[key]
        short = cells.why[inside]
        if short.any():
            why = WHY_TEXT[Why(int(short.max()))]
            notices.append(
                f"{key}: {why} in {percent((short > 0).mean(), 0)} of the time: what follows is not shown"
            )
    if part.arrived_C is not None and sides[0].how == "measured":
        notices.append("part: a probe on it decides; arrival time and temperature were not needed")
    return notices
