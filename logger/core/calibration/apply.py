"""Correction of an indication and its uncertainty, by the certificate in force at that instant.

    corrected = indication + correction(indication)
    u² = (U_cal/k)² + resolution²/12 + noise² + drift²/3 + other_u² + s²       (JCGM 100, 4.3 and 5.1)

s: residual of a polynomial at its points. As-found errors of the next calibration may change both
(`as_found.py`).
Nothing is extrapolated: beyond the end points the end correction is used for display and the reading
cannot support a verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ...model import Certificate, Channel
from ...model.reasons import Why
from ...series import Float, Int, of_one_number
from ...units import difference_to_canonical, to_canonical
from .as_found import effect, released_until_ns
from .curve import correction, left_over


@dataclass(frozen=True)
class CorrectedReadings:
    """Corrected values and expanded uncertainties U (k = 2) in the canonical unit; shape (n,).

    `why`: Why.EVIDENCE, or the reason why the reading supports no verdict.
    """

    value: Float
    U: Float
    why: NDArray[np.uint8]


def certificate_U(certificate: Certificate, indication: Float) -> Float:
    """Expanded uncertainty of the certificate: the larger of the two points around each indication."""
    points = np.asarray(certificate.indications)
    stated = np.asarray(certificate.U)
    if (stated == stated[0]).all():
        return np.broadcast_to(stated[0], np.shape(indication))  # one number for years of them
    right_index = np.searchsorted(points, indication, side="left").clip(0, len(points) - 1)
    exact = points[right_index] == indication
    left_index = np.where(exact, right_index, (right_index - 1).clip(0))
    return np.asarray(np.maximum(stated[left_index], stated[right_index]), np.float64)


def standard_uncertainty(certificate: Certificate, channel: Channel, indication: Float) -> Float:
    """Standard uncertainty of a corrected reading, in the channel's unit; shape kept. JCGM 100.

    U = 0.10 (k = 2), resolution 0.1, drift ±0.06 rectangular, no noise beyond the resolution's:

    >>> from logger.model import Certificate, Channel
    >>> c = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, None, (20.0,), (0.0,), (0.1,), 2.0,
    ...                 (15.0, 25.0), drift=0.06)
    >>> ch = Channel("T.temperature", "T", "temperature", "degC", 60, 180, 0.1, 0.0, (-40, 60))
    >>> round(2 * float(standard_uncertainty(c, ch, np.array(20.0))), 3)
    0.135
    """
    fixed = channel.resolution**2 / 12 + channel.noise**2 + certificate.drift**2 / 3 + certificate.other_u**2
    fixed += left_over(certificate) ** 2
    U = certificate_U(certificate, indication)
    return of_one_number(lambda U: np.asarray(np.sqrt((U / certificate.k) ** 2 + fixed)), U)


def correct_readings(
    channel: Channel, certificates: Sequence[Certificate], taken_ns: Int, raw: Float
) -> CorrectedReadings:
    """Readings of a channel, each corrected by the certificate in force at its instant.

    taken_ns: (n,) ascending; raw: (n,) in the channel's unit, NaN allowed; certificates in the
    order in which they were put in use. A reading before the first has no certificate.
    """
    # Each certificate corrects the readings from its own begin up to that of the next.
    edges = pairwise([*(certificate.valid_from_ns for certificate in certificates), None])
    parts = [_during(taken_ns, from_ns, to_ns) for from_ns, to_ns in edges if from_ns is not None]
    if slice(0, len(raw)) in parts and len(raw):  # the usual case: one for all, and nothing is copied
        value, u, why = _correct_by(channel, certificates, parts.index(slice(0, len(raw))), taken_ns, raw)
    else:
        value, u = raw.astype(np.float64, copy=True), np.full(len(raw), np.nan)
        why = np.full(len(raw), Why.NO_CERTIFICATE, np.uint8)
        for i, part in enumerate(parts):
            value[part], u[part], why[part] = _correct_by(channel, certificates, i, taken_ns[part], raw[part])
    return CorrectedReadings(
        to_canonical(value, channel.unit, channel.quantity),
        of_one_number(lambda u: difference_to_canonical(2 * u, channel.unit, channel.quantity), u),
        why,
    )


def _correct_by(
    channel: Channel, certificates: Sequence[Certificate], i: int, taken_ns: Int, indication: Float
) -> tuple[Float, Float, NDArray[np.uint8]]:
    """Corrected values, standard uncertainties and reasons by the i-th certificate, which one may follow."""
    certificate, after = certificates[i], certificates[i + 1] if i + 1 < len(certificates) else None
    value = indication + correction(certificate, indication)
    as_found = effect(certificate, after, taken_ns, indication) if after else None
    if as_found is None:
        u = standard_uncertainty(certificate, channel, indication)
    else:
        value += as_found.correction
        counted = replace(certificate, drift=0.0) if as_found.replaces_drift else certificate
        u_certificate = standard_uncertainty(counted, channel, indication)
        u = np.hypot(u_certificate, as_found.half_width / np.sqrt(3))
    released_ns = released_until_ns(certificate, after) if after else None
    return value, u, _status(certificate, taken_ns, indication, released_ns)


def _during(taken_ns: Int, from_ns: int, to_ns: int | None) -> slice:
    end = len(taken_ns) if to_ns is None else int(np.searchsorted(taken_ns, to_ns))
    return slice(int(np.searchsorted(taken_ns, from_ns)), end)


def _status(
    certificate: Certificate, taken_ns: Int, raw: Float, released_ns: int | None
) -> NDArray[np.uint8]:
    low, high = certificate.range
    why = np.full(len(raw), Why.EVIDENCE, np.uint8)
    why[(raw < low) | (raw > high)] = Why.OUTSIDE_RANGE
    if certificate.due_ns is not None:
        overdue_ns = max(certificate.due_ns, released_ns or certificate.due_ns)
        why[taken_ns >= overdue_ns] = Why.OVERDUE
    if certificate.withdrawn_ns is not None:
        why[taken_ns >= certificate.withdrawn_ns] = Why.WITHDRAWN
    return why
