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

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...model import Conformity, Rule
from ...model.reasons import Why
from ...series import Bool, Float, Int
from ...units import MICRO
from ..evidence.cells import Cells
from ..evidence.grid import Grid

# Whole numbers up to here, and differences of two of them, are exact in float64.
EXACT = 2.0**52


def pick(values: Float, row: Any, at: Int) -> Float:
    """Values of shape (k, n) in some rows and cells; of a single row by its cells, three times as fast."""
    return np.asarray(values[0][at] if len(values) == 1 else values[row, at])


@dataclass(frozen=True)
class LateU:
    """Uncertainties of (k, n) values that are computed only where they decide something.

    at: gives those of some rows and cells, which are places that broadcast; most: none is larger, and NaN
    where any is.
    """

    at: Callable[[Any, Int], Float]
    most: float


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
    U: Float | LateU
    why: NDArray[np.uint8]
    placed: Bool
    outside: Bool | None = None

    def most_U(self) -> float:
        """The largest U; NaN where any is."""
        return self.U.most if isinstance(self.U, LateU) else float(self.U.max(initial=0.0))

    def all_U(self) -> Float:
        """Every U, shape (k, n)."""
        if not isinstance(self.U, LateU):
            return self.U
        k, n = self.low.shape
        return self.U.at(np.arange(k)[:, None], np.arange(n))


def _U_at(U: Float | LateU, row: Any, at: Int) -> Float:
    """U of some candidates in some cells, which are places that broadcast."""
    return U.at(row, at) if isinstance(U, LateU) else pick(U, row, at)


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
    upper = limit_micro(rule.upper, np.inf) - high
    if rule.lower is None:
        return upper, high
    lower = low - limit_micro(rule.lower, -np.inf)
    return np.minimum(upper, lower), np.where(upper <= lower, high, low)


def _margin(rule: Rule, low: Float, high: Float) -> Float:
    """The margin of `margin_and_value` alone."""
    upper = limit_micro(rule.upper, np.inf) - high
    return upper if rule.lower is None else np.minimum(upper, low - limit_micro(rule.lower, -np.inf))


@dataclass(frozen=True)
class _Source:
    """What value and U of the worst come from; nothing that can do without is kept in memory for it.

    begin, end: places of the labels; bounds: low and high; None where the margin gives back the value.
    """

    begin: int
    end: int
    U: Float | LateU
    bounds: tuple[Float, Float] | None

    def of_worst(self, rule: Rule, margin: Float, row: Int, at: Int) -> tuple[Float, Float]:
        """Value and U of rows in the cells `at`, in which they are the worst with that margin."""
        U = _U_at(self.U, row, at)
        if self.bounds is None:
            return limit_micro(rule.upper, np.inf) - margin[at], U
        return margin_and_value(rule, *(pick(bound, row, at) for bound in self.bounds))[1], U


class WorstCandidates:
    """Gathers candidates one by one and keeps the worst of each cell; `finding` closes the account.

    Most candidates have evidence and keep well inside their limits, in a record of years all of them: what
    is rare is looked at only where it occurs, and value and U only of the worst.
    """

    def __init__(self, rule: Rule, grid: Grid) -> None:
        n = grid.n
        self.rule, self.grid = rule, grid
        self.labels: list[str] = []
        self.sources: list[_Source] = []
        self.margin = np.full(n, np.inf)
        self.label = np.full(n, -1, np.int16)
        self.guarded = np.zeros(n, np.bool_)  # some candidate with evidence is nearer to its limit than w
        self.proven = np.zeros(n, np.bool_)
        self.short_label, self.why = np.full(n, -1, np.int16), np.zeros(n, np.uint8)
        self.beyond = np.zeros(n, np.uint64)
        self.with_evidence, self.placed = np.zeros(n, np.int32), np.zeros(n, np.int32)

    def add(self, candidates: Candidates) -> None:
        """Take some candidates into account."""
        begin = len(self.labels)
        self.labels += candidates.labels
        margin = _margin(self.rule, candidates.low, candidates.high)
        always = bool(candidates.placed.all())
        if not always:
            margin = np.where(candidates.placed, margin, np.nan)
        self.placed += len(candidates.labels) if always else candidates.placed.sum(axis=0)
        least, most = float(margin.min(initial=np.inf)), float(margin.max(initial=-np.inf))  # NaN: some are
        self._remember(candidates, begin, max(abs(least), abs(most)))
        self._evidence(candidates, margin, begin, least, most)
        self._worse(margin, begin)
        self._beyond(candidates, margin, begin)

    def _remember(self, candidates: Candidates, begin: int, largest: float) -> None:
        """Keep what value and U of the worst come from; `largest`: the farthest from a limit."""
        upper = limit_micro(self.rule.upper, np.inf)
        exact = self.rule.lower is None and largest < EXACT and abs(upper) < EXACT
        bounds = None if exact else (candidates.low, candidates.high)
        self.sources.append(_Source(begin, begin + len(candidates.labels), candidates.U, bounds))

    def _worse(self, margin: Float, begin: int) -> None:
        """Keep what is nearer to its limit, of equals the first; where nothing was seen there is none."""
        if len(margin) > 1:
            least = np.fmin.reduce(margin, axis=0)
            at = np.flatnonzero(least < self.margin)
            self.label[at] = begin + (margin[:, at] == least[at]).argmax(axis=0)
        else:
            least = margin[0]
            # By arithmetic: a mask that changes from cell to cell costs twelve times as much.
            self.label += (begin - self.label) * (least < self.margin)
        np.fmin(self.margin, least, out=self.margin)

    def _evidence(self, candidates: Candidates, margin: Float, begin: int, least: float, most: float) -> None:
        # Without a value there is no margin, and without its uncertainty no w: neither is evidence.
        most_w = float(self._w(np.array(candidates.most_U())))
        if not candidates.why.any() and np.isfinite([least, most, most_w]).all():  # all of it, at a glance
            self.with_evidence += len(margin)
            if least <= most_w:
                self._guard(margin - self._w(candidates.all_U()))
            return
        slack = margin - self._w(candidates.all_U())
        has_evidence = (candidates.why == Why.EVIDENCE) & np.isfinite(slack)
        self.with_evidence += has_evidence.sum(axis=0)
        self._guard(np.where(has_evidence, slack, np.inf))
        short = np.where(~has_evidence & candidates.placed, candidates.why, 0)
        row = short.argmax(axis=0)
        highest = short[row, np.arange(short.shape[1])]
        at = np.flatnonzero(highest > self.why)
        self.why[at], self.short_label[at] = highest[at], begin + row[at]

    def _guard(self, slack: Float) -> None:
        """Mark the cells in which a candidate with evidence is nearer to its limit than w."""
        self.guarded |= (slack < 0).any(axis=0)

    def _w(self, U: Float) -> Float:
        """Guard bands of uncertainties, which are whole already, so that a factor of one leaves them."""
        return U if self.rule.r == 1.0 else np.rint(self.rule.r * U)

    def _beyond(self, candidates: Candidates, margin: Float, begin: int) -> None:
        outside = candidates.outside
        for row in np.flatnonzero((margin < 0).any(axis=1)).tolist():
            over = np.flatnonzero(margin[row] < 0)
            self.beyond[over] |= np.uint64(1) << np.uint64(min(begin + row, 63))
            proven = margin[row, over] + self._w(_U_at(candidates.U, row, over)) < 0
            self.proven[over] |= proven if outside is None else proven & ~outside[row, over]

    def _of_worst(self) -> tuple[Float, Float]:
        """Value and U of the worst candidate of each cell, NaN where none was seen."""
        value, U = np.full(self.grid.n, np.nan), np.full(self.grid.n, np.nan)
        cells = np.argsort(self.label, kind="stable")  # by candidate
        edges = np.searchsorted(self.label[cells], np.arange(len(self.labels) + 1))
        for source in self.sources:
            at = cells[edges[source.begin] : edges[source.end]]
            row = self.label[at].astype(np.int64) - source.begin
            value[at], U[at] = source.of_worst(self.rule, self.margin, row, at)
        return value, U

    def finding(self, need: int | None = None, few: Bool | None = None) -> Finding:
        """The finding: short where fewer than `need` candidates have evidence (None: than are placed).

        few: where the rule lacks channels, whatever its candidates say.
        """
        nonconforming, none = self.margin < 0, self.placed == 0
        value, U = self._of_worst()
        lacking = none | (self.with_evidence < (self.placed if need is None else need))
        short = (lacking if few is None else lacking | few) & ~nonconforming
        conformity = np.full(self.grid.n, Conformity.CONFORMING, np.uint8)
        conformity[self.guarded] = Conformity.GUARD_BAND
        conformity[nonconforming] = Conformity.NONCONFORMING
        conformity[short] = Conformity.INDETERMINATE
        # What is named is what lacks evidence; another candidate's value must not stand beside it.
        self.label[short] = self.short_label[short]
        self.margin[np.isinf(self.margin) | short] = np.nan
        value[short] = U[short] = np.nan
        self.why[short & (self.why == Why.EVIDENCE)] = Why.FEW_PROBES
        self.why[none] = Why.NO_PROBE
        self.why[~short] = Why.EVIDENCE
        return _clear_outside_validity(
            Finding(
                rule=self.rule,
                grid=self.grid,
                labels=tuple(self.labels),
                conformity=conformity,
                value=value,
                U=U,
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
