"""Limits of any quantity, by min and max of the cell: no swing is averaged away."""

from __future__ import annotations

from collections.abc import Iterator

from ...model import Rule
from .finding import Candidates
from .inputs import Sight


def candidates(rule: Rule, sight: Sight) -> Iterator[Candidates]:
    """One candidate a channel."""
    for keys in sight.several(sight.setup.channels_of(rule)):
        c = sight.block(keys)
        yield Candidates(
            sight.labels(keys), c.of("low"), c.of("high"), c.of("U"), c.of("why"), c.of("placed"), c.outside()
        )
