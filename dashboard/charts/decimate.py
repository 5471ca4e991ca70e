"""Fewer points for the screen, never fewer extremes; and the verdict trace at the width of the screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.core.judge.trace import Run, exact_runs, runs_in_columns
from logger.model import Period
from logger.series import Float, Int

SCREEN_POINTS = 800
SCREEN_BINS = 1500
EXACT_RUNS = 400


def envelope(
    taken_ns: Int, value: Float, gap_ns: int, n_out: int = SCREEN_POINTS
) -> tuple[list[int], list[float | None]]:
    """Instants and values for a line: minima and maxima of equal shares of each gapless piece.

    taken_ns, value: shape (n,), ascending. Where two neighbours are further apart than `gap_ns`, a None
    between them breaks the line: a gap is drawn as a gap.
    """
    keep = np.isfinite(value)
    finite_ns, finite = taken_ns[keep], value[keep]
    times: list[int] = []
    values: list[float | None] = []
    for piece in np.split(np.arange(len(finite_ns)), np.flatnonzero(np.diff(finite_ns) > gap_ns) + 1):
        if not len(piece):
            continue
        if times:
            times.append(times[-1] + 1_000_000_000)
            values.append(None)
        chosen = piece[_extremes(finite[piece], max(4, n_out * len(piece) // len(finite_ns)))]
        times += finite_ns[chosen].tolist()
        values += np.round(finite[chosen], 4).tolist()
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
    """The verdict trace of a window: every period while they are few, else the worst of each bin.

    What is narrower than a pixel is joined in the browser (assets/columns.js), which knows the width.
    """
    if len(periods) <= EXACT_RUNS:
        return exact_runs(periods, from_ns, to_ns)
    return runs_in_columns(periods, from_ns, to_ns, bins)
