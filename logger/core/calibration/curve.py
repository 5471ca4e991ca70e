"""The correction of an indication by one certificate: between its points, or by its polynomial.

    piecewise linear    over the indication, the end correction beyond the ends
    polynomial          c₀ + c₁·z + c₂·z² + …,  z = (indication − centre)/scale, held at the end points' value

A polynomial does not pass through its points: its residual at them, √(Σr²/(n − m)) with m coefficients (or
the largest where the points are no more than these), is a standard uncertainty of every correction.
"""

from __future__ import annotations

import numpy as np

from ...model import Certificate
from ...series import Float


def correction(certificate: Certificate, indication: Float) -> Float:
    """Correction (reference − indication) at each indication, in the channel's unit; shape kept.

    Errors of +0.10 at 18 and +0.20 at 22 make 20.00 read 19.85:

    >>> from logger.model import Certificate
    >>> c = Certificate("1", "T.temperature", "", "", "2026-01-01", 0, None, (18.0, 22.0), (-0.1, -0.2),
    ...                 (0.1, 0.1), 2.0, (18.0, 22.0))
    >>> float(20.0 + correction(c, np.array(20.0)))
    19.85
    """
    fit = certificate.polynomial
    if fit is None:
        return np.asarray(np.interp(indication, certificate.indications, certificate.corrections), np.float64)
    within = np.clip(indication, certificate.indications[0], certificate.indications[-1])
    z = (within - fit.centre) / fit.scale
    value = np.zeros_like(z)
    for coefficient in reversed(fit.coefficients):  # Horner
        value = value * z + coefficient
    return np.asarray(value, np.float64)


def residuals(certificate: Certificate) -> Float:
    """Correction of each point less that of the polynomial, in the channel's unit; zeros without one."""
    points = np.asarray(certificate.indications, np.float64)
    return np.asarray(np.asarray(certificate.corrections) - correction(certificate, points))


def left_over(certificate: Certificate) -> float:
    """Standard deviation of the points about the polynomial; 0 without one."""
    if certificate.polynomial is None:
        return 0.0
    r = residuals(certificate)
    free = len(r) - len(certificate.polynomial.coefficients)
    return float(np.sqrt((r**2).sum() / free)) if free > 0 else float(np.abs(r).max())
