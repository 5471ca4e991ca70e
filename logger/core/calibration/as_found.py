"""What a calibration found, carried back over the readings since the calibration before.

    Δ(x) = error as found (n + 1) − error as left (n), at the indication x

    linear   the probe drifted evenly: correction −Δ·f, f the share of the time between the two
             calibrations that had passed; half-width |Δ|/2, in the place of the declared drift
    step     it changed at an unknown time: no correction; half-width |Δ|, beside the declared drift

Half-widths are rectangular (JCGM 100, 4.3.7). Which of the two holds, the laboratory chooses; a step says
nothing against drift, so that its allowance stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...model import Certificate
from ...series import Float, Int
from ...units import MICRO
from .curve import correction


@dataclass(frozen=True)
class Effect:
    """On readings under an earlier certificate, in the channel's unit; arrays of shape (n,)."""

    correction: Float  # to be added
    half_width: Float
    replaces_drift: bool


def change(before: Certificate, after: Certificate, indication: Float) -> Float:
    """Change of the error between two calibrations at each indication, linear between points; shape kept.

    >>> from logger.model import AsFound
    >>> paper = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, None, (18.0, 22.0), (-0.1, -0.2),
    ...                     (0.1, 0.1), 2.0, (18.0, 22.0))
    >>> from dataclasses import replace
    >>> again = replace(paper, number="2", as_found=AsFound((20.0,), (0.35,), "linear"))
    >>> round(float(change(paper, again, np.array(20.0))), 3)     # as left: +0.15
    0.2
    """
    found = after.as_found
    if found is None:
        return np.zeros_like(indication)
    as_found = np.interp(indication, found.indications, found.errors)
    return np.asarray(as_found + correction(before, indication), np.float64)


def elapsed(before: Certificate, after: Certificate, taken_ns: Int) -> Float:
    """Share of the time between the two calibrations that had passed at each instant, 0 … 1; shape (n,)."""
    start, end = (c.valid_from_ns if c.calibrated_ns is None else c.calibrated_ns for c in (before, after))
    if end <= start:
        return np.ones(len(taken_ns))
    return np.clip((taken_ns - start) / (end - start), 0.0, 1.0)


def released_until_ns(before: Certificate, after: Certificate) -> int | None:
    """Until when the later certificate releases time in which the earlier was overdue; None: it does not.

    It must say so, with a reason that two people stand for; and no error as found may be further from
    what was left than the drift that was allowed for. It tells of the time up to its calibration.

    >>> from dataclasses import replace
    >>> from logger.model import AsFound
    >>> paper = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, 10, (20.0,), (0.0,), (0.1,), 2.0,
    ...                     (18.0, 22.0), drift=0.06)
    >>> again = replace(paper, number="2", valid_from_ns=90, as_found=AsFound((20.0,), (-0.06,)),
    ...                 calibrated_ns=80, releases_overdue="the laboratory was late")
    >>> released_until_ns(paper, again), released_until_ns(paper, replace(again, releases_overdue=""))
    (80, None)
    >>> released_until_ns(paper, replace(again, as_found=AsFound((20.0,), (-0.061,)))) is None
    True
    """
    if not after.releases_overdue or after.as_found is None:
        return None
    moved = np.abs(change(before, after, np.asarray(after.as_found.indications)))
    if (np.rint(moved * MICRO) > np.rint(before.drift * MICRO)).any():
        return None
    return after.valid_from_ns if after.calibrated_ns is None else after.calibrated_ns


def effect(before: Certificate, after: Certificate, taken_ns: Int, indication: Float) -> Effect | None:
    """What the later certificate's as-found errors mean for readings under the earlier; None: nothing.

    taken_ns, indication: (n,), indication in the channel's unit, NaN allowed.
    """
    if after.as_found is None or not after.as_found.model:
        return None
    delta = change(before, after, indication)
    if after.as_found.model == "step":
        return Effect(np.zeros_like(delta), np.abs(delta), replaces_drift=False)
    return Effect(-delta * elapsed(before, after, taken_ns), np.abs(delta) / 2, replaces_drift=True)
