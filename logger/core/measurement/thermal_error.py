"""Thermal error in µm of a measurement in a zone, with its budget.

Temperatures of part and scale come from probes on them, where the zone has any, else from its air,
lagged by a time constant. The uncertainty of probes used for both is a shared error, which acts through
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
from .temperatures import Temperatures

AddingUp = Literal["gum", "b89"]
OWN_TVE = "part and scale only, structure not included"
CASES = {
    "at 20": "mean at 20 °C",
    "corrected": "off 20 °C and corrected",
    "not corrected": "off 20 °C and not corrected",
}


@dataclass(frozen=True)
class Feature:
    """A measured length; `tolerance_um` is the full width of its zone of tolerance."""

    length_mm: float
    material: Material
    tolerance_um: float | None = None
    name: str = ""


@dataclass(frozen=True)
class DriftCheck:
    """Measured temperature variation error of a machine, peak to valley; span_K 0.0: unknown."""

    tve_um: float
    span_K: float = 0.0  # of the room while it was measured
    on: str = ""  # ISO 8601 day


@dataclass(frozen=True)
class Work:
    """How a feature was measured.

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
class BudgetLine:
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
    contributions: tuple[BudgetLine, ...]

    def to_dict(self) -> dict[str, Any]:
        """As plain data, µm to a millionth."""
        body = asdict(self)
        return {name: round(v, 6) if isinstance(v, float) else v for name, v in body.items()} | {
            "contributions": [{"name": c.name, "um": round(c.um, 6)} for c in self.contributions]
        }

    @property
    def rank(self) -> tuple[bool, float]:
        """Greater is worse: by share of tolerance, else by size; unknown shares before known ones."""
        size = (self.U_um or self.unde_um) + abs(self.nde_um)
        has_share = self.share_of_tolerance is not None
        return not has_share, size if self.share_of_tolerance is None else self.share_of_tolerance


def thermal_errors(tracks: Temperatures, features: Sequence[Feature], work: Work) -> list[ThermalError]:
    """Each feature's thermal error, the worst first."""
    errors = [thermal_error(tracks, feature, work) for feature in features]
    return sorted(errors, key=lambda e: e.rank, reverse=True)


def thermal_error(tracks: Temperatures, feature: Feature, work: Work) -> ThermalError:
    """The error of one feature over the interval of the tracks."""
    drift = _delta(tracks, feature, work)
    ed = float(np.max(np.abs(drift - drift[0]), initial=0.0))
    tve, source = _tve(work, ed, tracks.span_K)
    computed = work.drift is None and work.um_per_K is None
    half = float(np.ptp(drift)) / 2 if computed else tve / 2
    sizes = _total(tracks, feature, work, (tve, half, drift))
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


def _delta(tracks: Temperatures, feature: Feature, work: Work) -> Float:
    """Δ in µm, (m,), at the cells from mastering to the end that have both temperatures."""
    part = (feature.material.alpha_per_K, tracks.part.value)
    scale = (work.scale.alpha_per_K, tracks.scale.value)
    delta = differential_expansion_um(feature.length_mm, part, scale)
    return delta[np.isfinite(delta)]


def _tve(work: Work, ed: float, span_K: float) -> tuple[float, str]:
    """TVE in µm and its source: that of a drift check is scaled up for a larger span, never down."""
    if work.drift is None and work.um_per_K is not None:
        sensitivity = abs(work.um_per_K)
        return sensitivity * span_K, f"check standard, {sensitivity:g} µm/K times {span_K:.2f} K"
    if work.drift is None:
        return ed, OWN_TVE
    has_span = work.drift.span_K > 0
    factor = max(1.0, span_K / work.drift.span_K) if has_span else 1.0
    of = f" of {work.drift.on}" if work.drift.on else ""
    source = f"drift check{of}"
    if has_span:
        source += f" at a span of {work.drift.span_K:g} K" + (
            f", scaled by {factor:.3g}" if factor > 1 else ""
        )
    return work.drift.tve_um * factor, source


def _sides(tracks: Temperatures, feature: Feature, work: Work) -> tuple[Side, Side]:
    """Part and scale at their mean temperatures; u_alpha_per_K holds the half-widths of the bounds."""
    p, s = tracks.part, tracks.scale
    return (
        Side(feature.material.alpha_per_K, p.mean_C, feature.material.half_width_per_K, p.u_own_K),
        Side(work.scale.alpha_per_K, s.mean_C, work.scale.half_width_per_K, s.u_own_K),
    )


def _case(tracks: Temperatures, work: Work) -> str:
    """Case of ISO/TR 16015: "at 20" means within the uncertainty of the temperatures."""
    near = all(
        abs(t.mean_C - REFERENCE_C) <= 2 * float(np.hypot(t.u_own_K, tracks.u_shared_K))
        for t in (tracks.part, tracks.scale)
    )
    return "at 20" if near else "corrected" if work.compensated else "not corrected"


def _total(
    tracks: Temperatures,
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
    sizes = {"nde_um": index.nde_um, "unde_um": index.unde_um, "tei_pct": tei}
    bias = 0.0 if work.compensated else abs(index.nde_um)
    if work.adding_up == "b89":
        return sizes | _by_b89(feature, (part, scale), (bias, tve), work)
    share = CYCLE if _is_cyclic(tracks, drift) else EVEN
    p, s = (replace(side, u_alpha_per_K=side.u_alpha_per_K * EVEN) for side in (part, scale))
    swing = 0.0 if work.point_by_point else 2 * half
    gum = budget(feature.length_mm, p, s, SharedUncertainty(u_t_K=tracks.u_shared_K), swing, variation=share)
    lines = tuple(BudgetLine(c.name, c.u_um) for c in gum.contributions if c.u_um > 0)
    return sizes | _against(feature, bias + gum.U_um, work) | {
        "U_um": gum.U_um, "k": 2.0, "contributions": lines,
    }  # fmt: skip


def _by_b89(
    feature: Feature, sides: tuple[Side, Side], sizes: tuple[float, float], work: Work
) -> dict[str, Any]:
    bias, tve = sizes
    L = feature.length_mm * UM_PER_MM
    bounds = [L * abs(s.t_C - REFERENCE_C) * s.u_alpha_per_K for s in sides]
    names = ("expansion of the part", "expansion of the scale")
    lines = [BudgetLine("nominal differential expansion", bias)] if bias else []
    lines += [BudgetLine(name, bound) for name, bound in zip(names, bounds, strict=True)]
    lines.append(BudgetLine("temperature variation error", tve))
    total = bias + sum(bounds) + tve
    return _against(feature, total, work) | {"U_um": None, "k": None, "contributions": tuple(lines)}


def _against(feature: Feature, total_um: float, work: Work) -> dict[str, Any]:
    if feature.tolerance_um is None:
        return {"share_of_tolerance": None, "within_share": None}
    share = total_um / feature.tolerance_um
    within = None if work.share_allowed is None else share <= work.share_allowed
    return {"share_of_tolerance": share, "within_share": within}


def _is_cyclic(tracks: Temperatures, drift: Float) -> bool:
    """Whether one cycle dominates the variation, so that values gather at its ends."""
    return bool(np.ptp(drift) > 0) and dominant_period_s(drift, tracks.step_s) is not None


def largest_um(tracks: Temperatures, feature: Feature, work: Work) -> float:
    """The largest |Δ| at any time from mastering to the end, in µm."""
    return float(np.max(np.abs(_delta(tracks, feature, work)), initial=0.0))
