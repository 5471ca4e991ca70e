"""Corrections and their U in a record: enough to compute both again by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from ..core.calibration.breakdown import largest_change
from ..instants import rfc3339
from ..model import Certificate, Setup

FORMULA = (
    "U = 2 · √((U of the certificate / k)² + resolution²/12 + noise² + drift²/3 + other²): drift is a "
    "half-width, noise and other are standard uncertainties (JCGM 100, 5.1). A change found later as linear "
    "is taken off by the share of the time between the calibrations that had passed, and change/2 stands in "
    "the place of drift; one found as a step is not taken off, and adds change²/3."
)


def correction_facts(c: Certificate, setup: Setup) -> dict[str, Any]:
    """By what a certificate corrects, and what enters U beside it; in the channel's own unit."""
    channel = setup.channels[c.channel]
    certificates = setup.certificates_of(c.channel)
    later = [other for other in certificates if other.valid_from_ns > c.valid_from_ns]
    return {
        "points": [
            {"indication": at, "correction": correction, "U": U}
            for at, correction, U in zip(c.indications, c.corrections, c.U, strict=True)
        ],
        "polynomial": None if c.polynomial is None else asdict(c.polynomial),
        "drift": c.drift,
        "other_u": c.other_u,
        "resolution": channel.resolution,
        "noise": channel.noise,
        "as_found": _as_found(c, later[0]) if later else None,
    }


def _as_found(before: Certificate, after: Certificate) -> dict[str, Any] | None:
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


Section = tuple[str, tuple[str, ...], str, list[tuple[str, ...]], str]


def corrections(facts: Mapping[str, Any]) -> Section:
    """The table of corrections as printed: title, heads, alignment, rows, and what stands for no row."""
    heads = (
        "Channel",
        "Certificate",
        "Correction",
        "Drift",
        "Resolution",
        "Noise",
        "Other",
        "As found later",
    )
    title, none = "Corrections and what enters U", "No certificate was in force."
    return title, heads, "llwrrrrw", _correction_rows(facts), none


def without_limit(facts: Mapping[str, Any]) -> Section:
    """The table of channels that no limit rests on."""
    rows: list[tuple[str, ...]] = [
        (w["channel"], str(w["readings"]), f"{w['longest_silence_s'] / 3600:.1f} h")
        for w in facts["without_limit"]
    ]
    heads = ("Channel", "Readings", "Longest time without a reading")
    return "Channels that no limit rests on", heads, "lrw", rows, "None."


def _correction_rows(facts: Mapping[str, Any]) -> list[tuple[str, ...]]:
    certificates = [c for p in facts["probes"] for c in p["certificates"]]
    return [
        (
            c["channel"],
            c["number"],
            _correction(c),
            f"±{c['drift']:g}",
            f"{c['resolution']:g}",
            f"{c['noise']:g}",
            f"{c['other_u']:g}",
            _as_found_cell(c["as_found"]),
        )
        for c in certificates
    ]


def _correction(c: dict[str, Any]) -> str:
    points = "; ".join(
        f"{_signed_number(p['correction'])} (U {p['U']:g}) at {p['indication']:g}" for p in c["points"]
    )
    if (curve := c["polynomial"]) is None:
        return points
    terms = ", ".join(f"{value:g}" for value in curve["coefficients"])
    return f"{points}; polynomial {terms} of (indication − {curve['centre']:g})/{curve['scale']:g}"


def _as_found_cell(as_found: dict[str, Any] | None) -> str:
    if as_found is None:
        return "none"
    errors = "; ".join(f"{_signed_number(p['error'])} at {p['indication']:g}" for p in as_found["points"])
    return (
        f"{as_found['certificate']}: error {errors}, {as_found['model']} from {as_found['from'][:10]} to "
        f"{as_found['to'][:10]}"
    )


def _signed_number(value: float) -> str:
    return f"{value:+g}".replace("-", "−")
