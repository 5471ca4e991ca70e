"""Rate of change as a span: max − min of the cell means inside any window (t − w, t].

A probe's calibration offset cancels in its own difference, so that

    U(span) = 2·√2·u_cell,  u_cell² = noise²/n + resolution²/12

with n the fewest readings of a filled cell in the window.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ...model import Rule
from ...series import Float
from ...units import MICRO
from .finding import Candidates
from .inputs import Block, RuleInput
from .windows import moving_max, moving_min, moving_sum, sufficiency


def u_cell(block: Block, width: int) -> Float:
    """Standard uncertainty of a cell's mean in each window, offset left out; in the channels' own units.

    Shape (k, n), or (k, 1) where it is the same in all.
    """
    count = block.of("count")
    least, most = count.min(axis=1, keepdims=True, initial=2**31), count.max(axis=1, keepdims=True, initial=0)
    if (least == most).all() and (least > 0).all():
        fewest = least.astype(np.float64)
    else:
        fewest = moving_min(np.where(count > 0, count, np.nan), width)
    noise, resolution = block.per_channel(lambda c: c.noise), block.per_channel(lambda c: c.resolution)
    return np.asarray(np.sqrt(noise**2 / fewest + resolution**2 / 12))


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """One candidate a channel: its span against the limit."""
    width = rule.window_s // rule_input.grid.step_s
    before = width - 1
    for keys in rule_input.in_blocks(rule_input.setup.channels_of(rule), before):
        c = rule_input.block(keys, before)
        mean = c.of("mean")
        span = (moving_max(mean, width) - moving_min(mean, width))[:, before:]
        U = np.rint(c.difference(2 * np.sqrt(2) * u_cell(c, width)) * MICRO)
        U = np.broadcast_to(U, mean.shape)[:, before:]
        why = sufficiency(c, rule.window_s, rule.completeness)[:, before:]
        outside = c.outside()
        within = None if outside is None else moving_sum(outside, width)[:, before:] > 0
        yield Candidates(rule_input.labels(keys), span, span, U, why, c.of("placed")[:, before:], within)
