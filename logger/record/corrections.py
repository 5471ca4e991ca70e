"""Corrections and their U in a record: enough to compute both again by hand."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from ..core.calibration.breakdown import largest_change
from ..core.calibration.trace import register_trace
from ..instants import NS, parse, rfc3339, wall
from ..model import Certificate, Setup
from ..model.certificates import Polynomial
from .fact_forms import AsFoundFacts, CorrectionFacts, PolynomialFacts, TraceFacts
from .interval import Interval

FORMULA = (
    "U = 2 · √((U of the certificate / k)² + resolution²/12 + noise² + drift²/3 + other²): drift is a "
    "half-width, noise and other are standard uncertainties (JCGM 100, 5.1). A change found later as linear "
    "is taken off by the share of the time between the calibrations that had passed, and change/2 takes "
    "the place of drift; one found as a step is not taken off, and adds change²/3."
)


def correction_facts(c: Certificate, setup: Setup) -> CorrectionFacts:
    """By what a certificate corrects, and what enters U beside it; in the channel's own unit."""
    channel = setup.channels[c.channel]
    certificates = setup.certificates_of(c.channel)
    later = [other for other in certificates if other.valid_from_ns > c.valid_from_ns]
    return {
        "points": [
            {"indication": at, "correction": correction, "U": U}
            for at, correction, U in zip(c.indications, c.corrections, c.U, strict=True)
        ],
        "polynomial": None if c.polynomial is None else _polynomial(c.polynomial),
        "drift": c.drift,
        "other_u": c.other_u,
        "resolution": channel.resolution,
        "noise": channel.noise,
        "as_found": _as_found(c, later[0]) if later else None,
    }


def _polynomial(p: Polynomial) -> PolynomialFacts:
    return {"coefficients": p.coefficients, "centre": p.centre, "scale": p.scale}


def trace_facts(c: Certificate, setup: Setup, span: Interval) -> TraceFacts | None:
    """Correction and U part by part, at the middle of the time in which a certificate was used."""
    later = [o.valid_from_ns for o in setup.certificates_of(c.channel) if o.valid_from_ns > c.valid_from_ns]
    begin, end = max(c.valid_from_ns, span.from_ns), min([*later, span.to_ns])
    at_ns = begin + (end - begin) // 2 // (60 * NS) * (60 * NS)
    trace = register_trace(setup, c.channel, at_ns)
    return None if trace is None else {"at": rfc3339(at_ns), **trace}


def _as_found(before: Certificate, after: Certificate) -> AsFoundFacts | None:
    """What the next calibration found and how it acts on the readings under this certificate."""
    if after.as_found is None or not after.as_found.model:
        return None
    begin_ns, end_ns = (
        c.valid_from_ns if c.calibrated_ns is None else c.calibrated_ns for c in (before, after)
    )
    return {
        "certificate": after.number,
        "model": after.as_found.model,
        "points": [
            {"indication": at, "error": error}
            for at, error in zip(after.as_found.indications, after.as_found.errors, strict=True)
        ],
        "largest_change": largest_change(before, after),
        "from": rfc3339(begin_ns),
        "to": rfc3339(end_ns),
    }


def correction_points(c: CorrectionFacts) -> str:
    """Points of a certificate with correction and U, and its polynomial where it states one."""
    points = "; ".join(
        f"{_signed_number(p['correction'])} (U {p['U']:g}) at {_number(p['indication'])}" for p in c["points"]
    )
    if (curve := c["polynomial"]) is None:
        return points
    terms = ", ".join(_number(value) for value in curve["coefficients"])
    return f"{points}; polynomial {terms} of (indication − {_number(curve['centre'])})/{curve['scale']:g}"


def as_found_words(as_found: AsFoundFacts, units: str, zone: ZoneInfo) -> str:
    """What the next calibration found and between which days of the room's clock it acts, by which model."""
    errors = "; ".join(
        f"{_signed_number(p['error'])} at {_number(p['indication'])}" for p in as_found["points"]
    )
    begin, end = (wall(parse(as_found[name], zone), zone)[:10] for name in ("from", "to"))
    return f"{as_found['certificate']}: errors ({units}) {errors}, {as_found['model']} from {begin} to {end}"


def _signed_number(value: float) -> str:
    return f"{value:+g}".replace("-", "−")


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "−")
