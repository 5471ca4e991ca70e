"""Where a correction and its U come from, part by part, so that both can be worked out again by hand.

correction = that of the certificate + that of what the next calibration found
U = 2·√(sum of the squares of the standard uncertainties)               (JCGM 100, 5.1)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...model import Certificate, Channel
from .apply import certificate_U
from .as_found import change, effect, elapsed
from .curve import correction, left_over


@dataclass(frozen=True)
class Part:
    """One part of a correction, or one standard uncertainty, in the channel's unit."""

    name: str
    value: float


@dataclass(frozen=True)
class Working:
    """The parts of the correction of one reading and of its standard uncertainty."""

    correction: tuple[Part, ...]
    u: tuple[Part, ...]

    @property
    def total(self) -> float:
        """The whole correction."""
        return sum(part.value for part in self.correction)

    @property
    def U(self) -> float:
        """Expanded uncertainty, k = 2."""
        return 2 * math.hypot(*(part.value for part in self.u))

    def to_json(self) -> dict[str, object]:
        """As plain data."""
        return {
            "correction": [vars(part) for part in self.correction],
            "standard_uncertainty": [vars(part) for part in self.u],
        }


def working(
    channel: Channel, certificates: Sequence[Certificate], taken_ns: int, indication: float
) -> Working | None:
    """How a reading is corrected by the certificate in force at its instant; None before the first one.

    >>> from logger.model import AsFound, Certificate, Channel
    >>> from dataclasses import replace
    >>> first = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, None, (20.0,), (-0.01,), (0.03,),
    ...                     2.0, (15.0, 25.0))
    >>> found = AsFound((20.0,), (0.25,), "linear")
    >>> second = replace(first, number="2", valid_from_ns=100, corrections=(-0.25,), as_found=found)
    >>> found = working(Channel("T.temperature", "T", "temperature", "degC", 60, 180, 0.0, 0.0, (-40, 60)),
    ...                 (first, second), 50, 20.0)
    >>> [(part.name, round(part.value, 3)) for part in found.correction]
    [('certificate 1', -0.01), ('as found by 2, linear, 50 % of the time', -0.12)]
    """
    used = [i for i, c in enumerate(certificates) if c.valid_from_ns <= taken_ns]
    if not used or not math.isfinite(indication):
        return None
    paper = certificates[used[-1]]
    after = certificates[used[-1] + 1] if used[-1] + 1 < len(certificates) else None
    at, value = np.array([taken_ns]), np.array([indication])
    corrections = [Part(f"certificate {paper.number}", float(correction(paper, value)[0]))]
    uncertain = _own(channel, paper, value)
    found = effect(paper, after, at, value) if after else None
    if found is not None and after is not None and after.as_found is not None:
        model = after.as_found.model
        passed = f", {elapsed(paper, after, at)[0]:.0%} of the time".replace("%", " %")
        name = f"as found by {after.number}, {model}"
        corrections.append(Part(name + (passed if model == "linear" else ""), float(found.correction[0])))
        uncertain = [u for u in uncertain if u.name != "drift" or not found.replaces_drift]
        uncertain.append(Part(name, float(found.half_width[0]) / math.sqrt(3)))
    return Working(tuple(corrections), tuple(u for u in uncertain if u.value > 0))


def _own(
    channel: Channel, paper: Certificate, value: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> list[Part]:
    """Standard uncertainties of the certificate and of the channel, in the order of the formula."""
    return [
        Part(f"certificate {paper.number}", float(certificate_U(paper, value)[0]) / paper.k),
        Part("resolution", channel.resolution / math.sqrt(12)),
        Part("noise", channel.noise),
        Part("drift", paper.drift / math.sqrt(3)),
        Part("other", paper.other_u),
        Part("polynomial", float(left_over(paper))),
    ]


def changed(before: Certificate, after: Certificate) -> float | None:
    """The largest change of the error that a calibration found; None where it does not say."""
    if after.as_found is None:
        return None
    return float(np.abs(change(before, after, np.asarray(after.as_found.indications))).max(initial=0.0))
