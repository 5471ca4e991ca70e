"""How a probe is reached, and what its network does not prove."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from logger.config.cautions import cautions
from logger.model import Line

from ..data.queries import Queries
from .components import card

NOT_REACHED = "This probe is not polled: its readings come from imported files."


def connection_card(q: Queries, probe: str) -> Component:
    """Kind, address and interval of the connection in force, with its cautions."""
    lines = [line for line in q.source.keeping.lines() if line.probe == probe]
    warnings = [html.Li(sentence) for sentence in cautions(lines)]
    return card(
        f"Connection of {probe}",
        *(html.P(_sentence(line)) for line in lines),
        *([] if lines else [html.P(NOT_REACHED)]),
        *([html.Ul(warnings, className="cautions")] if warnings else []),
    )


def _sentence(line: Line) -> str:
    address = next((str(a) for name in ("url", "bus", "folder") if (a := getattr(line, name, ""))), "")
    where = f" at {address}" if address else ""
    return f"Kind “{line.kind}”{where}, every {line.interval_s:g} s."
