"""Fewer points for the screen, never fewer extremes; and the verdict trace at the width of the screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.model import REASONS, VERDICT_OF, Period, Reason, Verdict
from logger.series import Float, Int

SCREEN_POINTS = 800
SCREEN_BINS = 1500
MANY_RUNS = 200


@dataclass(frozen=True)
class Run:
    """A stretch of the verdict trace with one reason, as it is drawn."""

    from_ns: int
    to_ns: int
    verdict: Verdict
    reason: Reason
    period: Period


def envelope(
    taken_ns: Int, value: Float, gap_ns: int, n_out: int = SCREEN_POINTS
) -> tuple[list[int], list[float | None]]:
    """Instants and values for a line: minima and maxima of equal shares of each gapless piece.

    taken_ns, value: shape (n,), ascending. Where two neighbours are further apart than `gap_ns`, a None
    between them breaks the line: a gap is drawn as a gap.
    """
    keep = np.isfinite(value)
    taken, kept = taken_ns[keep], value[keep]
    times: list[int] = []
    values: list[float | None] = []
    for piece in np.split(np.arange(len(taken)), np.flatnonzero(np.diff(taken) > gap_ns) + 1):
        if not len(piece):
            continue
        if times:
            times.append(times[-1] + 1_000_000_000)
            values.append(None)
        chosen = piece[_extremes(kept[piece], max(4, n_out * len(piece) // len(taken)))]
        times += taken[chosen].tolist()
        values += np.round(kept[chosen], 4).tolist()
    return times, values


def _extremes(value: Float, n_out: int) -> NDArray[np.int64]:
    """Places of the least and the greatest value of each of n_out/2 shares, with both ends."""
    if len(value) <= n_out:
        return np.arange(len(value))
    import tsdownsample

    thin: Any = tsdownsample.MinMaxDownsampler  # without type information
    chosen = thin().downsample(np.ascontiguousarray(value), n_out=n_out - n_out % 2)
    return np.unique(np.concatenate([[0], chosen.astype(np.int64), [len(value) - 1]]))


def trace(periods: Sequence[Period], from_ns: int, to_ns: int, bins: int = SCREEN_BINS) -> list[Run]:
    """The verdict trace of a window: each bin shows the worst reason in it, equal neighbours become one run.

    The first of REASONS is the worst; so a minute out of limits stays visible on a year. Time without
    a period (before the record, or still to come) has no run.
    """
    if to_ns <= from_ns or not periods:
        return []
    whole = to_ns - from_ns  # whole numbers: a rounded edge would let a bin show its neighbour
    worst = np.full(bins, len(REASONS), np.int64)
    decided = np.full(bins, -1, np.int64)
    for i, period in enumerate(periods):
        first = max((period.from_ns - from_ns) * bins // whole, 0)
        last = min(-(-(period.to_ns - from_ns) * bins // whole), bins)
        if last <= first:
            continue
        rank = REASONS.index(period.reason)
        better = worst[first:last] > rank
        worst[first:last][better] = rank
        decided[first:last][better] = i
    runs = _runs(decided, periods, from_ns, to_ns, whole / bins)
    return runs if len(runs) <= MANY_RUNS else _merged(runs, whole // bins)


def _merged(runs: Sequence[Run], bin_ns: int) -> list[Run]:
    """Neighbours of one reason as one, less than two bins apart: where so many stand, no eye parts them."""
    found: list[Run] = []
    for run in runs:
        last = found[-1] if found else None
        if last is not None and last.reason == run.reason and run.from_ns <= last.to_ns + 2 * bin_ns:
            found[-1] = replace(last, to_ns=max(run.to_ns, last.to_ns))
        else:
            found.append(run)
    return found


def _runs(
    decided: NDArray[np.int64], periods: Sequence[Period], from_ns: int, to_ns: int, width: float
) -> list[Run]:
    edges = np.flatnonzero(np.diff(decided)) + 1
    starts, ends = [0, *edges.tolist()], [*edges.tolist(), len(decided)]
    runs = []
    for start, end in zip(starts, ends, strict=True):
        if decided[start] < 0:
            continue
        period = periods[int(decided[start])]
        left = _edge(start, from_ns, to_ns, width, period.from_ns)
        right = _edge(end, from_ns, to_ns, width, period.to_ns)
        runs.append(Run(left, max(right, left + 1), VERDICT_OF[period.reason], period.reason, period))
    return runs


def _edge(bin_number: int, from_ns: int, to_ns: int, width: float, true_ns: int) -> int:
    """The true end of the period where it lies within one bin of the drawn edge, else that edge."""
    drawn = min(from_ns + int(bin_number * width), to_ns)
    clipped = min(max(true_ns, from_ns), to_ns)
    return clipped if abs(clipped - drawn) <= width else drawn
