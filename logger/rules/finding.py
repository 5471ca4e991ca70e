"""What one rule says of each cell, and how the candidates of a rule become one finding.

A candidate is what the rule looks at: a channel, or a pair of them. For an upper limit T, a value
v with its expanded uncertainty U and the guard band w = r·U, the first that applies:

    nonconforming   v > T (proven when v > T + w)
    indeterminate   the evidence is short
    guard band      T − w < v ≤ T
    conforming      v ≤ T − w

Acceptance is guarded as in JCGM 106:2012, 8.3.2; that everything beyond T is nonconforming is
our own cautious choice. "Worst" always means smallest margin. Numbers are whole micro-units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..calibration import Why
from ..evidence import Grid
from ..model import Conformity, Rule
from ..series import Bool, Float
from ..units import MICRO


@dataclass(frozen=True)
class Candidate:
    """Values low … high (equal but for limits of a cell's min and max) with U; all of shape (n,), micro.

    low, high: NaN where nothing was seen; why: Why.EVIDENCE, or why it supports nothing;
    placed: the candidate takes part at that time.
    """

    label: str
    low: Float
    high: Float
    U: Float
    why: NDArray[np.uint8]
    placed: Bool


@dataclass(frozen=True)
class Finding:
    """One rule over a grid; all arrays of shape (n,), values in micro-units, NaN where there is none.

    label: place in `labels` of the candidate that decided, −1 for none; beyond: bit i set where
    candidate i is beyond the limit.
    """

    rule: Rule
    grid: Grid
    labels: tuple[str, ...]
    conformity: NDArray[np.uint8]
    value: Float
    U: Float
    margin: Float
    proven: Bool
    label: NDArray[np.int16]
    why: NDArray[np.uint8]
    beyond: NDArray[np.uint64]


def limit_micro(limit: float | None, otherwise: float) -> float:
    """A limit in whole micro-units, or an infinity where there is none."""
    return otherwise if limit is None else float(np.rint(limit * MICRO))


def margin_and_value(rule: Rule, low: Float, high: Float) -> tuple[Float, Float]:
    """Distance inside the nearer limit (negative beyond it) and the value on that side."""
    if rule.lower is None:
        return limit_micro(rule.upper, np.inf) - high, high
    upper = limit_micro(rule.upper, np.inf) - high
    lower = low - limit_micro(rule.lower, -np.inf)
    return np.minimum(upper, lower), np.where(upper <= lower, high, low)


class Worst:
    """Gathers candidates one by one and keeps the worst of each cell; `finding` closes the account.

    Most candidates have evidence and keep well inside their limits, in a record of years all of
    them: what is rare is looked at only where it occurs.
    """

    def __init__(self, rule: Rule, grid: Grid) -> None:
        n = grid.n
        self.rule, self.grid = rule, grid
        self.labels: list[str] = []
        self.value, self.U, self.margin = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.inf)
        self.slack = np.full(n, np.inf)  # smallest margin − w among the candidates with evidence
        self.proven = np.zeros(n, np.bool_)
        self.label = np.full(n, -1, np.int16)
        self.short_label, self.why = np.full(n, -1, np.int16), np.zeros(n, np.uint8)
        self.beyond = np.zeros(n, np.uint64)
        self.known, self.placed = np.zeros(n, np.int32), np.zeros(n, np.int32)

    def add(self, candidate: Candidate) -> None:
        """Take one candidate into account."""
        number = len(self.labels)
        self.labels.append(candidate.label)
        margin, value = margin_and_value(self.rule, candidate.low, candidate.high)
        if not candidate.placed.all():
            margin = np.where(candidate.placed, margin, np.nan)
        slack = margin - np.rint(self.rule.r * candidate.U)
        self.placed += candidate.placed
        self._evidence(candidate, slack, number)
        at = np.flatnonzero(margin < self.margin)  # false where nothing was seen
        self.margin[at], self.value[at] = margin[at], value[at]
        self.U[at], self.label[at] = candidate.U[at], number
        self._beyond(margin, slack, number)

    def _evidence(self, candidate: Candidate, slack: Float, number: int) -> None:
        # Without a value there is no margin, and without its uncertainty no slack: neither is evidence.
        known = (candidate.why == Why.EVIDENCE) & np.isfinite(slack)
        self.known += known
        if known.all():
            np.minimum(self.slack, slack, out=self.slack)
            return
        np.fmin(self.slack, np.where(known, slack, np.inf), out=self.slack)
        short = ~known & candidate.placed & (candidate.why > self.why)
        self.why[short], self.short_label[short] = candidate.why[short], number

    def _beyond(self, margin: Float, slack: Float, number: int) -> None:
        over = np.flatnonzero(margin < 0)
        if len(over):
            self.beyond[over] |= np.uint64(1) << np.uint64(min(number, 63))
            # slack = margin − w, hence margin < −w where 2·margin − slack < 0.
            self.proven[over] |= 2 * margin[over] - slack[over] < 0

    def finding(self) -> Finding:
        """The finding: short where fewer candidates than the rule needs have evidence."""
        need = self.placed if self.rule.need is None else np.minimum(self.placed, self.rule.need)
        nonconforming, none = self.margin < 0, self.placed == 0
        short = ((self.known < need) | none) & ~nonconforming
        conformity = np.where(self.slack < 0, Conformity.GUARD_BAND, Conformity.CONFORMING).astype(np.uint8)
        conformity[nonconforming] = Conformity.NONCONFORMING
        conformity[short] = Conformity.INDETERMINATE
        # What is named is what lacks evidence; another candidate's value must not stand beside it.
        self.label[short] = self.short_label[short]
        self.margin[np.isinf(self.margin) | short] = np.nan
        for array in (self.value, self.U):
            array[short] = np.nan
        self.why[none] = Why.NO_PROBE
        self.why[~short] = Why.EVIDENCE
        return _in_force(
            Finding(
                rule=self.rule,
                grid=self.grid,
                labels=tuple(self.labels),
                conformity=conformity,
                value=self.value,
                U=self.U,
                margin=self.margin,
                proven=self.proven,
                label=self.label,
                why=self.why,
                beyond=self.beyond,
            )
        )


def _in_force(finding: Finding) -> Finding:
    """A rule says nothing outside its own validity."""
    outside = np.ones(finding.grid.n, np.bool_)
    outside[finding.grid.clip(finding.rule.from_ns, finding.rule.to_ns)] = False
    finding.conformity[outside] = Conformity.NOT_APPLICABLE
    finding.why[outside] = Why.EVIDENCE
    finding.proven[outside] = False
    finding.beyond[outside] = 0
    finding.margin[outside] = np.nan
    return finding


def worst_of(rule: Rule, grid: Grid, candidates: Sequence[Candidate]) -> Finding:
    """All candidates of a rule as one finding."""
    worst = Worst(rule, grid)
    for candidate in candidates:
        worst.add(candidate)
    return worst.finding()
