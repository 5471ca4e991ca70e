"""Rate of change as the least-squares slope of the cell means over a window (t − w, t], per hour.

The slope is a fit: it is judged only where the window is complete. Its uncertainty is that of the
cell means alone, for a calibration offset does not tilt a line:

    u(b) = u_cell / sqrt(Σ(t − t̄)²),  u_cell² = noise²/n + resolution²/12

A rule with an upper limit only asks for the magnitude. The sums are whole numbers, so the slope does
not depend on where a record was cut.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..calibration import Why
from ..evidence import Cells
from ..model import Rule, Setup
from ..series import Float
from ..units import MICRO, difference_to_canonical
from .finding import Candidate
from .windows import moving_min, moving_sum, sufficiency


def slope_per_h(cells: Cells, width: int) -> tuple[Float, Float]:
    """Slope in micro-units per hour and Σ(t − t̄)² in h², of the filled cells of each window."""
    filled = cells.count > 0
    base = cells.mean[filled][0] if filled.any() else 0.0
    value = np.where(filled, cells.mean - base, 0.0).astype(np.int64)
    # Places count from the start of this piece; int64 wraps, and differences of sums come out right.
    place = np.where(filled, np.arange(len(value)), 0).astype(np.int64)
    n = moving_sum(filled, width)
    end = np.arange(len(value), dtype=np.int64)
    t, v = moving_sum(place, width) - n * end, moving_sum(value, width)
    tt = moving_sum(place * place, width) - 2 * end * moving_sum(place, width) + n * end * end
    tv = moving_sum(place * value, width) - end * v
    spread = n * tt - t * t
    known = spread > 0
    per_cell = np.where(known, (n * tv - t * v) / np.where(known, spread, 1), np.nan)
    hours = cells.grid.step_s / 3600
    return per_cell / hours, np.where(known, spread / np.maximum(n, 1), np.nan) * hours**2


def candidates(rule: Rule, cells: Mapping[str, Cells], setup: Setup) -> list[Candidate]:
    """One candidate a channel: its slope against the limit."""
    return [_candidate(rule, cells[key]) for key in setup.channels_of(rule)]


def _candidate(rule: Rule, c: Cells) -> Candidate:
    width = rule.window_s // c.grid.step_s
    why = sufficiency(c, rule.window_s, rule.completeness)
    slope, spread = slope_per_h(c, width)
    slope = np.rint(np.where(why == Why.EVIDENCE, slope, np.nan))
    if rule.lower is None:
        slope = np.abs(slope)
    channel = c.channel
    fewest = moving_min(np.where(c.count > 0, c.count, np.nan), width)
    u_cell = np.sqrt(channel.noise**2 / fewest + channel.resolution**2 / 12)
    U = difference_to_canonical(2 * u_cell / np.sqrt(spread), channel.unit, channel.quantity)
    return Candidate(channel.probe, slope, slope, np.rint(U * MICRO), why, c.placed)
