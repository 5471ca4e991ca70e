"""Readings inside an interval: a rule that only readings from outside support shows nothing about it.

An interval [from, to) overlaps whole cells; a reading counts where it was itself taken in [from, to).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...model import Conformity, Setup
from ...series import Bool
from ..evidence.cells import Cells
from ..judge.judgement import Judgement
from ..rules import channels
from ..rules.finding import Finding, demand

NO_READING_INSIDE = "no reading in the interval"


def has_reading_in(cells: Cells, from_ns: int, to_ns: int, part: slice = slice(None)) -> Bool:
    """Cells of a part of n cells with a valid reading taken in [from, to), shape (n,)."""
    since = cells.last_ns[part] >= from_ns
    return np.asarray((cells.count[part] > 0) & since & (cells.first_ns[part] < to_ns))


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
    pairs, has_reading = [], _ReadingsInside(judgement, inside, (from_ns, to_ns))
    for finding in judgement.findings:
        conformity = finding.conformity[inside]
        if conformity.any() and not _decides(conformity):
            probe = _probe_without_reading(finding, judgement, setup, has_reading)
            pairs += [(finding.rule.key, probe)] if probe else []
    return pairs


def _decides(conformity: NDArray[np.uint8]) -> bool:
    """Whether any cell shows something worse than a guard band; `isin` would be a tenth of many questions."""
    decisive = (conformity == Conformity.NONCONFORMING) | (conformity == Conformity.INDETERMINATE)
    return bool(decisive.any())


class _ReadingsInside:
    """Whether channels have a reading in an interval; each is looked at once, for all rules."""

    def __init__(self, judgement: Judgement, inside: slice, span: tuple[int, int]) -> None:
        self._cells, self._part, self._span = judgement.cells, judgement.grid.part(inside), span
        self._answers: dict[str, bool | None] = {}

    def of(self, key: str) -> bool | None:
        """None where the channel was not placed in the interval."""
        if key not in self._answers:
            self._answers[key] = self._look(self._cells[key])
        return self._answers[key]

    def _look(self, cells: Cells) -> bool | None:
        begin = self._part.first - cells.grid.first
        part = slice(begin, begin + self._part.n)
        if not cells.placed[part].any():
            return None
        return bool(has_reading_in(cells, *self._span, part).any())


def _probe_without_reading(
    finding: Finding, judgement: Judgement, setup: Setup, has_reading: _ReadingsInside
) -> str:
    """A probe without a reading in the interval, where fewer have one than the rule needs; else ""."""
    keys = [key for key in channels(finding.rule, setup) if key in judgement.cells]
    answers = {key: answer for key in keys if (answer := has_reading.of(key)) is not None}
    if sum(answers.values()) >= (demand(finding.rule) or len(answers)):
        return ""
    return next((judgement.cells[key].channel.probe for key, answer in answers.items() if not answer), "")
