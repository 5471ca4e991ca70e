"""Runs of a judgement: periods of one verdict and reason, excursions of one rule.

Runs are made piece by piece (a piece is a zone and a UTC day) and joined where they touch, so
that what is stored for a day never depends on how long a record was judged in one go. Margins and
exceedances stay whole numbers until they are joined.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ...model import REASONS, VERDICT_OF, Conformity, Excursion, Period, Reason, Rule
from ...units import MICRO
from ..rules.finding import Finding
from .judgement import Judgement

BODIES = "bodies"  # what is named as the rule where nothing but the bodies' temperature is unknown


@dataclass(frozen=True)
class ExcursionRun:
    """An excursion or a piece of one, in whole numbers: micro-units, and micro-units times seconds."""

    rule: str
    from_ns: int
    to_ns: int
    worst: int
    worst_ns: int
    margin: int
    U: int
    beyond: int
    probes: tuple[str, ...]
    proven: bool


def width(lower: float | None, upper: float | None) -> float:
    """The room between the limits of a rule, by which margins of different rules are compared."""
    if lower is not None and upper is not None:
        return max((upper - lower) / 2, 1e-9)
    return max(abs(upper if upper is not None else lower or 0.0), 1e-9)


def runs(code: NDArray[np.generic]) -> list[tuple[int, int]]:
    """Index ranges [i, j) of equal neighbours; none for an empty array.

    >>> runs(np.array([1, 1, 2]))
    [(0, 2), (2, 3)]
    """
    if not len(code):
        return []
    edges = [0, *(np.flatnonzero(code[1:] != code[:-1]) + 1).tolist(), len(code)]
    return list(pairwise(edges))


def periods(judgement: Judgement, part: slice) -> list[Period]:
    """Periods of the cells of `part`, with the rule and probe that decided each."""
    result = []
    for begin, end in runs(judgement.reason[part]):
        cells = slice(part.start + begin, part.start + end)
        reason = REASONS[int(judgement.reason[cells.start])]
        rule, probe, margin = _decider(judgement, cells, reason)
        first = judgement.grid.first
        result.append(
            Period(
                zone=judgement.zone,
                from_ns=(first + cells.start) * judgement.grid.step_ns,
                to_ns=(first + cells.stop) * judgement.grid.step_ns,
                verdict=VERDICT_OF[reason],
                reason=reason,
                rule=rule,
                probe=probe,
                provisional=first + cells.stop > judgement.provisional_from,
                margin=margin,
            )
        )
    return result


def _decider(judgement: Judgement, cells: slice, reason: Reason) -> tuple[str, str, float | None]:
    if reason in ("nonconforming", "guard band"):
        conformity = Conformity.NONCONFORMING if reason == "nonconforming" else Conformity.GUARD_BAND
        return _smallest_margin(judgement.findings, cells, conformity)
    if reason == "settling":
        return [rule for cell, rule in judgement.memory.causes if cell <= cells.start][-1], "", None
    if reason == "indeterminate":
        short = [f for f in judgement.findings if f.conformity[cells.start] == Conformity.INDETERMINATE]
        first = min(short, key=lambda f: f.rule.key, default=None)
        return (BODIES, "", None) if first is None else (first.rule.key, label(first, cells.start), None)
    return "", "", None


def _smallest_margin(
    findings: Sequence[Finding], cells: slice, conformity: Conformity
) -> tuple[str, str, float | None]:
    """Rule, probe and margin of the one that is printed, by the order of `leading_reason.leading_cause`."""
    best: tuple[float, int, str, str] | None = None
    for finding in findings:
        margin = np.where(finding.conformity[cells] == conformity, finding.margin[cells], np.inf)
        cell = int(np.argmin(margin))
        if np.isfinite(margin[cell]):
            share = float(margin[cell]) / MICRO / width(finding.rule.lower, finding.rule.upper)
            candidate = share, cell, finding.rule.key, label(finding, cells.start + cell)
            best = candidate if best is None else min(best, candidate)
    return ("", "", None) if best is None else (best[2], best[3], best[0])


def label(finding: Finding, cell: int) -> str:
    """Name of the probe or pair that decided a cell; empty where none did."""
    number = int(finding.label[cell])
    return finding.labels[number] if number >= 0 else ""


def join_periods(parts: Iterable[Period]) -> list[Period]:
    """Touching periods of one verdict and reason as one; the smaller margin names rule and probe."""
    joined: list[Period] = []
    for part in parts:
        last = joined[-1] if joined else None
        if last and (last.zone, last.reason, last.to_ns) == (part.zone, part.reason, part.from_ns):
            nearer = part.margin is not None and last.margin is not None and part.margin < last.margin
            who = part if nearer else last
            joined[-1] = replace(
                who, from_ns=last.from_ns, to_ns=part.to_ns, provisional=last.provisional or part.provisional
            )
        else:
            joined.append(part)
    return joined


def excursion_runs(finding: Finding, part: slice) -> list[ExcursionRun]:
    """Runs of cells of `part` in which the rule is nonconforming."""
    beyond = finding.conformity[part] == Conformity.NONCONFORMING
    return [
        _run(finding, slice(part.start + begin, part.start + end))
        for begin, end in runs(beyond)
        if beyond[begin]
    ]


def _run(finding: Finding, cells: slice) -> ExcursionRun:
    margin = finding.margin[cells]
    at = int(np.argmin(margin))
    grid = finding.grid
    bits = int(np.bitwise_or.reduce(finding.beyond[cells]))
    return ExcursionRun(
        rule=finding.rule.key,
        from_ns=(grid.first + cells.start) * grid.step_ns,
        to_ns=(grid.first + cells.stop) * grid.step_ns,
        worst=int(finding.value[cells][at]),
        worst_ns=(grid.first + cells.start + at) * grid.step_ns,
        margin=int(margin[at]),
        U=int(np.nan_to_num(finding.U[cells][at])),
        beyond=int(-margin.sum()) * grid.step_s,
        probes=tuple(name for i, name in enumerate(finding.labels) if bits >> i & 1),
        proven=bool(finding.proven[cells].any()),
    )


def join_runs(parts: Iterable[ExcursionRun]) -> list[ExcursionRun]:
    """Touching runs of one rule as one; parts ascending in time for each rule."""
    by_rule: dict[str, list[ExcursionRun]] = {}
    for part in parts:
        of_rule = by_rule.setdefault(part.rule, [])
        if of_rule and of_rule[-1].to_ns == part.from_ns:
            of_rule[-1] = _join_two(of_rule[-1], part)
        else:
            of_rule.append(part)
    return sorted((run for of_rule in by_rule.values() for run in of_rule), key=lambda r: (r.from_ns, r.rule))


def _join_two(a: ExcursionRun, b: ExcursionRun) -> ExcursionRun:
    worse = b if b.margin < a.margin else a
    return replace(
        worse,
        from_ns=a.from_ns,
        to_ns=b.to_ns,
        beyond=a.beyond + b.beyond,
        probes=tuple(sorted({*a.probes, *b.probes})),
        proven=a.proven or b.proven,
    )


def excursion(run: ExcursionRun, rule: Rule, provisional_from_ns: int) -> Excursion:
    """A run in the units that people read. `exceedance` is in unit·h."""
    worst = run.worst / MICRO
    over = rule.upper is not None and run.worst > round(rule.upper * MICRO)
    limit = rule.upper if over else rule.lower
    return Excursion(
        zone=rule.zone,
        rule=run.rule,
        from_ns=run.from_ns,
        to_ns=run.to_ns,
        worst=worst,
        worst_ns=run.worst_ns,
        limit=float("nan") if limit is None else limit,
        U=run.U / MICRO,
        unit=rule.unit,
        exceedance=run.beyond / MICRO / 3600,
        probes=run.probes,
        proven=run.proven,
        basis=rule.basis,
        provisional=run.to_ns > provisional_from_ns,
    )
