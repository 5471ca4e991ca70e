"""Spatial gradient: |Ti − Tj| / d for each pair of positions far enough apart, the worst pair named.

For "vertical" and "horizontal" d is that component of the distance, for "pair" the whole of it.
The uncertainty follows from the probes' own and from the positions' (JCGM 100, 5.1):

    u² = (u_i² + u_j²)/d² + (ΔT/d²)²·(u_xi² + u_xj²)

The probes' errors count as independent. Cell means are compared; a covered cell, which has no
reading of its own, enters with whichever of its bounds makes the difference larger.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from ..evidence import Cells
from ..model import Position, Rule, Setup
from ..series import Bool, Float
from .finding import Candidate


def distance_m(rule: Rule, a: Position, b: Position) -> float | None:
    """Distance of two positions in the rule's direction; None where the pair does not speak of it."""
    dx, dy, dz = (p - q for p, q in zip(a.xyz_m, b.xyz_m, strict=True))
    across, up = float(np.hypot(dx, dy)), abs(dz)
    if rule.direction == "pair":
        d = float(np.hypot(across, up))
    elif rule.direction == "vertical":
        d = up
    else:
        d = across
    return d if d >= rule.d_min_m else None


def candidates(rule: Rule, cells: Mapping[str, Cells], setup: Setup) -> list[Candidate]:
    """One candidate a pair of channels and the positions at which both stood."""
    found = []
    for one, other in combinations(setup.channels_of(rule), 2):
        for a in setup.placements_of(one):
            for b in setup.placements_of(other):
                pair = (setup.positions[a.position], setup.positions[b.position])
                d = distance_m(rule, *pair)
                if d is None or pair[0].zone != pair[1].zone:
                    continue
                grid = cells[one].grid
                there = np.zeros(grid.n, np.bool_)
                there[grid.clip(max(a.from_ns, b.from_ns), _earlier(a.to_ns, b.to_ns))] = True
                found.append(_pair(cells[one], cells[other], d, np.hypot(pair[0].u_m, pair[1].u_m), there))
    return found


def _earlier(a: int | None, b: int | None) -> int | None:
    return b if a is None else a if b is None else min(a, b)


def bounds(c: Cells) -> tuple[Float, Float]:
    """The mean of a cell twice, or both bounds of a covered one."""
    own = c.count > 0
    if own.all():
        return c.mean, c.mean
    return np.where(own, c.mean, c.low), np.where(own, c.mean, c.high)


def _pair(a: Cells, b: Cells, d_m: float, u_d_m: float, there: Bool) -> Candidate:
    (a_low, a_high), (b_low, b_high) = bounds(a), bounds(b)
    difference = np.abs(a_high - b_low)
    if a_low is not a_high or b_low is not b_high:
        difference = np.maximum(difference, np.abs(b_high - a_low))
    value = np.rint(difference / d_m)
    U_squared = (a.U**2 + b.U**2) / d_m**2 + (difference * (2 * u_d_m / d_m**2)) ** 2
    return Candidate(
        f"{a.channel.probe}–{b.channel.probe}",
        value,
        value,
        np.rint(np.sqrt(U_squared)),
        np.maximum(a.why, b.why),
        there & a.placed & b.placed,
    )
