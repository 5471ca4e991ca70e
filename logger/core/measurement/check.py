"""The check of an inspection: do the data support a measurement over an interval, and if not, why not.

The verdict is the worst over [start, end] with settling and marks, and over the pre-window before it
by the rules alone. Every rule is listed with its worst value, limit, U, probe and time, whatever
the verdict; beside a mean there are always min, max, span and the share of time within limits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ...instants import rfc3339
from ...model import REASONS, VERDICT_OF, Conformity, Mark, Reason, Rule, Setup, Verdict
from ...model.plain_forms import CheckAnswer, CheckReason
from ...model.reasons import WHY_TEXT, RecordStart, Why, reason_text
from ...units import MICRO
from ..judge.judgement import Judgement, digest
from ..judge.leading_reason import NO_LIMIT, Cause, because, leading_cause, reason_of, width
from ..judge.periods import BODIES, label, runs
from ..rules.finding import Finding, margin_and_value
from ..validity.leniency import evidence_settings
from .channel_statistics import ChannelStatistics, statistics
from .own_readings import NO_READING_INSIDE, rules_without_reading
from .sampling_notices import sampling_notices

_SEVERITY: Mapping[Verdict, int] = {"stable": 0, "not shown": 1, "not stable": 2}
_COVERED = ("verdict", "zone", "from", "to", "pre_window_s", "activity", "provisional", "decision_rule",
            "reasons", "rules", "notices")  # fmt: skip
_REASON_OF: Mapping[int, Reason] = {
    Conformity.NONCONFORMING: "nonconforming",
    Conformity.INDETERMINATE: "indeterminate",
    Conformity.GUARD_BAND: "guard band",
    Conformity.CONFORMING: "conforming",
}


@dataclass(frozen=True)
class Check:
    """The answer for one interval.

    causes: every reason, those of the worst verdict first; rules: every rule once;
    lead: the cause that is printed beside the verdict; because: the sentence that says it.
    """

    zone: str
    from_ns: int
    to_ns: int
    pre_window_s: int
    activity: str
    verdict: Verdict
    provisional: bool
    causes: tuple[Cause, ...]
    rules: tuple[Cause, ...]
    statistics: tuple[ChannelStatistics, ...]
    decision_rule: str
    setup: str
    software: str
    notices: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()  # by which evidence was judged, as in `logger.core.validity.leniency`
    lead: Cause | None = None
    because: str = ""

    @property
    def reason(self) -> Reason:
        """The reason beside the verdict; it always belongs to that verdict."""
        return reason_of(self.lead, self.verdict)

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the result, see `to_dict`."""
        return self.to_dict()["digest"]

    def to_dict(self) -> CheckAnswer:
        """The answer as plain data; `digest` covers the result, not the person or the software.

        `reason`, `leading` and `because` are chosen from `reasons`, which the digest covers. It does not
        cover U and medium of the statistics, which follow from the setup.
        """
        answer: CheckAnswer = {
            "verdict": self.verdict,
            "zone": self.zone,
            "from": rfc3339(self.from_ns),
            "to": rfc3339(self.to_ns),
            "pre_window_s": self.pre_window_s,
            "activity": self.activity,
            "provisional": self.provisional,
            "decision_rule": self.decision_rule,
            "reasons": [_cause_dict(c) for c in self.causes],
            "rules": [_cause_dict(c) for c in self.rules],
            "statistics": {s.channel: s.to_dict() for s in self.statistics},
            "notices": list(self.notices),
            "reason": self.reason,
            "because": self.because,
            "leading": None if self.lead is None else _cause_dict(self.lead),
            "digest": "",
            "setup": self.setup,
            "software": self.software,
            "settings": list(self.settings),
        }
        judged = {s.channel: s.to_dict(judged=True) for s in self.statistics}
        covered = {key: value for key, value in answer.items() if key in _COVERED} | {"statistics": judged}
        return {**answer, "digest": digest(covered)}


def _cause_dict(cause: Cause) -> CheckReason:
    return {
        "reason": cause.reason,
        "rule": cause.rule,
        "probe": cause.probe,
        "worst": cause.worst,
        "limit": cause.limit,
        "U": cause.U,
        "unit": cause.unit,
        "proven": cause.proven,
        "basis": cause.basis,
        "why": cause.why,
        "pre_window": cause.pre_window,
        "from": rfc3339(cause.from_ns),
        "to": rfc3339(cause.to_ns),
    }


def check(
    judgement: Judgement,
    setup: Setup,
    from_ns: int,
    to_ns: int,
    *,
    pre_window_s: int,
    marks: tuple[Mark, ...] = (),
    activity: str = "",
    software: str = "",
    start: RecordStart | None = None,
) -> Check:
    """Answer for [from, to) from a judgement that covers it and the pre-window before it.

    start: of the record, where it may have begun within a window.

    Where `to` lies in the present minute, the answer covers the complete ones and is provisional.
    """
    grid, inside = judgement.grid, _cells_inside(judgement, from_ns, to_ns)
    causes = _causes(judgement, setup, (from_ns, to_ns), pre_window_s=pre_window_s, marks=marks, start=start)
    verdict = _worst_verdict(judgement, inside, causes)
    in_force = [f for f in judgement.findings if f.conformity[inside].any()]
    lead, sentence = _beside(judgement, setup, causes, verdict)
    return Check(
        zone=judgement.zone,
        from_ns=from_ns,
        to_ns=to_ns,
        pre_window_s=pre_window_s,
        activity=activity,
        verdict=verdict,
        provisional=grid.first + inside.stop > judgement.provisional_from,
        causes=tuple(causes),
        rules=tuple(_summary(f, inside, start) for f in in_force),
        statistics=tuple(statistics(judgement, setup, inside, (from_ns, to_ns))),
        decision_rule=decision_rule(tuple(f.rule for f in in_force)),
        setup=setup.digest,
        software=software,
        notices=tuple(sampling_notices(judgement)),
        settings=evidence_settings(
            setup, judgement.zone, [f.rule for f in in_force], (from_ns, to_ns), pre_window_s
        ),
        lead=lead,
        because=sentence,
    )


def check_verdict(
    judgement: Judgement,
    setup: Setup,
    span: tuple[int, int],
    *,
    pre_window_s: int,
    marks: tuple[Mark, ...],
    start: RecordStart | None,
) -> tuple[Verdict, Reason]:
    """Verdict and reason of the check of a span, [from, to) in ns, without its figures and words."""
    causes = _causes(judgement, setup, span, pre_window_s=pre_window_s, marks=marks, start=start)
    verdict = _worst_verdict(judgement, _cells_inside(judgement, *span), causes)
    return verdict, reason_of(_lead(judgement, causes, verdict), verdict)


def _cells_inside(judgement: Judgement, from_ns: int, to_ns: int) -> slice:
    grid = judgement.grid
    return slice(from_ns // grid.step_ns - grid.first, min(-(-to_ns // grid.step_ns) - grid.first, grid.n))


def _causes(
    judgement: Judgement,
    setup: Setup,
    span: tuple[int, int],
    *,
    pre_window_s: int,
    marks: tuple[Mark, ...],
    start: RecordStart | None,
) -> list[Cause]:
    """Every reason of a span and of the pre-window before it, those of the worst verdict first."""
    inside = _cells_inside(judgement, *span)
    before = slice(max(0, inside.start - pre_window_s // judgement.grid.step_s), inside.start)
    causes = [
        *_rule_causes(judgement, inside, start, pre_window=False),
        *_other_causes(judgement, inside, marks),
        *_without_limit(judgement, inside),
        *(
            replace(_bare(judgement, "indeterminate", rule, inside, NO_READING_INSIDE), probe=probe)
            for rule, probe in rules_without_reading(judgement, setup, inside, *span)
        ),
        *_rule_causes(judgement, before, start, pre_window=True),
    ]
    return sorted(
        causes, key=lambda c: (-_SEVERITY[VERDICT_OF[c.reason]], REASONS.index(c.reason), c.from_ns, c.rule)
    )


def _beside(
    judgement: Judgement, setup: Setup, causes: Sequence[Cause], verdict: Verdict
) -> tuple[Cause | None, str]:
    """The leading cause, printed beside the verdict, and its sentence."""
    lead = _lead(judgement, causes, verdict)
    names = {f.rule.key: f.rule.name for f in judgement.findings}
    return lead, because(lead, verdict, names, ZoneInfo(setup.room.timezone))


def _lead(judgement: Judgement, causes: Sequence[Cause], verdict: Verdict) -> Cause | None:
    rules = [finding.rule for finding in judgement.findings]
    return leading_cause(causes, verdict, {r.key: width(r.lower, r.upper) for r in rules})


def decision_rule(rules: tuple[Rule, ...]) -> str:
    """How a value is compared with its limit, in one sentence, as it is printed."""
    factors = sorted({rule.r for rule in rules})
    if factors == [0.0]:
        return "simple acceptance (no guard band)"
    if 0.0 in factors:
        return "guarded acceptance with w = r·U, k = 2; simple acceptance where r = 0"
    factors_text = ", ".join(f"{r:g}" for r in factors) or "1"
    return f"guarded acceptance with w = r·U, r = {factors_text}, U with k = 2 (JCGM 106)"


def _worst_verdict(judgement: Judgement, inside: slice, causes: list[Cause]) -> Verdict:
    reasons = {REASONS[int(i)] for i in np.unique(judgement.reason[inside])}
    verdicts = [VERDICT_OF[r] for r in reasons] + [VERDICT_OF[c.reason] for c in causes]
    return max(verdicts, key=lambda v: _SEVERITY[v], default="not shown")


def _rule_causes(
    judgement: Judgement, part: slice, start: RecordStart | None, *, pre_window: bool
) -> list[Cause]:
    """A cause for every run of a rule's result other than conforming."""
    causes = []
    for finding in judgement.findings:
        for begin, end in runs(finding.conformity[part]):
            cells = slice(part.start + begin, part.start + end)
            result = Conformity(int(finding.conformity[cells.start]))
            if result > Conformity.CONFORMING:
                causes.append(_cause(finding, cells, _REASON_OF[result], start, pre_window=pre_window))
    return causes


def _cause(
    finding: Finding, cells: slice, reason: Reason, start: RecordStart | None, *, pre_window: bool = False
) -> Cause:
    margin = finding.margin[cells]
    has_margin = bool(np.isfinite(margin).any())
    at = cells.start + (int(np.nanargmin(margin)) if has_margin and reason != "indeterminate" else 0)
    value, U = finding.value[at], finding.U[at]
    has_value = np.isfinite(value) and reason != "indeterminate"
    return Cause(
        reason=reason,
        rule=finding.rule.key,
        probe=label(finding, at),
        from_ns=(finding.grid.first + cells.start) * finding.grid.step_ns,
        to_ns=(finding.grid.first + cells.stop) * finding.grid.step_ns,
        worst=float(value) / MICRO if has_value else None,
        limit=limit_near(finding.rule, float(value)) if has_value else _only_limit(finding.rule),
        U=float(U) / MICRO if has_value and np.isfinite(U) else None,
        unit=finding.rule.unit,
        proven=bool(finding.proven[cells].any()),
        basis=finding.rule.basis,
        why=_why(finding, at, start),
        pre_window=pre_window,
    )


def _why(finding: Finding, at: int, start: RecordStart | None) -> str:
    until_ns = (finding.grid.first + at + 1) * finding.grid.step_ns
    return reason_text(Why(int(finding.why[at])), finding.rule, start, until_ns)


def limit_near(rule: Rule, value_micro: float) -> float | None:
    """The limit that a value is nearer to."""
    point = np.array([value_micro])
    _, side = margin_and_value(rule, point, point)
    upper = np.inf if rule.upper is None else abs(rule.upper * MICRO - side[0])
    lower = np.inf if rule.lower is None else abs(rule.lower * MICRO - side[0])
    return rule.upper if upper <= lower else rule.lower


def _only_limit(rule: Rule) -> float | None:
    return rule.upper if rule.lower is None else rule.lower if rule.upper is None else None


def _other_causes(judgement: Judgement, inside: slice, marks: tuple[Mark, ...]) -> list[Cause]:
    causes: list[Cause] = []
    grid = judgement.grid
    start, stop = (grid.first + inside.start) * grid.step_ns, (grid.first + inside.stop) * grid.step_ns
    for begin, end in _true_runs(judgement.memory.settling, inside):
        rule = [r for cell, r in judgement.memory.causes if cell <= begin][-1]
        why = f"machine and parts still settle after {rule} was not met"
        causes.append(_bare(judgement, "settling", rule, slice(begin, end), why))
    causes.extend(
        replace(
            _bare(judgement, "marked", "", inside, f"{mark.reason} (marked by {mark.who})"),
            from_ns=max(start, mark.from_ns),
            to_ns=min(stop, mark.to_ns),
        )
        for mark in marks
        if mark.zone == judgement.zone and mark.from_ns < stop and mark.to_ns > start
    )
    for begin, end in _true_runs(judgement.memory.unknown, inside):
        why = WHY_TEXT[Why.BODIES_UNKNOWN]
        causes.append(_bare(judgement, "indeterminate", BODIES, slice(begin, end), why))
    return causes


def _without_limit(judgement: Judgement, inside: slice) -> list[Cause]:
    """A cause for each time without any rule in force: it is not shown to be stable."""
    unruled = np.ones(judgement.grid.n, np.bool_)
    for finding in judgement.findings:
        unruled &= finding.conformity == Conformity.NOT_APPLICABLE
    spans = _true_runs(unruled, inside)
    return [_bare(judgement, "indeterminate", "", slice(*span), NO_LIMIT) for span in spans]


def _true_runs(flags: NDArray[np.bool_], part: slice) -> list[tuple[int, int]]:
    return [(part.start + b, part.start + e) for b, e in runs(flags[part]) if flags[part.start + b]]


def _bare(judgement: Judgement, reason: Reason, rule: str, cells: slice, why: str) -> Cause:
    first, step_ns = judgement.grid.first, judgement.grid.step_ns
    return Cause(
        reason, rule, "", (first + cells.start) * step_ns, (first + cells.stop) * step_ns,
        None, None, None, "", False, "", why, False,
    )  # fmt: skip


def _summary(finding: Finding, inside: slice, start: RecordStart | None) -> Cause:
    """One rule over the whole interval: its worst result with the value of smallest margin."""
    result = int(finding.conformity[inside].max(initial=0))
    reason = _REASON_OF.get(result, "indeterminate")
    margin = finding.margin[inside]
    cause = _cause(finding, inside, "conforming" if np.isfinite(margin).any() else "indeterminate", start)
    short = finding.why[inside]
    if not len(short):
        return replace(cause, reason=reason)
    # The last such cell: a loss that comes after the start of a record is named before that start.
    last = inside.start + int(np.flatnonzero(short == short.max())[-1])
    return replace(cause, reason=reason, why=_why(finding, last, start))
