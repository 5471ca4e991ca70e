"""Readings that an interval holds of its own: what is covered from outside shows nothing about it.

An interval [from, to) touches whole cells; a reading counts where it was itself taken in [from, to).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ...model import Conformity, Setup
from ...series import Bool
from ..evidence.cells import Cells
from ..evidence.gridded import cut
from ..judge.judgement import Judgement
from ..rules import channels
from ..rules.finding import Finding, demand

NO_OWN_READING = "no reading in the interval"


def taken_within(cells: Cells, from_ns: int, to_ns: int) -> Bool:
    """Cells with a valid reading taken in [from, to), shape (n,)."""
    return np.asarray((cells.count > 0) & (cells.last_ns >= from_ns) & (cells.first_ns < to_ns))


def only_within(cells: Cells, from_ns: int, to_ns: int) -> Cells:
    """The cells without the count and mean of those at the edges whose readings lie outside the interval."""
    own = taken_within(cells, from_ns, to_ns)
    return replace(cells, count=np.where(own, cells.count, 0), mean=np.where(own, cells.mean, np.nan))


def only_with_inputs(cells: Mapping[str, Cells], setup: Setup) -> dict[str, Cells]:
    """The same cells, where a derived value counts only in a cell in which each of its inputs does.

    A cell at the edge may hold one input from within the interval and another from outside it.
    """
    return {
        key: _counting(one, [cells[k] for k in setup.inputs_of(key) if k in cells])
        for key, one in cells.items()
    }


def _counting(cells: Cells, inputs: Sequence[Cells]) -> Cells:
    if not inputs:
        return cells
    own = np.logical_and.reduce([c.count > 0 for c in inputs])
    return replace(cells, count=np.where(own, cells.count, 0), mean=np.where(own, cells.mean, np.nan))


def unread(
    judgement: Judgement, setup: Setup, inside: slice, from_ns: int, to_ns: int
) -> list[tuple[str, str]]:
    """(rule, probe) of each rule that is met in all cells of `inside` and lacks readings of its own there."""
    found = []
    for finding in judgement.findings:
        conformity = finding.conformity[inside]
        if conformity.any() and not np.isin(conformity, _TOLD).any():
            probe = _lacking(finding, judgement, setup, inside, (from_ns, to_ns))
            found += [(finding.rule.key, probe)] if probe else []
    return found


_TOLD = (Conformity.NONCONFORMING, Conformity.INDETERMINATE)


def _lacking(
    finding: Finding, judgement: Judgement, setup: Setup, inside: slice, span: tuple[int, int]
) -> str:
    """A probe without a reading in the interval, where fewer have one than the rule demands; else ""."""
    keys = [key for key in channels(finding.rule, setup) if key in judgement.cells]
    own = [cut(judgement.cells[key], judgement.grid.part(inside)) for key in keys]
    there = [cells for cells in own if cells.placed.any()]
    read = [bool(taken_within(cells, *span).any()) for cells in there]
    if sum(read) >= (demand(finding.rule) or len(there)):
        return ""
    return next((c.channel.probe for c, known in zip(there, read, strict=True) if not known), "")
