"""Outcomes as plain data, for programs: the same on the command line and over HTTP."""

from __future__ import annotations

from typing import Any

from .instants import rfc3339
from .model import Excursion


def excursion_json(e: Excursion) -> dict[str, Any]:
    """An excursion; instants in UTC (RFC 3339), the exceedance in its unit times hours."""
    return {
        "zone": e.zone,
        "rule": e.rule,
        "from": rfc3339(e.from_ns),
        "to": rfc3339(e.to_ns),
        "worst": e.worst,
        "worst_at": rfc3339(e.worst_ns),
        "limit": e.limit,
        "U": e.U,
        "unit": e.unit,
        "exceedance": e.exceedance,
        "probes": list(e.probes),
        "proven": e.proven,
        "basis": e.basis,
        "provisional": e.provisional,
        "asks_disposition": e.asks_disposition,
    }
