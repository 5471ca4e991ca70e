"""The thermal error of what was measured in a zone: from the record to µm, with its budget.

Temperatures of part and scale come from probes on them, where the zone has any, else from its air,
lagged by a time constant. What both take from the same probes is a shared error, which acts through
α_p − α_s alone. Definitions: ISO/TR 16015:2003 and ASME B89.6.2 (both from memory), JCGM 100:2008.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from ...series import Float
from ..evidence.sampling import dominant_period_s
from ..physics.expansion import REFERENCE_C, UM_PER_MM, Material, differential_expansion_um
from ..physics.length import CYCLE, EVEN, SharedUncertainty, Side, budget, error_index
from .temperatures import Tracks

AddingUp = Literal["gum", "b89"]
OWN_TVE = "part and scale only, structure not included"
CASES = {
    "at 20": "mean at 20 °C",
    "corrected": "off 20 °C and corrected",
    "not corrected": "off 20 °C and not corrected",
}


@dataclass(frozen=True)
class Feature:
    """A length that was measured; `tolerance_um` is the full width of its zone of tolerance."""

    length_mm: float
    material: Material
    tolerance_um: float | None = None
    name: str = ""


@dataclass(frozen=True)
class DriftCheck:
    """A machine's own measured temperature variation error, peak to valley; 0.0 K: span not known."""

    tve_um: float
    span_K: float = 0.0  # of the room while it was measured
    on: str = ""  # ISO 8601 day


@dataclass(frozen=True)
class Work:
    """How it was measured.

    compensated: the result was corrected to 20 °C with the mean temperatures; point_by_point: with
    those of each point, so that drift does not add. share_allowed: of the tolerance, by the laboratory.
    """

    scale: Material
    compensated: bool = False
    point_by_point: bool = False
    adding_up: AddingUp = "gum"
    drift: DriftCheck | None = None
    um_per_K: float | None = None  # from a check standard; in place of book values
    share_allowed: float | None = None


@dataclass(frozen=True)
class Line:
    """One contribution: a standard uncertainty (gum) or a bound (b89), in µm."""

    name: str
    um: float


@dataclass(frozen=True)
class ThermalError:
    """The thermal error of one feature; lengths in µm. U_um and k only by JCGM 100."""

    feature: str
    length_mm: float
    tolerance_um: float | None
    material: str
    scale_material: str
    case: str
    adding_up: AddingUp
    nde_um: float
    ed_um: float
    tve_um: float
    tve_source: str
    U_um: float | None
    k: float | None
    unde_um: float
    tei_pct: float | None
    share_of_tolerance: float | None
    share_allowed: float | None
    within_share: bool | None
    contributions: tuple[Line, ...]

    def to_json(self) -> dict[str, Any]:
        """As plain data, µm to a millionth."""
        body = asdict(self)
        return {name: round(v, 6) if isinstance(v, float) else v for name, v in body.items()} | {
            "contributions": [{"name": c.name, "um": round(c.um, 6)} for c in self.contributions]
        }

    @property
    def rank(self) -> tuple[bool, float]:
        """Greater is worse: by share of tolerance, else by size; unknown shares before known ones."""
        size = (self.U_um or self.unde_um) + abs(self.nde_um)
        known = self.share_of_tolerance is not None
        return not known, size if self.share_of_tolerance is None else self.share_of_tolerance


def thermal_errors(tracks: Tracks, features: Sequence[Feature], work: Work) -> list[ThermalError]:
    """Each feature's thermal error, the worst first."""
    found = [thermal_error(tracks, feature, work) for feature in features]
    return sorted(found, key=lambda e: e.rank, reverse=True)


def thermal_error(tracks: Tracks, feature: Feature, work: Work) -> ThermalError:
    """The error of one feature over the interval of the tracks."""
    drift = _delta(tracks, feature, work)
    ed = float(np.max(np.abs(drift - drift[0]), initial=0.0))
    tve, source = _tve(work, ed, tracks.span_K)
    own = work.drift is None and work.um_per_K is None
    half = float(np.ptp(drift)) / 2 if own else tve / 2
    sizes = _added_up(tracks, feature, work, (tve, half, drift))
    return ThermalError(
        feature=feature.name or f"{feature.length_mm:g} mm",
        length_mm=feature.length_mm,
        tolerance_um=feature.tolerance_um,
        material=feature.material.name,
        scale_material=work.scale.name,
        case=CASES[_case(tracks, work)],
        adding_up=work.adding_up,
        ed_um=ed,
        tve_um=tve,
        tve_source=source,
        share_allowed=work.share_allowed,
        **sizes,
    )


def _delta(tracks: Tracks, feature: Feature, work: Work) -> Float:
    """Δ(t) in µm from mastering to the end, where both temperatures are known."""
    part = (feature.material.alpha_per_K, tracks.part.value)
    scale = (work.scale.alpha_per_K, tracks.scale.value)
    every = differential_expansion_um(feature.length_mm, part, scale)
    return every[np.isfinite(every)]


def _tve(work: Work, ed: float, span_K: float) -> tuple[float, str]:
    """A drift check's value, scaled up where the room moved more than at the check, never down."""
    if work.drift is None and work.um_per_K is not None:
        own = abs(work.um_per_K)
        return own * span_K, f"check standard, {own:g} µm/K times {span_K:.2f} K"
    if work.drift is None:
        return ed, OWN_TVE
    known = work.drift.span_K > 0
    more = max(1.0, span_K / work.drift.span_K) if known else 1.0
    of = f" of {work.drift.on}" if work.drift.on else ""
    told = f"drift check{of}"
    if known:
        told += f" at a span of {work.drift.span_K:g} K" + (f", scaled by {more:.3g}" if more > 1 else "")
    return work.drift.tve_um * more, told


def _sides(tracks: Tracks, feature: Feature, work: Work) -> tuple[Side, Side]:
    """Part and scale at their mean temperatures; u_alpha_per_K holds the half-widths of the bounds."""
    p, s = tracks.part, tracks.scale
    return (
        Side(feature.material.alpha_per_K, p.mean_C, feature.material.half_width_per_K, p.u_own_K),
        Side(work.scale.alpha_per_K, s.mean_C, work.scale.half_width_per_K, s.u_own_K),
    )


def _case(tracks: Tracks, work: Work) -> str:
    """Which of the three of ISO/TR 16015: at 20 °C means within the uncertainty of the temperatures."""
    near = all(
        abs(t.mean_C - REFERENCE_C) <= 2 * float(np.hypot(t.u_own_K, tracks.u_shared_K))
        for t in (tracks.part, tracks.scale)
    )
    return "at 20" if near else "corrected" if work.compensated else "not corrected"


def _added_up(
    tracks: Tracks,
    feature: Feature,
    work: Work,
    variation: tuple[float, float, Float],
) -> dict[str, Any]:
    tve, half, drift = variation
    part, scale = _sides(tracks, feature, work)
    index = error_index(
        feature.length_mm,
        part,
        scale,
        tve_um=tve,
        tolerance_um=feature.tolerance_um or np.inf,
        corrected=work.compensated,
    )
    tei = None if feature.tolerance_um is None else index.tei_pct
    found = {"nde_um": index.nde_um, "unde_um": index.unde_um, "tei_pct": tei}
    bias = 0.0 if work.compensated else abs(index.nde_um)
    if work.adding_up == "b89":
        return found | _by_b89(feature, (part, scale), (bias, tve), work)
    share = CYCLE if _cycles(tracks, drift) else EVEN
    p, s = (replace(side, u_alpha_per_K=side.u_alpha_per_K * EVEN) for side in (part, scale))
    swing = 0.0 if work.point_by_point else 2 * half
    done = budget(feature.length_mm, p, s, SharedUncertainty(u_t_K=tracks.u_shared_K), swing, variation=share)
    lines = tuple(Line(c.name, c.u_um) for c in done.contributions if c.u_um > 0)
    return found | _against(feature, bias + done.U_um, work) | {
        "U_um": done.U_um, "k": 2.0, "contributions": lines,
    }  # fmt: skip


def _by_b89(
    feature: Feature, sides: tuple[Side, Side], sizes: tuple[float, float], work: Work
) -> dict[str, Any]:
    bias, tve = sizes
    L = feature.length_mm * UM_PER_MM
    bounds = [L * abs(s.t_C - REFERENCE_C) * s.u_alpha_per_K for s in sides]
    names = ("expansion of the part", "expansion of the scale")
    lines = [Line("nominal differential expansion", bias)] if bias else []
    lines += [Line(name, bound) for name, bound in zip(names, bounds, strict=True)]
    lines.append(Line("temperature variation error", tve))
    total = bias + sum(bounds) + tve
    return _against(feature, total, work) | {"U_um": None, "k": None, "contributions": tuple(lines)}


def _against(feature: Feature, total_um: float, work: Work) -> dict[str, Any]:
    if feature.tolerance_um is None:
        return {"share_of_tolerance": None, "within_share": None}
    share = total_um / feature.tolerance_um
    within = None if work.share_allowed is None else share <= work.share_allowed
    return {"share_of_tolerance": share, "within_share": within}


def _cycles(tracks: Tracks, drift: Float) -> bool:
    """Whether one cycle dominates the variation: then its values gather at the ends."""
    return bool(np.ptp(drift) > 0) and dominant_period_s(drift, tracks.step_s) is not None


def largest_um(tracks: Tracks, feature: Feature, work: Work) -> float:
    """The largest |Δ| at any time from mastering to the end, in µm."""
    return float(np.max(np.abs(_delta(tracks, feature, work)), initial=0.0))
