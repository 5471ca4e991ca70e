"""Rate of change as the least-squares slope of the cell means over a window (t − w, t], per hour.

The slope is a fit: it is judged only where the window is complete. Its uncertainty is that of the
cell means alone, for a calibration offset does not tilt a line:

    u(b) = u_cell / sqrt(Σ(t − t̄)²),  u_cell² = noise²/n + resolution²/12

A rule with an upper limit only asks for the magnitude. The sums are whole numbers, so the slope does
not depend on where a record was cut.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ...model import Rule
from ...model.reasons import Why
from ...series import Float
from ...units import MICRO
from .finding import Candidates
from .inputs import Block, RuleInput
from .span import u_cell
from .windows import moving_sum, sufficiency


def slope_per_h(block: Block, width: int) -> tuple[Float, Float]:
    """Slope in micro-units per hour and Σ(t − t̄)² in h², of the filled cells of each window."""
    filled, mean = (block.of("count") > 0) & ~block.of("outside"), block.of("mean")
    at = filled.argmax(axis=1)[:, None]
    base = np.nan_to_num(np.take_along_axis(mean, at, axis=1))
    value = np.where(filled, mean - base, 0.0).astype(np.int64)
    # Places count from the start of this piece; int64 wraps, and differences of sums come out right.
    end = np.arange(block.grid.n, dtype=np.int64)
    place = np.where(filled, end, 0)
    n = moving_sum(filled, width)
    t, v = moving_sum(place, width) - n * end, moving_sum(value, width)
    tt = moving_sum(place * place, width) - 2 * end * moving_sum(place, width) + n * end * end
    tv = moving_sum(place * value, width) - end * v
    spread = n * tt - t * t
    is_known = spread > 0
    per_cell = np.where(is_known, (n * tv - t * v) / np.where(is_known, spread, 1), np.nan)
    hours = block.grid.step_s / 3600
    return per_cell / hours, np.where(is_known, spread / np.maximum(n, 1), np.nan) * hours**2


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """One candidate a channel: its slope against the limit."""
    width = rule.window_s // rule_input.grid.step_s
    before = width - 1
    for keys in rule_input.in_blocks(rule_input.setup.channels_of(rule), before):
        c = rule_input.block(keys, before)
        why = sufficiency(c, rule.window_s, rule.completeness)
        slope, spread = slope_per_h(c, width)
        slope = np.rint(np.where(why == Why.EVIDENCE, slope, np.nan))
        if rule.lower is None:
            slope = np.abs(slope)
        U = np.rint(c.difference(2 * u_cell(c, width) / np.sqrt(spread)) * MICRO)
        own = slope[:, before:]
        placed = c.of("placed")[:, before:]
        yield Candidates(rule_input.labels(keys), own, own, U[:, before:], why[:, before:], placed)
