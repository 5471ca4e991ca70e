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

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...model import Conformity, Rule
from ...model.reasons import Why
from ...series import Bool, Float, Int
from ...units import MICRO
from ..evidence.cells import Cells
from ..evidence.grid import Grid


@dataclass(frozen=True)
class Candidates:
    """Values low … high (equal but for limits of a cell's min and max) with U; arrays of shape (k, n), micro.

    labels: one for each of the k; low, high: NaN where nothing was seen; why: Why.EVIDENCE, or why it
    supports nothing; placed: the candidate takes part at that time; outside: a reading outside its
    certificate's range takes part, so that nothing is proven (None: nowhere).
    """

    labels: tuple[str, ...]
    low: Float
    high: Float
    U: Float
    why: NDArray[np.uint8]
    placed: Bool
    outside: Bool | None = None


def demand(rule: Rule) -> int | None:
    """How many channels must give evidence whatever is placed; None: all that are placed, at least one."""
    return rule.need or len(rule.channels) or None


def pair_names(a: Iterable[Cells], b: Iterable[Cells]) -> tuple[str, ...]:
    """Names of pairs: both probes."""
    return tuple(f"{first.channel.probe}–{other.channel.probe}" for first, other in zip(a, b, strict=True))


@dataclass(frozen=True)
class Finding:
    """One rule over a grid; all arrays of shape (n,), values in micro-units, NaN where there is none.

    label: place in `labels` of the candidate that decided, −1 for none; beyond: bit i set where
    candidate i is beyond the limit. evident: enough channels have a valid or covered value, though a
    window may still fill; troubled: indeterminate, and nonconforming if doubted readings are taken as
    they stand (of rules that disturb bodies).
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
    evident: Bool
    troubled: Bool


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


class WorstCandidates:
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
        self.with_evidence, self.placed = np.zeros(n, np.int32), np.zeros(n, np.int32)

    def add(self, candidates: Candidates) -> None:
        """Take some candidates into account."""
        begin = len(self.labels)
        self.labels += candidates.labels
        margin, value = margin_and_value(self.rule, candidates.low, candidates.high)
        always = bool(candidates.placed.all())
        if not always:
            margin = np.where(candidates.placed, margin, np.nan)
        # U is whole already, so that a factor of one leaves it as it is.
        slack = margin - (candidates.U if self.rule.r == 1.0 else np.rint(self.rule.r * candidates.U))
        self.placed += len(candidates.labels) if always else candidates.placed.sum(axis=0)
        self._evidence(candidates, slack, begin)
        self._worse(margin, value, candidates.U, begin)
        self._beyond(margin, slack, begin, candidates.outside)

    def _worse(self, margin: Float, value: Float, U: Float, begin: int) -> None:
        """Keep what is nearer to its limit, of equals the first."""
        if len(margin) > 1:
            row, at = _smallest(margin, self.margin)
            self.margin[at], self.value[at] = margin[row, at], value[row, at]
            self.U[at], self.label[at] = U[row, at], begin + row
            return
        at = np.flatnonzero(margin[0] < self.margin)  # none where nothing was seen
        if len(at) == len(self.margin):  # the first that is looked at
            self.margin[:], self.value[:], self.U[:], self.label[:] = margin[0], value[0], U[0], begin
        elif len(at):
            self.margin[at], self.value[at] = margin[0, at], value[0, at]
            self.U[at], self.label[at] = U[0, at], begin

    def _evidence(self, candidates: Candidates, slack: Float, begin: int) -> None:
        # Without a value there is no margin, and without its uncertainty no slack: neither is evidence.
        if not candidates.why.any() and np.isfinite(slack.sum()):  # all of it, at a glance
            self.with_evidence += len(slack)
            np.minimum(self.slack, slack[0] if len(slack) == 1 else slack.min(axis=0), out=self.slack)
            return
        has_evidence = (candidates.why == Why.EVIDENCE) & np.isfinite(slack)
        self.with_evidence += has_evidence.sum(axis=0)
        np.minimum(self.slack, np.where(has_evidence, slack, np.inf).min(axis=0), out=self.slack)
        short = np.where(~has_evidence & candidates.placed, candidates.why, 0)
        row = short.argmax(axis=0)
        highest = short[row, np.arange(short.shape[1])]
        at = np.flatnonzero(highest > self.why)
        self.why[at], self.short_label[at] = highest[at], begin + row[at]

    def _beyond(self, margin: Float, slack: Float, begin: int, outside: Bool | None) -> None:
        for row in np.flatnonzero((margin < 0).any(axis=1)).tolist():
            over = np.flatnonzero(margin[row] < 0)
            self.beyond[over] |= np.uint64(1) << np.uint64(min(begin + row, 63))
            # slack = margin − w, hence margin < −w where 2·margin − slack < 0.
            proven = 2 * margin[row, over] - slack[row, over] < 0
            self.proven[over] |= proven if outside is None else proven & ~outside[row, over]

    def finding(self, need: int | None = None, few: Bool | None = None) -> Finding:
        """The finding: short where fewer than `need` candidates have evidence (None: than are placed).

        few: where the rule lacks channels, whatever its candidates say.
        """
        nonconforming, none = self.margin < 0, self.placed == 0
        lacking = none | (self.with_evidence < (self.placed if need is None else need))
        short = (lacking if few is None else lacking | few) & ~nonconforming
        conformity = np.where(self.slack < 0, Conformity.GUARD_BAND, Conformity.CONFORMING).astype(np.uint8)
        conformity[nonconforming] = Conformity.NONCONFORMING
        conformity[short] = Conformity.INDETERMINATE
        # What is named is what lacks evidence; another candidate's value must not stand beside it.
        self.label[short] = self.short_label[short]
        self.margin[np.isinf(self.margin) | short] = np.nan
        for array in (self.value, self.U):
            array[short] = np.nan
        self.why[short & (self.why == Why.EVIDENCE)] = Why.FEW_PROBES
        self.why[none] = Why.NO_PROBE
        self.why[~short] = Why.EVIDENCE
        return _clear_outside_validity(
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
                evident=~short,
                troubled=np.zeros(self.grid.n, np.bool_),
            )
        )


def flags_in_force(finding: Finding, flags: Bool) -> Bool:
    """The flags within the validity of a finding's rule, False outside it."""
    inside = finding.grid.clip(finding.rule.from_ns, finding.rule.to_ns)
    within = np.zeros(finding.grid.n, np.bool_)
    within[inside] = flags[inside]
    return within


def _clear_outside_validity(finding: Finding) -> Finding:
    """A rule says nothing outside its own validity."""
    outside = ~flags_in_force(finding, np.ones(finding.grid.n, np.bool_))
    finding.conformity[outside] = Conformity.NOT_APPLICABLE
    finding.why[outside] = Why.EVIDENCE
    finding.proven[outside] = False
    finding.beyond[outside] = 0
    finding.margin[outside] = np.nan
    finding.evident[outside] = finding.troubled[outside] = False
    return finding


def _smallest(margin: Float, than: Float) -> tuple[Int, Int]:
    """Where, of the columns of `margin`, one is smaller than `than`, and the first row of the smallest."""
    least = np.fmin.reduce(margin, axis=0)
    at = np.flatnonzero(least < than)
    return (margin[:, at] == least[at]).argmax(axis=0), at


def worst_of(
    rule: Rule,
    grid: Grid,
    candidates: Iterable[Candidates],
    need: int | None = None,
    few: Bool | None = None,
) -> Finding:
    """All candidates of a rule as one finding; `need` and `few` as of `Worst.finding`."""
    worst = WorstCandidates(rule, grid)
    for block in candidates:
        worst.add(block)
    return worst.finding(need, few)
