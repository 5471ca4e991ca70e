"""As-found errors of a calibration, carried back over the readings since the calibration before.

    Δ(x) = error as found (n + 1) − error as left (n), at the indication x

    linear   the probe drifted evenly: correction −Δ·f, f the share of the time between the two
             calibrations that had passed; half-width |Δ|/2, in the place of the declared drift
    step     it changed at an unknown time: no correction; half-width |Δ|, beside the declared drift

Half-widths are rectangular (JCGM 100, 4.3.7). The laboratory chooses between the two; a step is no evidence
secondst drift, so that the allowance for drift stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...model import Certificate
from ...series import Float, Int
from ...units import MICRO
from .curve import correction


@dataclass(frozen=True)
class AsFoundEffect:
    """Effect on readings under the certificate before, in the channel's unit; arrays of shape (n,)."""

    correction: Float  # to be added
    half_width: Float
    replaces_drift: bool


def change(before: Certificate, after: Certificate, indication: Float) -> Float:
    """Change of the error between two calibrations at each indication, linear between points; shape kept.

    >>> from logger.model import AsFound
    >>> first = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, None, (18.0, 22.0), (-0.1, -0.2),
    ...                     (0.1, 0.1), 2.0, (18.0, 22.0))
    >>> from dataclasses import replace
    >>> second = replace(first, number="2", as_found=AsFound((20.0,), (0.35,), "linear"))
    >>> round(float(change(first, second, np.array(20.0))), 3)     # as left: +0.15
    0.2
    """
    report = after.as_found
    if report is None:
        return np.zeros_like(indication)
    as_found = np.interp(indication, report.indications, report.errors)
    return np.asarray(as_found + correction(before, indication), np.float64)


def elapsed_share(before: Certificate, after: Certificate, taken_ns: Int) -> Float:
    """Share of the time between the two calibrations that had passed at each instant, 0 … 1; shape (n,)."""
    start, end = (c.valid_from_ns if c.calibrated_ns is None else c.calibrated_ns for c in (before, after))
    if end <= start:
        return np.ones(len(taken_ns))
    return np.clip((taken_ns - start) / (end - start), 0.0, 1.0)


def released_until_ns(before: Certificate, after: Certificate) -> int | None:
    """End in ns of overdue time of the earlier certificate that the later one releases; None: none.

    The later certificate must state the reason, which two people approve; and no as-found error may differ
    from the as-left error by more than the declared drift. Released is the time up to its calibration.

    >>> from dataclasses import replace
    >>> from logger.model import AsFound
    >>> first = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, 10, (20.0,), (0.0,), (0.1,), 2.0,
    ...                     (18.0, 22.0), drift=0.06)
    >>> second = replace(first, number="2", valid_from_ns=90, as_found=AsFound((20.0,), (-0.06,)),
    ...                 calibrated_ns=80, releases_overdue="the laboratory was late")
    >>> released_until_ns(first, second), released_until_ns(first, replace(second, releases_overdue=""))
    (80, None)
    >>> released_until_ns(first, replace(second, as_found=AsFound((20.0,), (-0.061,)))) is None
    True
    """
    if not after.releases_overdue or after.as_found is None:
        return None
    changes = np.abs(change(before, after, np.asarray(after.as_found.indications)))
    if (np.rint(changes * MICRO) > np.rint(before.drift * MICRO)).any():
        return None
    return after.valid_from_ns if after.calibrated_ns is None else after.calibrated_ns


def effect(before: Certificate, after: Certificate, taken_ns: Int, indication: Float) -> AsFoundEffect | None:
    """Effect of the later certificate's as-found errors on readings under the earlier; None: none.

    taken_ns, indication: (n,), indication in the channel's unit, NaN allowed.
    """
    if after.as_found is None or not after.as_found.model:
        return None
    delta = change(before, after, indication)
    if after.as_found.model == "step":
        return AsFoundEffect(np.zeros_like(delta), np.abs(delta), replaces_drift=False)
    return AsFoundEffect(
        -delta * elapsed_share(before, after, taken_ns), np.abs(delta) / 2, replaces_drift=True
    )
