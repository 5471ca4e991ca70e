"""Probes against their neighbours: which one departs while the others agree, at once or over weeks.

A departure is a fault of the probe until the others move too: its cells are suspect and support
neither side, so that it is told as "T2 disagrees" and never as "the room is out". At least three
probes of one medium are needed to say which; cells are whole micro-units.

The test looks back and ahead by WINDOW_S, no further.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import bottleneck as bn
import numpy as np

from .calibration import Why
from .evidence import Cells
from .model import Setup
from .series import Bool, Float
from .units import MICRO

WINDOW_S = 15 * 60
# In so much of a window a probe must depart, and the others agree, before it is doubted.
SHARE = 0.8


def groups(zone: str, setup: Setup) -> list[tuple[str, ...]]:
    """Temperature channels of a zone that stand in one medium, where there are three or more."""
    by_medium: dict[str, list[str]] = {}
    for key in setup.channels_in(zone):
        places = (setup.positions[p.position] for p in setup.placements_of(key))
        media = {p.medium for p in places if p.zone == zone}
        if setup.channels[key].quantity == "temperature" and len(media) == 1:
            by_medium.setdefault(media.pop(), []).append(key)
    return [tuple(keys) for keys in by_medium.values() if len(keys) >= 3]


def departing(means: Sequence[Float], agree: float, width: int) -> list[Bool]:
    """For each probe the cells in which it disagrees; means of shape (n,), NaN where none, micro-units.

    A probe departs in a cell when it is further than `agree` from the median of the others while
    those spread by no more than that; it disagrees in every cell of a window of `width` cells in
    which it departs in SHARE of them.
    """
    stack = np.stack(means)
    found = []
    for i in range(len(stack)):
        others = np.delete(stack, i, axis=0)
        enough = np.isfinite(others).sum(axis=0) >= 2
        low = np.where(np.isfinite(others), others, np.inf).min(axis=0)
        high = np.where(np.isfinite(others), others, -np.inf).max(axis=0)
        middle = bn.nanmedian(np.where(enough, others, 0.0), axis=0)
        departs = enough & (high - low <= agree) & (np.abs(stack[i] - middle) > agree)
        found.append(_over_windows(departs, width))
    return found


def _over_windows(departs: Bool, width: int) -> Bool:
    """Cells that lie in some window of which SHARE departs."""
    if len(departs) < width or not departs.any():
        return np.zeros(len(departs), np.bool_)
    total = np.concatenate([[0], np.cumsum(departs)])
    full = total[width:] - total[:-width] >= SHARE * width  # window i covers cells i … i + width − 1
    edges = np.zeros(len(departs) + 1, np.int64)
    begins = np.flatnonzero(full)
    np.add.at(edges, begins, 1)
    np.add.at(edges, begins + width, -1)
    return np.asarray(np.cumsum(edges[:-1]) > 0)


def doubted(zone: str, setup: Setup, cells: Mapping[str, Cells]) -> dict[str, Cells]:
    """The cells with those of disagreeing probes taken out, as suspect."""
    agree_K = setup.zone(zone).agree_K
    result = dict(cells)
    if agree_K is None:
        return result
    for keys in groups(zone, setup):
        means = [np.where(cells[k].placed, cells[k].mean, np.nan) for k in keys]
        width = WINDOW_S // cells[keys[0]].grid.step_s
        for key, flags in zip(keys, departing(means, agree_K * MICRO, width), strict=True):
            if flags.any():
                result[key] = _without(cells[key], flags)
    return result


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
    def found(self) -> bool:
        """Whether it is more than its own uncertainty."""
        return abs(self.K_per_week) > self.U_K_per_week


def drift(day: Float, departure_K: Float) -> Drift | None:
    """Least-squares drift of the daily mean departure of a probe from its group; None under 7 days.

    day: (n,) ascending day numbers; departure_K: (n,) daily means, NaN left out. Days are correlated,
    because a room has its weeks: the scatter counts with the effective number n·(1 − r)/(1 + r) of
    a first-order autocorrelation r (Bayley & Hammersley 1946).
    """
    known = np.isfinite(departure_K)
    t, y = day[known] / 7.0, departure_K[known]
    if len(t) < 7:
        return None
    slope, level = np.polyfit(t - t.mean(), y, 1)
    rest = y - level - slope * (t - t.mean())
    variance = float(rest @ rest) / (len(t) - 2)
    r = float(np.clip((rest[1:] @ rest[:-1]) / max(rest @ rest, 1e-30), 0.0, 0.95))
    u = np.sqrt(variance / ((t - t.mean()) ** 2).sum() * (1 + r) / (1 - r))
    return Drift(float(slope), 2 * float(u))
