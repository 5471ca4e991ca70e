"""Facts of the probes of a record: their stays in the zone, each with the certificates in force during it."""

from __future__ import annotations

from dataclasses import replace

from ..core.calibration.as_found import released_until_ns
from ..instants import rfc3339
from ..model import Certificate, Placement, Setup
from .corrections import correction_facts, trace_facts
from .fact_forms import (
    CertificateFacts,
    StayFacts,
)
from .interval import Interval


def probe_facts(setup: Setup, span: Interval) -> list[StayFacts]:
    """Each stay of a probe in the zone, with the certificates that were in force during it."""
    stays = [
        p
        for p in sorted(setup.placements, key=lambda p: (p.probe, p.from_ns))
        if setup.positions[p.position].zone == span.zone and span.overlaps(p.from_ns, p.to_ns)
    ]
    return [_stay_dict(setup, stay, span) for stay in stays]


def _stay_dict(setup: Setup, stay: Placement, span: Interval) -> StayFacts:
    probe, position = setup.probes[stay.probe], setup.positions[stay.position]
    until_ns = span.to_ns if stay.to_ns is None else min(stay.to_ns, span.to_ns)
    within = replace(span, from_ns=max(stay.from_ns, span.from_ns), to_ns=until_ns)
    in_force = {key: _in_force(setup, key, within) for key in probe.channels}
    return {
        "probe": probe.key,
        "serial": probe.serial,
        "description": probe.description,
        "position": position.name,
        "medium": position.medium,
        "xyz_m": list(position.xyz_m),
        "from": rfc3339(stay.from_ns),
        "to": None if stay.to_ns is None else rfc3339(stay.to_ns),
        "certificates": [
            _certificate(c, within, setup) for certificates in in_force.values() for c in certificates
        ],
        "without_certificate": [key for key, certificates in in_force.items() if not certificates],
    }


def _in_force(setup: Setup, channel: str, span: Interval) -> list[Certificate]:
    """A certificate holds from the day it was put in use until the next one was."""
    certificates = setup.certificates_of(channel)
    ends = [*(c.valid_from_ns for c in certificates[1:]), None][: len(certificates)]
    return [c for c, end in zip(certificates, ends, strict=True) if span.overlaps(c.valid_from_ns, end)]


def _release_text(c: Certificate, setup: Setup) -> str:
    """By which later certificate overdue time was released, and why."""
    later = [other for other in setup.certificates_of(c.channel) if other.valid_from_ns > c.valid_from_ns]
    released_ns = released_until_ns(c, later[0]) if later else None
    if released_ns is None:
        return ""
    return f", released until {rfc3339(released_ns)} by {later[0].number}: {later[0].releases_overdue}"


def _certificate(c: Certificate, span: Interval, setup: Setup) -> CertificateFacts:
    status = "confirmed"
    if c.due_ns is not None and c.due_ns < span.to_ns:
        status = "overdue" + _release_text(c, setup)
    if c.withdrawn_ns is not None and c.withdrawn_ns < span.to_ns:
        status = "withdrawn"
    return {
        "number": c.number,
        "channel": c.channel,
        "issuer": c.issuer,
        "accreditation": c.accreditation,
        "calibrated_on": c.calibrated_on,
        "due": None if c.due_ns is None else rfc3339(c.due_ns),
        "U": max(c.U),
        "unit": {"degC": "K"}.get(setup.channels[c.channel].unit, setup.channels[c.channel].unit),
        "k": c.k,
        "range": list(c.range),
        "status": status,
        **correction_facts(c, setup),
        "worked_out": trace_facts(c, setup, span),
    }
