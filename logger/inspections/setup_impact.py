"""Verdicts and µm of registered inspections, and verdicts of issued records, that another setup would change.

Computed before a version is approved: a new certificate, an as-found result or a corrected entry
reach into the past. Nothing is stored.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from ..acts.inspections import inspections
from ..core.measurement.thermal_error import thermal_errors
from ..core.validity.timeline import first_affected
from ..errors import IntervalError, UnknownName
from ..instants import NS
from ..model import Setup
from ..store import Store
from ..store.hot import tables
from ..verdicts.verdicts import Verdicts
from .assess import Outcome, Question, judged_question, outcome_from, question_of

# A reading after an interval can still change its last minutes: doubt is lifted by what follows.
REACH_NS = 24 * 3600 * NS


# Of an error or U, in µm: less than this is not listed; the figures are printed to twice that.
LEAST_UM = 0.005


@dataclass(frozen=True)
class LengthFigures:
    """Thermal error of the length of an inspection and its U, in µm; None where there is none."""

    error_um: float | None = None
    U_um: float | None = None

    def differs(self, other: LengthFigures) -> bool:
        """Whether error or U is another one by as much as is printed."""
        pairs = (self.error_um, other.error_um), (self.U_um, other.U_um)
        return any(
            (a is None) != (b is None) or (a is not None and b is not None and abs(a - b) >= LEAST_UM)
            for a, b in pairs
        )


@dataclass(frozen=True)
class ChangedVerdict:
    """An inspection or issued record whose verdict, or whose figures, change under another setup."""

    what: str  # "inspection I-2601", "record 3"
    job: str  # title of the inspection, empty for a record
    zone: str
    from_ns: int
    to_ns: int
    was: str
    becomes: str
    figures_were: LengthFigures = LengthFigures()
    figures_become: LengthFigures = LengthFigures()

    @property
    def is_other_verdict(self) -> bool:
        """Whether the verdict or its reason changes, and not its figures alone."""
        return self.was != self.becomes

    @property
    def moved(self) -> str:
        """Error and U before and then, in words; empty where neither moves.

        >>> were, become = LengthFigures(1.204, 0.6), LengthFigures(1.45, 0.6)
        >>> ChangedVerdict("inspection I", "", "bay", 0, 1, "stable", "stable", were, become).moved
        'error 1.20 → 1.45 µm, U 0.60 µm as before'
        """
        were, become = self.figures_were, self.figures_become
        if not were.differs(become):
            return ""
        return f"error {_change(were.error_um, become.error_um)}, U {_change(were.U_um, become.U_um)}"

    @property
    def sentence(self) -> str:
        """The change in one sentence."""
        figures = f"; {self.moved}" if self.moved else ""
        if self.is_other_verdict:
            return f"{self.what}: was {self.was}, now {self.becomes}{figures}"
        return f"{self.what}: {self.was} as before{figures}"


def _change(was: float | None, becomes: float | None) -> str:
    texts = ["none" if value is None else f"{value:.2f}".replace("-", "−") for value in (was, becomes)]
    return f"{texts[0]} µm as before" if texts[0] == texts[1] else f"{texts[0]} → {texts[1]} µm"


@dataclass(frozen=True)
class _JudgedInterval:
    what: str
    job: str
    zone: str
    from_ns: int
    to_ns: int
    question: Question | None = None


def changed_verdicts(store: Store, before: Setup, after: Setup, now_ns: int) -> list[ChangedVerdict]:
    """Every registered inspection and issued record whose verdict, reason, error or U differs, by time."""
    first_change = {zone: first_affected(before, after, zone) for zone in before.zones}
    was, becomes = Verdicts(store, before), Verdicts(store, after)
    changed = []
    for interval in _judged_intervals(store, now_ns):
        first = first_change.get(interval.zone)
        if first is None or interval.to_ns + REACH_NS < first:
            continue
        (old, old_um), (new, new_um) = (_answer(v, interval, now_ns) for v in (was, becomes))
        if old != new or old_um.differs(new_um):
            span = interval.zone, interval.from_ns, interval.to_ns
            changed.append(ChangedVerdict(interval.what, interval.job, *span, old, new, old_um, new_um))
    return changed


def _judged_intervals(store: Store, now_ns: int) -> list[_JudgedInterval]:
    intervals = [
        _JudgedInterval(
            f"inspection {j.key}",
            j.title,
            j.zone,
            j.from_ns,
            now_ns if j.to_ns is None else j.to_ns,
            question_of(j, now_ns),
        )
        for j in inspections(store)
    ]
    t = tables.issue
    with store.read() as conn:
        rows = conn.execute(select(t.c.number, t.c.zone, t.c.from_ns, t.c.to_ns).order_by(t.c.number)).all()
    intervals += [_JudgedInterval(f"record {r.number}", "", r.zone, r.from_ns, r.to_ns) for r in rows]
    return sorted(intervals, key=lambda j: (j.from_ns, j.what))


def _answer(verdicts: Verdicts, interval: _JudgedInterval, now_ns: int) -> tuple[str, LengthFigures]:
    """Verdict and reason in words; error and U of the length, where the inspection has one."""
    question = interval.question
    try:
        if question is None or not question.features or question.work is None:
            activity = "" if question is None else question.activity
            span = interval.from_ns, interval.to_ns
            result = verdicts.check(interval.zone, *span, now_ns, activity=activity, alone=True)
            return f"{result.verdict} ({result.reason})", LengthFigures()
        question, judgement, before_s = judged_question(verdicts, question, now_ns, alone=True)
        context = verdicts.check_context(question.zone)
        outcome = outcome_from(verdicts, judgement, question, before_s, context)
    except (IntervalError, UnknownName):
        return "not judged", LengthFigures()
    return f"{outcome.verdict} ({outcome.reason})", _figures_of(outcome, question)


def _figures_of(outcome: Outcome, question: Question) -> LengthFigures:
    if outcome.tracks is None or question.work is None:
        return LengthFigures()
    worst = thermal_errors(outcome.tracks, question.features, question.work)[0]
    return LengthFigures(worst.nde_um, worst.U_um)
