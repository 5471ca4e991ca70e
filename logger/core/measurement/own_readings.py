"""Readings inside an interval: a rule that only readings from outside support shows nothing about it.

An interval [from, to) overlaps whole cells; a reading counts where it was itself taken in [from, to).
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

NO_READING_INSIDE = "no reading in the interval"


def has_reading_in(cells: Cells, from_ns: int, to_ns: int) -> Bool:
    """Cells with a valid reading taken in [from, to), shape (n,)."""
    return np.asarray((cells.count > 0) & (cells.last_ns >= from_ns) & (cells.first_ns < to_ns))


def drop_readings_outside(
    cells: Mapping[str, Cells], setup: Setup, from_ns: int, to_ns: int
) -> dict[str, Cells]:
    """Cells by channel without count and mean of those at the edges whose readings lie outside [from, to).

    A derived value counts only where each of its inputs does: a cell at the edge may hold one input from
    within the interval and another from outside it.
    """
    inside = {key: has_reading_in(channel, from_ns, to_ns) for key, channel in cells.items()}
    return {
        key: _counting(channel, [inside[k] for k in (key, *setup.inputs_of(key)) if k in inside])
        for key, channel in cells.items()
    }


def _counting(cells: Cells, inside: Sequence[Bool]) -> Cells:
    there = np.logical_and.reduce(inside)
    return replace(cells, count=np.where(there, cells.count, 0), mean=np.where(there, cells.mean, np.nan))


def rules_without_reading(
    judgement: Judgement, setup: Setup, inside: slice, from_ns: int, to_ns: int
) -> list[tuple[str, str]]:
    """(rule, probe) of each rule that is met in all cells of `inside` without enough readings there."""
    pairs = []
    for finding in judgement.findings:
        conformity = finding.conformity[inside]
        if conformity.any() and not np.isin(conformity, _DECIDED).any():
            probe = _probe_without_reading(finding, judgement, setup, inside, (from_ns, to_ns))
            pairs += [(finding.rule.key, probe)] if probe else []
    return pairs


_DECIDED = (Conformity.NONCONFORMING, Conformity.INDETERMINATE)


def _probe_without_reading(
    finding: Finding, judgement: Judgement, setup: Setup, inside: slice, span: tuple[int, int]
) -> str:
    """A probe without a reading in the interval, where fewer have one than the rule needs; else ""."""
    keys = [key for key in channels(finding.rule, setup) if key in judgement.cells]
    cuts = [cut(judgement.cells[key], judgement.grid.part(inside)) for key in keys]
    placed = [cells for cells in cuts if cells.placed.any()]
    read = [bool(has_reading_in(cells, *span).any()) for cells in placed]
    if sum(read) >= (demand(finding.rule) or len(placed)):
        return ""
    return next((c.channel.probe for c, has_reading in zip(placed, read, strict=True) if not has_reading), "")
