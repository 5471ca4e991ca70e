"""Whether a calibration interval suits its probe, from what the calibrations found.

Each calibration found how far the probe had moved since the one before: |as-found error − error as left|,
largest over the points, against the declared allowance for drift. The staircase of ILAC-G24 / OIML D 10
(method "automatic adjustment"): beyond the allowance the interval is shortened; found well inside it time
after time, it may be made longer; else it stays. "Well inside" is 80 % of the allowance and "time after
time" are three findings: our own choice. It is a proposal to a person, never an act.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from ...model import Certificate

INSIDE = 0.8
FINDINGS = 3
Proposal = Literal["longer", "shorter", "keep", "not known"]


@dataclass(frozen=True)
class Finding:
    """What one calibration found: largest movement since the one before, in the channel's unit."""

    certificate: str
    calibrated_on: str
    moved: float
    allowed: float


@dataclass(frozen=True)
class Review:
    """Findings in order of time, the proposal, and why."""

    findings: tuple[Finding, ...]
    proposal: Proposal
    why: str


def review(certificates: Sequence[Certificate]) -> Review:
    """The review of one channel; its certificates in the order in which they were put in use."""
    found = tuple(
        finding
        for before, after in pairwise(certificates)
        if (finding := _finding(before, after)) is not None
    )
    return Review(found, *_proposal([f.moved for f in found], [f.allowed for f in found]))


def _finding(before: Certificate, after: Certificate) -> Finding | None:
    if after.as_found is None or not after.as_found.errors:
        return None
    left = -np.interp(after.as_found.indications, before.indications, before.corrections)
    moved = float(np.max(np.abs(np.asarray(after.as_found.errors) - left)))
    return Finding(after.number, after.calibrated_on, round(moved, 9), before.drift)


def _proposal(moved: Sequence[float], allowed: Sequence[float]) -> tuple[Proposal, str]:
    """
    >>> _proposal([0.02, 0.02, 0.03], [0.1, 0.1, 0.1])[0], _proposal([0.02, 0.12], [0.1, 0.1])[0]
    ('longer', 'shorter')
    """
    if not moved:
        return "not known", "no calibration has said what it found before adjusting"
    if not all(allowed):
        return "not known", "no allowance for drift is declared"
    if moved[-1] > allowed[-1]:
        return "shorter", f"the last calibration found {moved[-1]:g}, beyond the {allowed[-1]:g} allowed"
    last = list(zip(moved, allowed, strict=True))[-FINDINGS:]
    if len(last) == FINDINGS and all(m <= INSIDE * a for m, a in last):
        return "longer", f"{FINDINGS} calibrations in a row found less than {INSIDE:.0%} of what is allowed"
    return "keep", "within what is allowed"
