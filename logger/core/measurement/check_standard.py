"""Sensitivity of a machine from repeated measurements of one artefact: µm per K of the room, and its lag.

    y = a + s·T_lag + e        T_lag: the air's temperature through one time constant

s by least squares (JCGM 100, H.3), the time constant by the smallest scatter; uncertainties from the
scatter with Student's t (JCGM 100, G.3), that of the time constant from the growth of the scatter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ...errors import Refused
from ...series import Float

LEAST_POINTS = 8
# Student's t for 95.45 %, two-sided, by degrees of freedom (JCGM 100, table G.2); between them the larger.
_T95 = (
    *((1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (6, 2.52), (8, 2.37)),
    *((10, 2.28), (15, 2.18), (20, 2.13), (30, 2.09), (50, 2.05)),
)
# Candidate time constants in s: none, and from 5 min to 24 h in steps of 7 %.
CANDIDATE_LAGS_S = (0.0, *np.geomspace(300.0, 86_400.0, 85).tolist())


@dataclass(frozen=True)
class RoomSensitivity:
    """µm per K with U (k = 2, or by Student's t); lag in s with its bounds, None: no upper bound.

    scatter_um: standard deviation about the fit; span_K: of the temperatures during the measurements.
    """

    um_per_K: float
    U_um_per_K: float
    lag_s: float
    lag_low_s: float
    lag_high_s: float | None
    scatter_um: float
    points: int
    span_K: float


def fit_sensitivity(
    time_s: Sequence[float], deviation_um: Sequence[float], air: Callable[[float], Float]
) -> RoomSensitivity:
    """Fit the measured deviations; `air(tau_s)` gives the lagged temperature at each of the times, (n,)."""
    y = np.asarray(deviation_um, np.float64)
    if len(y) < LEAST_POINTS or len(y) != len(time_s):
        raise Refused(f"check standard: expected at least {LEAST_POINTS} measurements, found {len(y)}.")
    lines = [_line(air(tau), y) for tau in CANDIDATE_LAGS_S]
    squares = np.array([line[2] for line in lines])
    if not np.isfinite(squares).any():
        raise Refused("check standard: the temperature was constant: no sensitivity can be derived.")
    best = int(np.nanargmin(squares))
    slope, u, least = lines[best]
    n = len(y)
    # Within these bounds the scatter is no larger than the best one's allows (F for one parameter: t²).
    t = student(n - 3)
    candidates = np.flatnonzero(squares <= least * (1 + t**2 / (n - 3)))
    # Values between two candidates are not excluded.
    candidates = np.arange(max(candidates[0] - 1, 0), min(candidates[-1] + 2, len(CANDIDATE_LAGS_S)))
    candidates = candidates[np.isfinite(squares[candidates])]
    # An uncertain lag adds to the uncertainty of the slope from the scatter alone.
    spread = float(np.ptp([lines[int(i)][0] for i in candidates])) / 2
    unbounded = candidates[-1] == len(CANDIDATE_LAGS_S) - 1
    temperatures = air(0.0)
    return RoomSensitivity(
        um_per_K=slope,
        U_um_per_K=float(np.hypot(t * u, spread)),
        lag_s=CANDIDATE_LAGS_S[best],
        lag_low_s=CANDIDATE_LAGS_S[int(candidates[0])],
        lag_high_s=None if unbounded else CANDIDATE_LAGS_S[int(candidates[-1])],
        scatter_um=float(np.sqrt(least / (n - 3))),
        points=n,
        span_K=float(np.ptp(temperatures)),
    )


def _line(T: Float, y: Float) -> tuple[float, float, float]:
    """Slope, its standard uncertainty and the sum of squares about the line; NaN where T does not vary."""
    x = T - T.mean()
    size = float(x @ x)
    if not np.isfinite(size) or size < 1e-9:
        return np.nan, np.nan, np.nan
    slope = float(x @ y) / size
    rest = y - y.mean() - slope * x
    squares = float(rest @ rest)
    return slope, float(np.sqrt(squares / (len(y) - 3) / size)), squares


def student(freedom: int) -> float:
    """Student's t for 95 % at some degrees of freedom, rounded up to the table.

    >>> student(5), student(7), student(1000)
    (2.65, 2.52, 2.05)
    """
    return next((t for f, t in reversed(_T95) if f <= freedom), _T95[0][1])
