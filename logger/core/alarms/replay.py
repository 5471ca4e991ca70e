"""Alarms over a judged record, as other limits and delays would have raised them.

The same counting as in `alarms.py`, over runs of equal cells in place of single ones; a test holds both
together. Nobody acknowledges in a replay: what counts is how often a person would have been called.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ...instants import NS
from ...model import REASONS, VERDICT_OF, AlarmSpec, Conformity
from ...units import micro
from ..judge.judgement import Judgement
from ..rules.finding import Finding

_CLEAR, _NEAR, _OUT, _UNKNOWN = range(4)  # where pieces of a rule meet, the larger one holds
Codes = NDArray[np.uint8]


@dataclass(frozen=True)
class Occurrence:
    """One time that an alarm was raised; `to_ns` is when it returned, None when it had not by the end."""

    from_ns: int  # begin of the run that raised it
    annunciated_ns: int
    to_ns: int | None = None


@dataclass
class Counting:
    """One alarm that goes through cells in parts of any length, in order of time."""

    on_delay_s: int
    off_delay_s: int
    deadband: float
    step_s: int
    found: list[Occurrence] = field(default_factory=list)
    _active: bool = False
    _count_s: int = 0  # out while not active, clear while active
    _begun: int = 0  # first cell of the run that is out
    _seen: int | None = None  # the cell after the newest one with evidence

    def take(self, finding: Finding) -> None:
        """The next cells of the alarm's rule."""
        self.runs(finding.grid.first, codes(finding, self.deadband))

    def runs(self, first: int, each: Codes) -> None:
        """Cells from number `first` on, as codes."""
        for begin, end in _runs(each):
            if each[begin] != _UNKNOWN:
                self._run(first + begin, first + end, int(each[begin]))

    def _run(self, begin: int, end: int, code: int) -> None:
        gap_s = 0 if self._seen is None else (begin - self._seen) * self.step_s
        if gap_s > (self.off_delay_s if self._active else self.on_delay_s):
            self._count_s = 0
        self._seen = end
        if not self._active:
            if code == _OUT:
                self._out(begin, end)
            else:
                self._reset()
        elif code == _CLEAR:
            self._clear(begin, end)
        else:
            self._reset()

    def _reset(self) -> None:
        self._count_s = 0

    def _out(self, begin: int, end: int) -> None:
        self._begun = begin if self._count_s == 0 else self._begun
        needed = self._needed(self.on_delay_s)
        if begin + needed > end:
            self._count_s += (end - begin) * self.step_s
            return
        self._active, self._count_s = True, 0
        self.found.append(Occurrence(self._ns(self._begun), self._ns(begin + needed)))

    def _clear(self, begin: int, end: int) -> None:
        needed = self._needed(self.off_delay_s)
        if begin + needed > end:
            self._count_s += (end - begin) * self.step_s
            return
        last = self.found[-1]
        self.found[-1] = Occurrence(last.from_ns, last.annunciated_ns, self._ns(begin + needed))
        self._active, self._count_s = False, 0

    def _needed(self, delay_s: int) -> int:
        """Cells until a delay has run out, the present one among them."""
        return max(1, -(-(delay_s - self._count_s) // self.step_s))

    def _ns(self, cell: int) -> int:
        return cell * self.step_s * NS


def counting(spec: AlarmSpec, step_s: int) -> Counting:
    """A fresh count for a declared alarm."""
    return Counting(spec.on_delay_s, spec.off_delay_s, spec.deadband, step_s)


def codes(finding: Finding, deadband: float) -> Codes:
    """What each cell says to an alarm: unknown, out, inside but not by the deadband, clear; shape (n,)."""
    c, margin = finding.conformity, finding.margin
    clear = (c == Conformity.NOT_APPLICABLE) | ~np.isfinite(margin) | (margin >= micro(deadband))
    inside = np.where(clear, _CLEAR, _NEAR)
    told = np.where(c == Conformity.NONCONFORMING, _OUT, inside)
    return np.where(c == Conformity.INDETERMINATE, _UNKNOWN, told).astype(np.uint8)


def _runs(each: Codes) -> Iterator[tuple[int, int]]:
    """Begin and end of each maximal run of one code."""
    if len(each):
        edges = np.flatnonzero(np.diff(each)) + 1
        bounds = [0, *edges.tolist(), len(each)]
        yield from pairwise(bounds)


@dataclass
class Replay:
    """One zone gone through: occurrences by rule, seconds of each verdict, and cells that were stable."""

    zone: str
    alarms: dict[str, Counting]
    seconds: dict[str, int] = field(default_factory=lambda: dict.fromkeys(VERDICT_OF.values(), 0))
    _stable: list[tuple[int, NDArray[np.bool_]]] = field(default_factory=list)
    step_s: int = 60

    def take(self, judgement: Judgement, from_ns: int, to_ns: int) -> None:
        """The part of a judgement that lies in [from, to)."""
        part = judgement.grid.clip(from_ns // judgement.grid.step_ns * judgement.grid.step_ns, to_ns)
        self.step_s = judgement.grid.step_s
        for key, counted in self.alarms.items():
            # A rule whose limit was changed comes in pieces, of which one holds in each cell.
            pieces = [f for f in judgement.findings if f.rule.key == key]
            if pieces:
                each = np.max([codes(f, counted.deadband)[part] for f in pieces], axis=0)
                counted.runs(judgement.grid.first + part.start, each)
        reasons = judgement.reason[part]
        for number, reason in enumerate(REASONS):
            self.seconds[VERDICT_OF[reason]] += int((reasons == number).sum()) * self.step_s
        stable = np.isin(reasons, [n for n, r in enumerate(REASONS) if VERDICT_OF[r] == "stable"])
        self._stable.append((judgement.grid.first + part.start, stable))

    def supported(self, from_ns: int, to_ns: int) -> bool:
        """Whether every cell of an interval was stable; an interval that was not judged was not."""
        first, end = from_ns // (self.step_s * NS), -(-to_ns // (self.step_s * NS))
        known = 0
        for begin, stable in self._stable:
            inside = stable[max(0, first - begin) : max(0, end - begin)]
            if not inside.all():
                return False
            known += len(inside)
        return known == end - first

    def occurrences(self) -> Sequence[tuple[str, Occurrence]]:
        """All of them with their rules, in order of time."""
        found = [(key, o) for key, counted in self.alarms.items() for o in counted.found]
        return sorted(found, key=lambda item: (item[1].annunciated_ns, item[0]))
