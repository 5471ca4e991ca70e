"""Limits of any quantity, by min and max of the cell: no swing is averaged away."""

from __future__ import annotations

from collections.abc import Iterator

from ...model import Rule
from .finding import Candidates
from .inputs import RuleInput


def candidates(rule: Rule, rule_input: RuleInput) -> Iterator[Candidates]:
    """One candidate a channel."""
    for keys in rule_input.in_blocks(rule_input.setup.channels_of(rule)):
        c = rule_input.block(keys)
        yield Candidates(
            rule_input.labels(keys),
            c.of("low"),
            c.of("high"),
            c.of("U"),
            c.of("why"),
            c.of("placed"),
            c.outside(),
        )
