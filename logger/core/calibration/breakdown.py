"""A correction and its U item by item, so that both can be recalculated by hand.

correction = that of the certificate + that of the as-found errors of the next calibration
U = 2·√(sum of the squares of the standard uncertainties)               (JCGM 100, 5.1)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NotRequired, TypedDict

import numpy as np

from ...model import Certificate, Channel
from ...model.figures import percent
from .apply import certificate_U
from .as_found import change, effect, elapsed_share
from .curve import correction, left_over

DAY_NS = 86_400 * 10**9


class PartForm(TypedDict):
    """One item of a correction, or one standard uncertainty, as plain data."""

    name: str
    value: float
    detail: NotRequired[str]


class BreakdownForm(TypedDict):
    """The items of a correction and of its standard uncertainty as plain data."""

    correction: Sequence[PartForm]
    standard_uncertainty: Sequence[PartForm]


@dataclass(frozen=True)
class BudgetItem:
    """One item of a correction, or one standard uncertainty, in the channel's unit; `detail` in words."""

    name: str
    value: float
    detail: str = ""

    def to_dict(self) -> PartForm:
        """As plain data."""
        return {"name": self.name, "value": self.value, "detail": self.detail}


@dataclass(frozen=True)
class CorrectionBreakdown:
    """Items of the correction of one reading and of its standard uncertainty."""

    correction: tuple[BudgetItem, ...]
    u: tuple[BudgetItem, ...]

    @property
    def total(self) -> float:
        """The correction: sum of its items."""
        return sum(part.value for part in self.correction)

    @property
    def U(self) -> float:
        """Expanded uncertainty, k = 2."""
        return 2 * math.hypot(*(part.value for part in self.u))

    def to_dict(self) -> BreakdownForm:
        """As plain data."""
        return {
            "correction": [part.to_dict() for part in self.correction],
            "standard_uncertainty": [part.to_dict() for part in self.u],
        }


def correction_breakdown(
    channel: Channel, certificates: Sequence[Certificate], taken_ns: int, indication: float
) -> CorrectionBreakdown | None:
    """Correction of a reading by the certificate in force at its instant; None before the first one.

    >>> from logger.model import AsFound, Certificate, Channel
    >>> from dataclasses import replace
    >>> first = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, None, (20.0,), (-0.01,), (0.03,),
    ...                     2.0, (15.0, 25.0))
    >>> errors = AsFound((20.0,), (0.25,), "linear")
    >>> second = replace(first, number="2", valid_from_ns=100, corrections=(-0.25,), as_found=errors)
    >>> channel = Channel("T.temperature", "T", "temperature", "degC", 60, 180, 0.0, 0.0, (-40, 60))
    >>> items = correction_breakdown(channel, (first, second), 50, 20.0).correction
    >>> [(item.name, round(item.value, 3)) for item in items]
    [('certificate 1', -0.01), ('as found by 2, linear, 50 % of the time', -0.12)]
    """
    used = [i for i, c in enumerate(certificates) if c.valid_from_ns <= taken_ns]
    if not used or not math.isfinite(indication):
        return None
    certificate = certificates[used[-1]]
    after = certificates[used[-1] + 1] if used[-1] + 1 < len(certificates) else None
    at, value = np.array([taken_ns]), np.array([indication])
    corrections = [
        BudgetItem(
            f"certificate {certificate.number}",
            float(correction(certificate, value)[0]),
            f"{certificate.number}, {_place(certificate, indication)} {channel.unit}",
        )
    ]
    uncertain = _standard_uncertainties(channel, certificate, value)
    as_found_effect = effect(certificate, after, at, value) if after else None
    if as_found_effect is not None and after is not None and after.as_found is not None:
        model = after.as_found.model
        passed = f", {percent(elapsed_share(certificate, after, at)[0], 0)} of the time"
        name = f"as found by {after.number}, {model}"
        detail = _change_detail(certificate, after, taken_ns, indication, channel.unit)
        corrections.append(
            BudgetItem(
                name + (passed if model == "linear" else ""), float(as_found_effect.correction[0]), detail
            )
        )
        uncertain = [u for u in uncertain if u.name != "drift" or not as_found_effect.replaces_drift]
        uncertain.append(BudgetItem(name, float(as_found_effect.half_width[0]) / math.sqrt(3)))
    return CorrectionBreakdown(tuple(corrections), tuple(u for u in uncertain if u.value > 0))


def _place(certificate: Certificate, indication: float) -> str:
    """Where on a certificate an indication lies: between which of its points.

    >>> from logger.model import Certificate
    >>> c = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, None, (18.0, 22.0), (-0.1, -0.2),
    ...                 (0.1, 0.1), 2.0, (18.0, 22.0))
    >>> _place(c, 20.1), _place(c, 22.5)
    ('between 18 and 22', 'above 22')
    """
    points = certificate.indications
    if certificate.polynomial is not None:
        return f"polynomial at {indication:.10g}"
    if indication <= points[0]:
        return f"{'at' if indication == points[0] else 'below'} {points[0]:.10g}"
    if indication >= points[-1]:
        return f"{'at' if indication == points[-1] else 'above'} {points[-1]:.10g}"
    upper = next(n for n, at in enumerate(points) if at >= indication)
    return f"between {points[upper - 1]:.10g} and {points[upper]:.10g}"


def _change_detail(
    before: Certificate, after: Certificate, taken_ns: int, indication: float, unit: str
) -> str:
    """What a later calibration found here, and by which model it acts on this reading."""
    assert after.as_found is not None  # noqa: S101 (only where something was found)
    delta = float(change(before, after, np.array([indication]))[0])
    size, way = f"{abs(delta):.3f} {unit}", "more" if delta >= 0 else "less"
    difference = f"{after.number} found {size} {way} than {before.number} left"
    if after.as_found.model == "step":
        return f"{difference}; step at an unknown time, not corrected"
    start, end = (c.valid_from_ns if c.calibrated_ns is None else c.calibrated_ns for c in (before, after))
    days = [max(0, min(ns, end) - start) / DAY_NS for ns in (taken_ns, end)]
    return f"{difference}; linear, {days[0]:.1f} of {days[1]:.1f} days"


def _standard_uncertainties(
    channel: Channel, certificate: Certificate, value: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> list[BudgetItem]:
    """Standard uncertainties of the certificate and of the channel, in the order of the formula."""
    return [
        BudgetItem(
            f"certificate {certificate.number}", float(certificate_U(certificate, value)[0]) / certificate.k
        ),
        BudgetItem("resolution", channel.resolution / math.sqrt(12)),
        BudgetItem("noise", channel.noise),
        BudgetItem("drift", certificate.drift / math.sqrt(3)),
        BudgetItem("other", certificate.other_u),
        BudgetItem("polynomial", float(left_over(certificate))),
    ]


def largest_change(before: Certificate, after: Certificate) -> float | None:
    """Largest change of the error since the calibration before; None without as-found errors."""
    if after.as_found is None:
        return None
    return float(np.abs(change(before, after, np.asarray(after.as_found.indications))).max(initial=0.0))
