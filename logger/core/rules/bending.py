"""Bending of a plate in µm: the sagitta that the difference between its top and its bottom gives.

A free plate with a linear gradient through it bends to the radius h/(α·ΔT); over its length L the sagitta is

    f = α·ΔT·L²/(8·h)        ΔT: top − bottom; positive: convex
    U²(f) = (α·L²/(8·h)·U(ΔT))² + (ΔT·L²/(8·h)·2·u(α))²

by hand from the circle, for an arc that is small against its radius; U by JCGM 100, 5.1.2. Length and
thickness count as exact. What holds a plate flat, its supports and its weight, is left out: the figure
is what the temperatures alone do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ...errors import Refused
from ...model import Plate, Rule
from ..physics.expansion import plate_bending_um
from . import difference
from .finding import Candidates
from .inputs import RuleInput


def um_per_K(plate: Plate) -> float:
    """Sagitta in µm for each kelvin between top and bottom.

    >>> round(um_per_K(Plate(1000.0, 150.0, 6.5e-6, 0.0)), 3)
    5.417
    """
    return float(plate_bending_um(plate.length_mm, plate.thickness_mm, plate.alpha_per_K, 1.0))


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """Those of the difference between both faces, as sagitta in micro-µm."""
    if rule.plate is None:
        raise Refused(f"Rule {rule.key!r} is about the bending of a plate; expected its size and expansion.")
    slope = um_per_K(rule.plate)
    relative = 2 * rule.plate.u_alpha_per_K / rule.plate.alpha_per_K
    for apart in difference.candidates(rule, rule_input):
        low, high = np.rint(slope * apart.low), np.rint(slope * apart.high)
        largest = np.maximum(np.abs(low), np.abs(high))
        yield replace(
            apart, low=low, high=high, U=np.rint(np.hypot(slope * apart.all_U(), relative * largest))
        )
