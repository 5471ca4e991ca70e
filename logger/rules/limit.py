"""Limits of any quantity, by min and max of the cell: no swing is averaged away."""

from __future__ import annotations

from collections.abc import Mapping

from ..evidence import Cells
from ..model import Rule, Setup
from .finding import Candidate


def candidates(rule: Rule, cells: Mapping[str, Cells], setup: Setup) -> list[Candidate]:
    """One candidate a channel."""
    found = []
    for key in setup.channels_of(rule):
        c = cells[key]
        found.append(Candidate(c.channel.probe, c.low, c.high, c.U, c.why, c.placed))
    return found
