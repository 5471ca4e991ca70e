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
from ..core.measurement.thermal_error import Feature, ThermalError, Work, thermal_errors
from ..core.physics.expansion import REFERENCE_C, UM_PER_MM, Material, material_of
from ..errors import IntervalError, Refused, UnitError
from ..instants import NS, rfc3339
from ..model import Inspection, Period, Setup, ThermalBody
from ..verdicts.conditions import cells_of, conditions_of
from ..verdicts.verdicts import Verdicts

# A body has forgotten how warm it was when it came in after so many time constants: 3 parts in 10 000.
TIMES_TAU = 8


@dataclass(frozen=True)
class Question:
    """What is asked of an interval; without features no thermal error. Times in ns, UTC."""

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
    """The answer; `thermal` worst feature first, empty where none was asked for or none can be had."""

    check: Check
    thermal: tuple[ThermalError, ...]
    tracks: Temperatures | None
    statement: str | None
    notices: tuple[str, ...]
    segments: tuple[Period, ...] = ()  # a long program, judged piece by piece

    def to_json(self) -> dict[str, Any]:
        """The check as plain data, with `thermal`, `statement` and `stamp`."""
        told = self.check.to_json()
        return told | {
            "thermal": self.thermal_json(),
            "segments": [_segment(p) for p in self.segments],
            "statement": self.statement,
            "stamp": stamp_text(told),
        }

    def thermal_json(self) -> dict[str, Any] | None:
        """The worst feature's thermal error, with all of them under `features`; None where not asked."""
        if not self.thermal or self.tracks is None:
            return {"shown": False, "notices": list(self.notices)} if self.notices else None
        worst = self.thermal[0]
        return worst.to_json() | {
            "shown": self.check.verdict != "not shown" and not any("not shown" in n for n in self.notices),
            "temperatures": _temperatures(self.tracks),
            "soak": soaked(worst, self.tracks),
            "features": [e.to_json() for e in self.thermal],
            "notices": list(self.notices),
        }


def _temperatures(found: Temperatures) -> dict[str, Any]:
    sides: Mapping[str, SideTemperature] = {"part": found.part, "scale": found.scale}
    return {
        name: {
            "mean_C": _number(t.mean_C),
            "u_K": _number(math.hypot(t.u_own_K, found.u_shared_K)),
            "u_shared_K": _number(found.u_shared_K),
            "how": t.how,
            "channels": list(t.channels),
        }
        for name, t in sides.items()
    } | {"air_span_K": _number(found.span_K)}


def soaked(worst: ThermalError, found: Temperatures) -> dict[str, Any]:
    """Whether part and scale were as equal at the start as the share of the tolerance asks."""
    difference = abs(found.at_start_K)
    told = {"difference_K": _number(difference), "residual_K": None, "met": None}
    if worst.tolerance_um is None or worst.share_allowed is None:
        return told
    alpha = material_of(worst.material).alpha_per_K
    residual = residual_K(worst.length_mm, alpha, worst.share_allowed * worst.tolerance_um)
    met = None if math.isnan(difference) else difference <= residual
    return told | {"residual_K": _number(residual), "met": met}


def residual_K(length_mm: float, alpha_per_K: float, allowed_um: float) -> float:
    """The difference between part and scale that changes a length by what is allowed.

    >>> round(residual_K(500.0, 11.5e-6, 2.0), 3)
    0.348
    """
    expansion = length_mm * UM_PER_MM * abs(alpha_per_K)
    return allowed_um / expansion if expansion else math.inf


def _number(value: float) -> float | None:
    return round(value, 6) if math.isfinite(value) else None


def assess(verdicts: Verdicts, asked: Question, now_ns: int) -> Assessment:
    """Answer a question; IntervalError or UnknownName where the interval cannot be judged."""
    before_s = verdicts.pre_window_s(asked.zone, asked.from_ns, asked.to_ns, now_ns, asked.pre_window_s)
    asked = settled(verdicts.setup, asked)
    judgement = verdicts.judgement(
        asked.zone, _begin_ns(verdicts, asked, before_s), asked.to_ns, now_ns, activity=asked.activity
    )
    return assessed(verdicts, judgement, asked, before_s)


def assessed(verdicts: Verdicts, judgement: Judgement, asked: Question, before_s: int) -> Assessment:
    """The same from a judgement that covers all of it."""
    result = verdicts.check_judgement(judgement, asked.from_ns, asked.to_ns, before_s, asked.activity)
    told = _statement(verdicts, judgement, result)
    pieces = tuple(periods(judgement, cells_of(judgement, result)))
    if not asked.features or asked.work is None:
        return Assessment(result, (), None, told, (), pieces)
    mastered = asked.from_ns if asked.mastered_ns is None else asked.mastered_ns
    span = mastered, asked.from_ns, asked.to_ns
    found = part_and_scale(judgement, verdicts.setup, span, asked.part, asked.scale)
    if found is None:
        return Assessment(result, (), None, told, ("no confirmed temperature in the interval",), pieces)
    errors = thermal_errors(found, asked.features, asked.work)
    return Assessment(result, tuple(errors), found, told, found.notices, pieces)


def _segment(p: Period) -> dict[str, Any]:
    return {"from": rfc3339(p.from_ns), "to": rfc3339(p.to_ns), "verdict": p.verdict, "reason": p.reason} | {
        "rule": p.rule,
        "probe": p.probe,
    }


def _statement(verdicts: Verdicts, judgement: Judgement, result: Check) -> str | None:
    """The sentence for a certificate; None where what it would say is not shown."""
    try:
        return conditions_of(verdicts, judgement, result).sentence
    except Refused:
        return None


def settled(setup: Setup, asked: Question) -> Question:
    """The question with the lags of bodies that the zone declares as "<zone>.part" and "<zone>.scale"."""
    mastered = asked.from_ns if asked.mastered_ns is None else asked.mastered_ns
    if mastered >= asked.to_ns:
        raise IntervalError(
            f"Mastered at {rfc3339(mastered)}: wanted an instant before the end {rfc3339(asked.to_ns)}."
        )
    for name, lag in (("part", asked.part), ("scale", asked.scale)):
        if lag.arrived_ns is not None and lag.arrived_ns > asked.from_ns:
            raise IntervalError(
                f"The {name} arrived at {rfc3339(lag.arrived_ns)}: wanted an instant no later than the start "
                f"{rfc3339(asked.from_ns)}."
            )
    bodies = {b.key.rpartition(".")[2]: b for b in setup.at(asked.from_ns).zone(asked.zone).bodies}
    sides = (("part", asked.part), ("scale", asked.scale))
    part, scale = (_lag(name, lag, bodies.get(name)) for name, lag in sides)
    return replace(asked, part=part, scale=scale)


def _lag(name: str, lag: Lag, body: ThermalBody | None) -> Lag:
    own = lag if lag.tau_s or body is None else replace(lag, tau_s=body.tau_s, u_tau_s=body.u_tau_s)
    if own.arrived_C is not None and not own.tau_s:
        raise Refused(
            f"The {name} arrived at {own.arrived_C:g} °C: how it follows the air is wanted, too; give its "
            "time constant, or its size and material (see `stillroom soak`)."
        )
    return own


def _begin_ns(verdicts: Verdicts, asked: Question, before_s: int) -> int:
    """So early that lags have forgotten their start; no earlier than the record."""
    begin = asked.from_ns - before_s * NS
    if not asked.features:
        return begin
    mastered = asked.from_ns if asked.mastered_ns is None else asked.mastered_ns
    longest = max(asked.part.tau_s, asked.scale.tau_s)
    wanted = min(begin, mastered, asked.from_ns) - round(TIMES_TAU * longest) * NS
    known = verdicts.store.extent(verdicts.setup.channels_in(asked.zone))
    return wanted if known is None else min(begin, max(wanted, known[0]))


def question_of(job: Inspection, now_ns: int, work: Work | None = None) -> Question:
    """The question that a registered job asks; one that still runs is asked about up to now.

    µm where it has a length and a material that is known; without `work`, on a steel scale, not corrected.
    """
    asked = Question(job.zone, job.from_ns, now_ns if job.to_ns is None else job.to_ns, activity=job.activity)
    if job.length_mm is None or not job.material:
        return asked
    try:
        material = material_of(job.material)
    except UnitError:
        return asked
    feature = Feature(job.length_mm, material, job.tolerance_um, job.title)
    return replace(asked, features=(feature,), work=work or Work(material_of("steel")))


def worst_case_um(error: ThermalError) -> float:
    """How far a result may be off, at most: the bias that was not corrected and what is uncertain."""
    bias = 0.0 if error.case.endswith(" corrected") and "not" not in error.case else abs(error.nde_um)
    return bias + (error.unde_um + error.tve_um if error.U_um is None else error.U_um)


__all__ = [
    "REFERENCE_C", "Assessment", "Material", "Question", "assess", "assessed", "question_of", "residual_K",
    "settled", "soaked", "worst_case_um",
]  # fmt: skip
