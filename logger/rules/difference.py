"""Difference between two media of one quantity: part − scale, air − structure, plate top − bottom.

`media` names both in that order, or `channels` both channels. Every pair across is a candidate and
the worst is named. Cell means are compared, a covered cell by its bounds; U adds both in quadrature.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import product

import numpy as np

from ..evidence import Cells
from ..model import Rule, Setup
from .finding import Candidate
from .gradient import bounds


def _sides(rule: Rule, setup: Setup) -> tuple[tuple[str, ...], tuple[str, ...]]:
    if rule.channels:
        return rule.channels[:1], rule.channels[1:]
    first, second = (setup.channels_of(replace(rule, media=(medium,))) for medium in rule.media)
    return first, second


def candidates(rule: Rule, cells: Mapping[str, Cells], setup: Setup) -> list[Candidate]:
    """One candidate a pair: the first minus the second."""
    found = []
    for one, other in product(*_sides(rule, setup)):
        a, b = cells[one], cells[other]
        (a_low, a_high), (b_low, b_high) = bounds(a), bounds(b)
        label = f"{a.channel.probe}–{b.channel.probe}"
        U = np.rint(np.hypot(a.U, b.U))
        why = np.maximum(a.why, b.why)
        found.append(Candidate(label, a_low - b_high, a_high - b_low, U, why, a.placed & b.placed))
    return found
