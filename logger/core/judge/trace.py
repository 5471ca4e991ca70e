"""The verdict trace as it is drawn: a column that holds several periods shows the worst of them.

The first of REASONS is the worst. So a minute out of limits stays visible on a year, and never stands
beside a *stable* of the same column. Time without a period (before the data begin, or still to come) has no
run. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...model import REASONS, VERDICT_OF, Period, Reason, Verdict
from ...series import Int


@dataclass(frozen=True)
class Run:
    """A stretch of the verdict trace with one reason, as it is drawn."""

    from_ns: int
    to_ns: int
    verdict: Verdict
    reason: Reason
    period: Period


def exact_runs(periods: Sequence[Period], from_ns: int, to_ns: int) -> list[Run]:
    """Each period as it is, as far as it lies in the window."""
    clipped = ((max(p.from_ns, from_ns), min(p.to_ns, to_ns), p) for p in periods)
    return [Run(a, b, VERDICT_OF[p.reason], p.reason, p) for a, b, p in clipped if a < b]


def runs_in_columns(periods: Sequence[Period], from_ns: int, to_ns: int, columns: int) -> list[Run]:
    """The worst in each of so many equal columns of the window; equal neighbours are one run."""
    if to_ns <= from_ns or not periods:
        return []
    whole = to_ns - from_ns  # whole numbers: a rounded edge would let a column show its neighbour
    worst = np.full(columns, len(REASONS), np.int64)
    decided = np.full(columns, -1, np.int64)
    for i, period in enumerate(periods):
        first = max((period.from_ns - from_ns) * columns // whole, 0)
        last = min(-(-(period.to_ns - from_ns) * columns // whole), columns)
        if last <= first:
            continue
        rank = REASONS.index(period.reason)
        better = worst[first:last] > rank
        worst[first:last][better] = rank
        decided[first:last][better] = i
    return _join_rows(worst, decided, periods, from_ns, whole)


def _join_rows(worst: Int, decided: Int, periods: Sequence[Period], from_ns: int, whole_ns: int) -> list[Run]:
    n = len(worst)
    edges = (np.flatnonzero(np.diff(worst)) + 1).tolist()
    joined = []
    for start, end in zip([0, *edges], [*edges, n], strict=True):
        if decided[start] >= 0:
            period = periods[int(decided[start])]
            begin_ns, end_ns = (from_ns + place * whole_ns // n for place in (start, end))
            joined.append(Run(begin_ns, end_ns, VERDICT_OF[period.reason], period.reason, period))
    return joined
