"""Difference between two media of one quantity: part − scale, air − structure, plate top − bottom.

`media` names both in that order, or `channels` both channels. Every pair across is a candidate and
the worst is named. Cell means are compared, a covered cell by its bounds; U adds both in quadrature.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np

from ...model import Rule, Setup
from .finding import Candidates, pair_names
from .inputs import RuleInput


def sides(rule: Rule, setup: Setup) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Channels of the first and of the second."""
    if rule.channels:
        return rule.channels[:1], rule.channels[1:]
    first, second = (setup.channels_of(replace(rule, media=(medium,))) for medium in rule.media)
    return first, second


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """One candidate a pair: the first minus the second."""
    first, second = sides(rule, rule_input.setup)
    first_input = second_input = rule_input
    if not rule.channels:
        first_input, second_input = (
            rule_input.in_media(s, (m,)) for s, m in zip((first, second), rule.media, strict=True)
        )
    for pairs in rule_input.in_blocks([(a, b) for a, b in product(first, second) if a != b]):
        a, b = first_input.block([key for key, _ in pairs]), second_input.block([other for _, other in pairs])
        (a_low, a_high), (b_low, b_high) = a.bounds(), b.bounds()
        yield Candidates(
            pair_names(a.cells, b.cells),
            a_low - b_high,
            a_high - b_low,
            np.rint(np.hypot(a.of("U"), b.of("U"))),
            np.maximum(a.of("why"), b.of("why")),
            a.of("placed") & b.of("placed"),
            a.of("outside") | b.of("outside"),
        )
