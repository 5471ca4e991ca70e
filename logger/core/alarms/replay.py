"""Alarms over judged data, as other limits and delays would have raised them.

Counts as `lifecycle.py` does, over runs of equal cells in place of single ones; a test compares both.
Nobody acknowledges in a replay: it counts how often a person would have been called.
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

_CLEAR, _NEAR, _OUT, _UNKNOWN = range(4)  # where parts of a rule meet, the larger code counts
Codes = NDArray[np.uint8]


@dataclass(frozen=True)
class Occurrence:
    """One occurrence of an alarm; `to_ns`: when it returned, None when it had not by the end."""

    from_ns: int  # begin of the run that raised it
    annunciated_ns: int
    to_ns: int | None = None


@dataclass
class AlarmCounter:
    """Counts the occurrences of one alarm over cells, in parts of any length, in order of time."""

    on_delay_s: int
    off_delay_s: int
    deadband: float
    step_s: int
    occurrences: list[Occurrence] = field(default_factory=list)
    _active: bool = False
    _count_s: int = 0  # out while not active, clear while active
    _begun: int = 0  # first cell of the run that is out
    _last_cell: int | None = None  # the cell after the newest one with evidence

    def take(self, finding: Finding) -> None:
        """The next cells of the alarm's rule."""
        self.runs(finding.grid.first, cell_codes(finding, self.deadband))

    def runs(self, first: int, codes: Codes) -> None:
        """Cells from number `first` on, as codes."""
        for begin, end in _runs(codes):
            if codes[begin] != _UNKNOWN:
                self._run(first + begin, first + end, int(codes[begin]))

    def _run(self, begin: int, end: int, code: int) -> None:
        gap_s = 0 if self._last_cell is None else (begin - self._last_cell) * self.step_s
        if gap_s > (self.off_delay_s if self._active else self.on_delay_s):
            self._count_s = 0
        self._last_cell = end
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
        self.occurrences.append(Occurrence(self._ns(self._begun), self._ns(begin + needed)))

    def _clear(self, begin: int, end: int) -> None:
        needed = self._needed(self.off_delay_s)
        if begin + needed > end:
            self._count_s += (end - begin) * self.step_s
            return
        last = self.occurrences[-1]
        self.occurrences[-1] = Occurrence(last.from_ns, last.annunciated_ns, self._ns(begin + needed))
        self._active, self._count_s = False, 0

    def _needed(self, delay_s: int) -> int:
        """Cells until a delay has run out, the present one among them."""
        return max(1, -(-(delay_s - self._count_s) // self.step_s))

    def _ns(self, cell: int) -> int:
        return cell * self.step_s * NS


def new_counter(spec: AlarmSpec, step_s: int) -> AlarmCounter:
    """A counter at its start, for a declared alarm."""
    return AlarmCounter(spec.on_delay_s, spec.off_delay_s, spec.deadband, step_s)


def cell_codes(finding: Finding, deadband: float) -> Codes:
    """Code of each cell for an alarm: unknown, out, inside but not by the deadband, clear; shape (n,)."""
    c, margin = finding.conformity, finding.margin
    clear = (c == Conformity.NOT_APPLICABLE) | ~np.isfinite(margin) | (margin >= micro(deadband))
    inside = np.where(clear, _CLEAR, _NEAR)
    outside = np.where(c == Conformity.NONCONFORMING, _OUT, inside)
    return np.where(c == Conformity.INDETERMINATE, _UNKNOWN, outside).astype(np.uint8)


def _runs(codes: Codes) -> Iterator[tuple[int, int]]:
    """Begin and end of each maximal run of one code."""
    if len(codes):
        edges = np.flatnonzero(np.diff(codes)) + 1
        bounds = [0, *edges.tolist(), len(codes)]
        yield from pairwise(bounds)


@dataclass
class Replay:
    """Replay of one zone: occurrences by rule, seconds of each verdict, and which cells were stable."""

    zone: str
    alarms: dict[str, AlarmCounter]
    seconds: dict[str, int] = field(default_factory=lambda: dict.fromkeys(VERDICT_OF.values(), 0))
    _stable: list[tuple[int, NDArray[np.bool_]]] = field(default_factory=list)
    step_s: int = 60

    def take(self, judgement: Judgement, from_ns: int, to_ns: int) -> None:
        """The part of a judgement that lies in [from, to)."""
        part = judgement.grid.clip(from_ns // judgement.grid.step_ns * judgement.grid.step_ns, to_ns)
        self.step_s = judgement.grid.step_s
        for key, counter in self.alarms.items():
            # A rule whose limit was changed has several findings, of which one is in force in each cell.
            findings = [f for f in judgement.findings if f.rule.key == key]
            if findings:
                codes = np.max([cell_codes(f, counter.deadband)[part] for f in findings], axis=0)
                counter.runs(judgement.grid.first + part.start, codes)
        reasons = judgement.reason[part]
        for number, reason in enumerate(REASONS):
            self.seconds[VERDICT_OF[reason]] += int((reasons == number).sum()) * self.step_s
        stable = np.isin(reasons, [n for n, r in enumerate(REASONS) if VERDICT_OF[r] == "stable"])
        self._stable.append((judgement.grid.first + part.start, stable))

    def supported(self, from_ns: int, to_ns: int) -> bool:
        """Whether every cell of an interval was stable; an interval that was not judged was not."""
        first, end = from_ns // (self.step_s * NS), -(-to_ns // (self.step_s * NS))
        covered = 0
        for begin, stable in self._stable:
            inside = stable[max(0, first - begin) : max(0, end - begin)]
            if not inside.all():
                return False
            covered += len(inside)
        return covered == end - first

    def occurrences(self) -> Sequence[tuple[str, Occurrence]]:
        """All of them with their rules, in order of time."""
        pairs = [(key, o) for key, counter in self.alarms.items() for o in counter.occurrences]
        return sorted(pairs, key=lambda item: (item[1].annunciated_ns, item[0]))
