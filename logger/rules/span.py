"""Rate of change as a span: max − min of the cell means inside any window (t − w, t].

A probe's calibration offset cancels in its own difference, so that

    U(span) = 2·√2·u_cell,  u_cell² = noise²/n + resolution²/12

with n the fewest readings of a filled cell in the window.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..evidence import Cells
from ..model import Rule, Setup
from ..series import Float
from ..units import MICRO, difference_to_canonical
from .finding import Candidate
from .windows import moving_max, moving_min, sufficiency


def span_U(cells: Cells, width: int) -> Float:
    """Expanded uncertainty (k = 2) of the span in each window, whole micro-units."""
    channel, count = cells.channel, cells.count
    if len(count) and count.min() == count.max() > 0:
        fewest = np.full(len(count), float(count[0]))
    else:
        fewest = moving_min(np.where(count > 0, count, np.nan), width)
    u_cell = np.sqrt(channel.noise**2 / fewest + channel.resolution**2 / 12)
    own = difference_to_canonical(2 * np.sqrt(2) * u_cell, channel.unit, channel.quantity)
    return np.asarray(np.rint(own * MICRO))


def candidates(rule: Rule, cells: Mapping[str, Cells], setup: Setup) -> list[Candidate]:
    """One candidate a channel: its span against the limit."""
    found = []
    for key in setup.channels_of(rule):
        c = cells[key]
        width = rule.window_s // c.grid.step_s
        span = moving_max(c.mean, width) - moving_min(c.mean, width)
        why = sufficiency(c, rule.window_s, rule.completeness)
        found.append(Candidate(c.channel.probe, span, span, span_U(c, width), why, c.placed))
    return found
