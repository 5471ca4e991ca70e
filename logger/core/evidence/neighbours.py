"""Probes against their neighbours: which one departs while the others agree, at once or over weeks.

A departure is a fault of the probe until the others move too: its cells are suspect and support neither
side: it is reported as "T2 disagrees", never as "the room is out". Of three probes of one medium or
more it is known which; of two that differ neither can be believed. Cells are whole micro-units.

Each probe stands with its newest reading that is not older than its max_age, whenever the others are read.
Humidity is compared by dew point, since air that is only warmer has another relative humidity. The test looks
back and ahead by `window_s`, no further.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import bottleneck as bn
import numpy as np

from ...instants import NS
from ...model import Setup
from ...model.reasons import Why
from ...series import Bool, Float
from ...units import MICRO
from ..physics.humidity import dew_point
from .cells import Cells
from .places import in_media, media_of

WINDOW_S = 15 * 60
INTERVALS = 5  # the least of a window
# In four fifths of a window a probe must depart, and the others agree, before it is doubted.
SHARE = (4, 5)


def window_s(setup: Setup, zone: str) -> int:
    """The longest window in which probes of a zone are compared, in s."""
    of = ("temperature", "relative_humidity")
    intervals_s = [
        c.interval_s for c in map(setup.channels.__getitem__, setup.channels_in(zone)) if c.quantity in of
    ]
    return max([WINDOW_S, *(int(INTERVALS * interval_s) for interval_s in intervals_s)])


def is_tested(setup: Setup, zone: str) -> bool:
    """Whether probes of a zone are compared with each other."""
    return setup.zone(zone).agree_K is not None or setup.zone(zone).agree_dew_point_K is not None


@dataclass(frozen=True)
class NeighbourGroup:
    """Channels that are held against each other while their probes stand in one medium of a zone."""

    medium: str
    channels: tuple[str, ...]


def groups(zone: str, setup: Setup) -> list[NeighbourGroup]:
    """Temperature channels that ever stand in one medium of a zone, where there are two or more."""
    return _by_medium(zone, setup, [k for k in setup.channels_in(zone) if _is(setup, k, "temperature")])


def humid_groups(zone: str, setup: Setup) -> list[NeighbourGroup]:
    """Groups of relative humidity channels of one medium, of probes with one temperature of their own."""
    return _by_medium(zone, setup, [k for k in setup.channels_in(zone) if temperature_beside(setup, k)])


def temperature_beside(setup: Setup, channel: str) -> str | None:
    """The temperature that a relative humidity is measured with; None for other channels, and without one."""
    if not _is(setup, channel, "relative_humidity"):
        return None
    inputs = setup.inputs_of(f"{setup.channels[channel].probe}.dew_point")
    return inputs[0] if channel in inputs else None


def _is(setup: Setup, channel: str, quantity: str) -> bool:
    return setup.channels[channel].quantity == quantity


def _by_medium(zone: str, setup: Setup, channels: Sequence[str]) -> list[NeighbourGroup]:
    by_medium: dict[str, list[str]] = {}
    for key in channels:
        for medium in sorted(media_of(key, zone, setup)):
            by_medium.setdefault(medium, []).append(key)
    return [NeighbourGroup(medium, tuple(keys)) for medium, keys in by_medium.items() if len(keys) >= 2]


def disagreement_flags(values: Sequence[Float], agree: float, width: int) -> list[Bool]:
    """For each probe the cells in which it disagrees; values of shape (n,), NaN where none, micro-units.

    A probe departs in a cell when it is further than `agree` from the median of the others while those spread
    by no more than that. It disagrees from a cell on in which it departs, up to the last one within `width`
    cells in which it does, when it departs in SHARE of those of them that can be compared.
    """
    stack = np.stack(values)
    flags = []
    for i in range(len(stack)):
        others = np.delete(stack, i, axis=0)
        enough = np.isfinite(others).any(axis=0)
        low = np.where(np.isfinite(others), others, np.inf).min(axis=0)
        high = np.where(np.isfinite(others), others, -np.inf).max(axis=0)
        middle = bn.nanmedian(np.where(enough, others, 0.0), axis=0)
        comparable = enough & np.isfinite(stack[i])
        departs = comparable & (high - low <= agree) & (np.abs(stack[i] - middle) > agree)
        flags.append(_disagreement_runs(departs, comparable, width))
    return flags


def _disagreement_runs(departs: Bool, comparable: Bool, width: int) -> Bool:
    """Cells from one that departs on, up to the last that does within a width of which SHARE departs."""
    begins = np.flatnonzero(departs)
    if not len(begins):
        return np.zeros(len(departs), np.bool_)
    ends = np.minimum(begins + width, len(departs))
    apart, compared = (np.concatenate([[0], np.cumsum(flags)]) for flags in (departs, comparable))
    few, many = SHARE
    full = many * (apart[ends] - apart[begins]) >= few * (compared[ends] - compared[begins])
    last = begins[np.searchsorted(begins, ends) - 1]
    edges = np.zeros(len(departs) + 1, np.int64)
    np.add.at(edges, begins[full], 1)
    np.add.at(edges, last[full] + 1, -1)
    return np.asarray(np.cumsum(edges[:-1]) > 0)


def exclude_disagreeing(zone: str, setup: Setup, cells: Mapping[str, Cells]) -> dict[str, Cells]:
    """The cells by channel, those of disagreeing probes marked as suspect."""
    flags_of: dict[str, Bool] = {}
    for keys, values, agree in _compared_groups(zone, setup, cells):
        longest_s = max(setup.channels[key].interval_s for key in keys)
        width = -(-max(WINDOW_S, int(INTERVALS * longest_s)) // cells[keys[0]].grid.step_s)
        for key, flags in zip(keys, disagreement_flags(values, agree * MICRO, width), strict=True):
            if flags.any():
                flags_of[key] = flags | flags_of[key] if key in flags_of else flags
    marked = {key: _without(cells[key], _with_covered(cells[key], flags)) for key, flags in flags_of.items()}
    return {**cells, **marked}


def _compared_groups(
    zone: str, setup: Setup, cells: Mapping[str, Cells]
) -> Iterator[tuple[tuple[str, ...], list[Float], float]]:
    """Channels that are held against each other, their values in micro-units, and how far they may differ."""
    agree_K, dew_K = setup.zone(zone).agree_K, setup.zone(zone).agree_dew_point_K
    if agree_K is not None:
        for group in groups(zone, setup):
            values = {key: _newest_values(cells[key]) for key in group.channels}
            yield group.channels, _in_medium(group, values, zone, setup, cells), agree_K
    if dew_K is not None:
        for group in humid_groups(zone, setup):
            values = {key: _dew_point(cells[_temperature(setup, key)], cells[key]) for key in group.channels}
            yield group.channels, _in_medium(group, values, zone, setup, cells), dew_K


def _temperature(setup: Setup, humidity: str) -> str:
    """The temperature beside a humidity of a group, which has one."""
    return temperature_beside(setup, humidity) or ""


def _in_medium(
    group: NeighbourGroup, values: Mapping[str, Float], zone: str, setup: Setup, cells: Mapping[str, Cells]
) -> list[Float]:
    """The values while each probe stands in the group's medium, NaN elsewhere."""
    there = (in_media(key, zone, (group.medium,), setup, cells[key].grid) for key in values)
    return [np.where(here, value, np.nan) for here, value in zip(there, values.values(), strict=True)]


def _newest(cells: Cells) -> Any:
    """The place of the newest cell with readings up to each, −1 before the first."""
    return np.maximum.accumulate(np.where(cells.count > 0, np.arange(cells.grid.n), -1))


def _newest_values(cells: Cells) -> Float:
    """In each cell the mean of the newest cell with readings that are not older than max_age; else NaN."""
    newest = _newest(cells)
    age_ns = cells.grid.start_ns() + cells.grid.step_ns - cells.last_ns[newest]
    young = (newest >= 0) & (age_ns <= cells.channel.max_age_s * NS) & cells.placed
    return np.asarray(np.where(young, cells.mean[newest], np.nan), np.float64)


def _dew_point(temperature: Cells, humidity: Cells) -> Float:
    """The dew point that a probe shows, in micro-units."""
    t_C, rh_pct = _newest_values(temperature) / MICRO, _newest_values(humidity) / MICRO
    return np.asarray(np.rint(dew_point(t_C, np.minimum(rh_pct, 100.0)) * MICRO), np.float64)


def _with_covered(cells: Cells, flags: Bool) -> Bool:
    """With the empty cells before and after: a doubted reading covers none."""
    before, after = _newest(cells), len(flags) - 1 - _newest_reversed(cells)
    beside_one = (before >= 0) & flags[before]
    beside_one |= (after < len(flags)) & flags[np.minimum(after, len(flags) - 1)]
    covered = (cells.count == 0) & np.isfinite(cells.low) & ~cells.outside
    return np.asarray(flags | (covered & beside_one))


def _newest_reversed(cells: Cells) -> Any:
    return np.maximum.accumulate(np.where(cells.count[::-1] > 0, np.arange(cells.grid.n), -1))[::-1]


def _without(cells: Cells, flags: Bool) -> Cells:
    values = {"low": cells.low, "high": cells.high, "mean": cells.mean}
    empty: dict[str, Any] = {name: np.where(flags, np.nan, value) for name, value in values.items()}
    count = np.where(flags, 0, cells.count)
    why = np.where(flags, np.maximum(cells.why, Why.DISAGREES), cells.why).astype(np.uint8)
    return replace(cells, **empty, count=count, why=why, as_read=cells.as_read or replace(cells))


@dataclass(frozen=True)
class Drift:
    """Drift of one probe against its group: K per week with its expanded uncertainty (k = 2)."""

    K_per_week: float
    U_K_per_week: float

    @property
    def is_proven(self) -> bool:
        """Whether it is more than its own uncertainty."""
        return abs(self.K_per_week) > self.U_K_per_week


def drift(day: Float, departure_K: Float) -> Drift | None:
    """Least-squares drift of the daily mean departure of a probe from its group; None under 7 days.

    day: (n,) ascending day numbers; departure_K: (n,) daily means, NaN left out. Days are correlated,
    because a room has its weeks: the scatter counts with the effective number n·(1 − r)/(1 + r) of
    a first-order autocorrelation r (Bayley & Hammersley 1946).
    """
    with_value = np.isfinite(departure_K)
    t, y = day[with_value] / 7.0, departure_K[with_value]
    if len(t) < 7:
        return None
    slope, level = np.polyfit(t - t.mean(), y, 1)
    rest = y - level - slope * (t - t.mean())
    variance = float(rest @ rest) / (len(t) - 2)
    r = float(np.clip((rest[1:] @ rest[:-1]) / max(rest @ rest, 1e-30), 0.0, 0.95))
    u = np.sqrt(variance / ((t - t.mean()) ** 2).sum() * (1 + r) / (1 - r))
    return Drift(float(slope), 2 * float(u))
