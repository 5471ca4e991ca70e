"""One question about a measurement, answered whole: the verdict, the thermal error, and words for a report.

Everything comes from one judgement of the record, so that the answers cannot disagree.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from ..core.judge.judgement import Judgement
from ..core.judge.periods import periods
from ..core.measurement.check import Check
from ..core.measurement.stamp import stamp_text
from ..core.measurement.temperatures import Lag, SideTemperature, Temperatures, part_and_scale
from ..core.measurement.thermal_budget import ThermalBudget, inspection_budget
from ..core.measurement.thermal_error import Feature, ThermalError, Work, thermal_errors
from ..core.physics.expansion import REFERENCE_C, UM_PER_MM, Material, material_of
from ..errors import IntervalError, Refused, UnitError
from ..instants import NS, rfc3339
from ..model import Inspection, Period, Reason, Setup, ThermalBody, Verdict
from ..model.plain_forms import AssessmentAnswer
from ..verdicts.check_context import CheckContext
from ..verdicts.conditions import Read, cells_of, conditions_of
from ..verdicts.verdicts import Verdicts

# Time constants after which the initial temperature of a body no longer matters: 3 parts in 10 000 are left.
TIMES_TAU = 8
NO_STATEMENT = "No certificate statement: the verdict is “not shown”."


@dataclass(frozen=True)
class Question:
    """A question about an interval; without features no thermal error. Times in ns, UTC."""

    zone: str
    from_ns: int
    to_ns: int
    pre_window_s: int | None = None
    activity: str = ""
    features: tuple[Feature, ...] = ()
    work: Work | None = None
    mastered_ns: int | None = None
    part: Lag = field(default_factory=Lag)
    scale: Lag = field(default_factory=Lag)


@dataclass(frozen=True)
class Assessment:
    """The answer; `thermal` worst feature first, empty where not requested or not available."""

    check: Check
    thermal: tuple[ThermalError, ...]
    tracks: Temperatures | None
    statement: str | None
    notices: tuple[str, ...]
    segments: tuple[Period, ...] = ()  # a long program, judged piece by piece
    budget: ThermalBudget | None = None  # of the worst feature

    def to_dict(self) -> AssessmentAnswer:
        """The check as plain data, with `thermal`, `statement` and `stamp`."""
        check = self.check.to_dict()
        return {
            **check,
            "thermal": self.thermal_json(),
            "segments": [p.segment() for p in self.segments],
            "statement": self.statement,
            "stamp": stamp_text(check),
        }

    def thermal_json(self) -> dict[str, Any] | None:
        """The worst feature's thermal error, with all of them under `features`; None where not asked."""
        if not self.thermal or self.tracks is None:
            return {"shown": False, "notices": list(self.notices)} if self.notices else None
        worst = self.thermal[0]
        return worst.to_dict() | {
            "shown": self.check.verdict != "not shown" and not any("not shown" in n for n in self.notices),
            "temperatures": _temperatures(self.tracks),
            "soak": soak_state(worst, self.tracks),
            "features": [e.to_dict() for e in self.thermal],
            "budget": None if self.budget is None else self.budget.to_dict(),
            "notices": list(self.notices),
        }


def _temperatures(temperatures: Temperatures) -> dict[str, Any]:
    sides: Mapping[str, SideTemperature] = {"part": temperatures.part, "scale": temperatures.scale}
    return {
        name: {
            "mean_C": _number(t.mean_C),
            "u_K": _number(math.hypot(t.u_own_K, temperatures.u_shared_K)),
            "u_shared_K": _number(temperatures.u_shared_K),
            "how": t.how,
            "channels": list(t.channels),
        }
        for name, t in sides.items()
    } | {"air_span_K": _number(temperatures.span_K)}


def soak_state(worst: ThermalError, temperatures: Temperatures) -> dict[str, Any]:
    """Whether part and scale were as equal at the start as the share of the tolerance asks."""
    difference = abs(temperatures.at_start_K)
    state = {"difference_K": _number(difference), "residual_K": None, "met": None}
    if worst.tolerance_um is None or worst.share_allowed is None:
        return state
    alpha = material_of(worst.material).alpha_per_K
    residual = residual_K(worst.length_mm, alpha, worst.share_allowed * worst.tolerance_um)
    met = None if math.isnan(difference) else difference <= residual
    return state | {"residual_K": _number(residual), "met": met}


def residual_K(length_mm: float, alpha_per_K: float, allowed_um: float) -> float:
    """The difference between part and scale that changes a length by what is allowed.

    >>> round(residual_K(500.0, 11.5e-6, 2.0), 3)
    0.348
    """
    expansion = length_mm * UM_PER_MM * abs(alpha_per_K)
    return allowed_um / expansion if expansion else math.inf


def _number(value: float) -> float | None:
    return round(value, 6) if math.isfinite(value) else None


@dataclass(frozen=True)
class Outcome:
    """Verdict, reason and temperatures that an `Assessment` holds, without its figures and words."""

    verdict: Verdict
    reason: Reason
    tracks: Temperatures | None


def assess(verdicts: Verdicts, question: Question, now_ns: int) -> Assessment:
    """Answer a question; IntervalError or UnknownName where the interval cannot be judged."""
    question, judgement, before_s = judged_question(verdicts, question, now_ns)
    return assessment_from(verdicts, judgement, question, before_s)


def judged_question(
    verdicts: Verdicts, question: Question, now_ns: int, *, alone: bool = False
) -> tuple[Question, Judgement, int]:
    """A question with its lags, a judgement that answers it, and its pre-window in s.

    `alone`: without stored verdicts and storing none, for a setup that is not in force.
    """
    before_s = verdicts.pre_window_s(
        question.zone, question.from_ns, question.to_ns, now_ns, question.pre_window_s
    )
    question = with_zone_lags(verdicts.setup, question)
    judgement = verdicts.judgement(
        question.zone,
        _begin_ns(verdicts, question, before_s),
        question.to_ns,
        now_ns,
        activity=question.activity,
        alone=alone,
    )
    return question, judgement, before_s


def assessment_from(
    verdicts: Verdicts,
    judgement: Judgement,
    question: Question,
    before_s: int,
    *,
    context: CheckContext | None = None,
    read: Read | None = None,
    in_table: bool = False,
) -> Assessment:
    """Answer a question from a judgement that covers its whole interval and pre-window.

    `context` and `read`: marks and readings as they were read before, for many questions. `in_table`:
    for a row of a table, with the check and the thermal errors alone: no sentence, pieces and budget.
    """
    result = verdicts.check_judgement(
        judgement, question.from_ns, question.to_ns, before_s, question.activity, context=context
    )
    statement = None if in_table else _statement(verdicts, judgement, result, read)
    pieces = () if in_table else tuple(periods(judgement, cells_of(judgement, result)))
    if not question.features or question.work is None:
        return Assessment(result, (), None, statement, (), pieces)
    temperatures = _temperatures_in(verdicts.setup, judgement, question)
    if temperatures is None:
        return Assessment(result, (), None, statement, ("no confirmed temperature in the interval",), pieces)
    errors = thermal_errors(temperatures, question.features, question.work)
    if in_table:
        return Assessment(result, tuple(errors), temperatures, None, temperatures.notices)
    names = [f.name or f"{f.length_mm:g} mm" for f in question.features]
    worst = question.features[names.index(errors[0].feature)]
    rows = inspection_budget(temperatures, worst, question.work)
    return Assessment(result, tuple(errors), temperatures, statement, temperatures.notices, pieces, rows)


def outcome_from(
    verdicts: Verdicts, judgement: Judgement, question: Question, before_s: int, context: CheckContext
) -> Outcome:
    """The outcome of `assessment_from`: a small part of its cost, for questions about many inspections."""
    ends = question.from_ns, question.to_ns
    verdict, reason = verdicts.verdict_of(judgement, ends, before_s, question.activity, context)
    if not question.features or question.work is None:
        return Outcome(verdict, reason, None)
    return Outcome(verdict, reason, _temperatures_in(verdicts.setup, judgement, question))


def _temperatures_in(setup: Setup, judgement: Judgement, question: Question) -> Temperatures | None:
    mastered = question.from_ns if question.mastered_ns is None else question.mastered_ns
    span = mastered, question.from_ns, question.to_ns
    return part_and_scale(judgement, setup, span, question.part, question.scale)


def _statement(verdicts: Verdicts, judgement: Judgement, result: Check, read: Read | None) -> str | None:
    """The sentence for a certificate; None where the verdict is *not shown*."""
    if result.verdict == "not shown":
        return None  # refused below as well, after every reading was looked at
    try:
        return conditions_of(verdicts, judgement, result, read).sentence
    except Refused:
        return None


def with_zone_lags(setup: Setup, question: Question) -> Question:
    """The question with the lags of bodies that the zone declares as "<zone>.part" and "<zone>.scale"."""
    mastered = question.from_ns if question.mastered_ns is None else question.mastered_ns
    if mastered >= question.to_ns:
        raise IntervalError(
            f"Mastered at {rfc3339(mastered)}: expected a time before the end {rfc3339(question.to_ns)}."
        )
    for name, lag in (("part", question.part), ("scale", question.scale)):
        if lag.arrived_ns is not None and lag.arrived_ns > question.from_ns:
            raise IntervalError(
                f"The {name} arrived at {rfc3339(lag.arrived_ns)}: expected a time no later than the start "
                f"{rfc3339(question.from_ns)}."
            )
    bodies = {b.key.rpartition(".")[2]: b for b in setup.at(question.from_ns).zone(question.zone).bodies}
    sides = (("part", question.part), ("scale", question.scale))
    part, scale = (_lag(name, lag, bodies.get(name)) for name, lag in sides)
    return replace(question, part=part, scale=scale)


def _lag(name: str, lag: Lag, body: ThermalBody | None) -> Lag:
    resolved = lag if lag.tau_s or body is None else replace(lag, tau_s=body.tau_s, u_tau_s=body.u_tau_s)
    if resolved.arrived_C is not None and not resolved.tau_s:
        raise Refused(
            f"The {name} arrived at {resolved.arrived_C:g} °C: give its time constant too, or "
            "its size and material (see `stillroom soak`)."
        )
    return resolved


def _begin_ns(verdicts: Verdicts, question: Question, before_s: int) -> int:
    """Start early enough (8 time constants) that the initial temperature no longer matters; ns, UTC.

    Never before the record begins.
    """
    begin = question.from_ns - before_s * NS
    if not question.features:
        return begin
    mastered = question.from_ns if question.mastered_ns is None else question.mastered_ns
    longest = max(question.part.tau_s, question.scale.tau_s)
    earliest = min(begin, mastered, question.from_ns) - round(TIMES_TAU * longest) * NS
    extent = verdicts.store.readings.extent(verdicts.setup.channels_in(question.zone))
    return earliest if extent is None else min(begin, max(earliest, extent[0]))


def question_of(inspection: Inspection, now_ns: int, work: Work | None = None) -> Question:
    """The question of a registered inspection, up to now while it is running.

    µm where it has a length and a known material; without `work`, on a steel scale, not corrected.
    """
    question = Question(
        inspection.zone,
        inspection.from_ns,
        now_ns if inspection.to_ns is None else inspection.to_ns,
        activity=inspection.activity,
    )
    if inspection.length_mm is None or not inspection.material:
        return question
    try:
        material = material_of(inspection.material)
    except UnitError:
        return question
    feature = Feature(inspection.length_mm, material, inspection.tolerance_um, inspection.title)
    return replace(question, features=(feature,), work=work or Work(material_of("steel")))


def worst_case_um(error: ThermalError) -> float:
    """How far a result may be off, at most: the bias that was not corrected and what is uncertain."""
    bias = 0.0 if error.case.endswith(" corrected") and "not" not in error.case else abs(error.nde_um)
    return bias + (error.unde_um + error.tve_um if error.U_um is None else error.U_um)


__all__ = [
    "REFERENCE_C",
    "Assessment",
    "Material",
    "Outcome",
    "Question",
    "assess",
    "assessment_from",
    "judged_question",
    "outcome_from",
    "question_of",
    "residual_K",
    "soak_state",
    "with_zone_lags",
    "worst_case_um",
]  # fmt: skip
