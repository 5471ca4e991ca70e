"""Readings that arrive while a chart is open, and the last one that it has drawn."""

from __future__ import annotations

from typing import Any

from logger.instants import NS
from logger.model import Row
from tests.dashboard.synthetic import NOW

LAST = "document.querySelector('.js-plotly-plot').data[3].x.slice(-1)[0]"


def arrive(record: Any, minute: int, value: float = 20.0) -> int:
    """A reading of P1 that many minutes after NOW; gives its place on the axis."""
    taken = NOW + minute * 60 * NS
    record.add(Row("P1.temperature", taken, taken + NS, value))
    return taken // 1_000_000
