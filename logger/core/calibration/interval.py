"""Whether a calibration interval suits its probe, from the as-found errors of its calibrations.

A finding is the largest change since the calibration before, |as-found error − as-left error| over the
points, against the declared allowance for drift. The staircase of ILAC-G24 / OIML D 10
(method "automatic adjustment"): beyond the allowance the interval is shortened; found well inside it time
after time, it may be made longer; else it stays. "Well inside" is 80 % of the allowance and "time after
time" are three findings: our own choice. It is a proposal; a person decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from ...model import Certificate
from ...model.figures import percent

INSIDE = 0.8
FINDINGS = 3
Proposal = Literal["longer", "shorter", "keep", "not known"]


@dataclass(frozen=True)
class CalibrationFinding:
    """Largest change since the calibration before (`moved`) and the allowance, in the channel's unit."""

    certificate: str
    calibrated_on: str
    moved: float
    allowed: float


@dataclass(frozen=True)
class IntervalReview:
    """Findings in order of time, the proposal, and why."""

    findings: tuple[CalibrationFinding, ...]
    proposal: Proposal
    why: str


def review(certificates: Sequence[Certificate]) -> IntervalReview:
    """Findings and proposal for one channel; certificates in the order in which they were put in use."""
    findings = tuple(
        finding
        for before, after in pairwise(certificates)
        if (finding := _finding(before, after)) is not None
    )
    return IntervalReview(findings, *_proposal([f.moved for f in findings], [f.allowed for f in findings]))


def _finding(before: Certificate, after: Certificate) -> CalibrationFinding | None:
    if after.as_found is None or not after.as_found.errors:
        return None
    as_left = -np.interp(after.as_found.indications, before.indications, before.corrections)
    change = float(np.max(np.abs(np.asarray(after.as_found.errors) - as_left)))
    return CalibrationFinding(after.number, after.calibrated_on, round(change, 9), before.drift)


def _proposal(changes: Sequence[float], allowed: Sequence[float]) -> tuple[Proposal, str]:
    """
    >>> _proposal([0.02, 0.02, 0.03], [0.1, 0.1, 0.1])[0], _proposal([0.02, 0.12], [0.1, 0.1])[0]
    ('longer', 'shorter')
    """
    if not changes:
        return "not known", "no calibration has said what it found before adjusting"
    if not all(allowed):
        return "not known", "no allowance for drift is declared"
    if changes[-1] > allowed[-1]:
        return "shorter", f"the last calibration found {changes[-1]:g}, beyond the {allowed[-1]:g} allowed"
    last = list(zip(changes, allowed, strict=True))[-FINDINGS:]
    if len(last) == FINDINGS and all(m <= INSIDE * a for m, a in last):
        return (
            "longer",
            f"{FINDINGS} calibrations in a row found less than {percent(INSIDE, 0)} of what is allowed",
        )
    return "keep", "within what is allowed"
