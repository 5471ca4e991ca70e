"""The trail: the last hours of a zone's verdict trace as a mark, with a stroke for now.

No lamp: it says what is, and how it came about. Place tells the verdict, so that it is read without colour.
"""

from __future__ import annotations

from typing import Any

from dash import html
from dash.development.base_component import Component

from logger.core.judge.trace import runs_in_columns
from logger.instants import NS

from ..charts import theme
from ..data.queries import Queries
from ..data.words import age
from .components import aria

COLUMNS = 240  # not narrower than a pixel on a phone


def bars(q: Queries, zone: str, hours: float, css: str) -> list[Component]:
    """One bar for each run of the last hours; its row tells the verdict, its pattern the reason."""
    now = q.now_ns()
    from_ns = now - round(hours * 3600) * NS
    whole = now - from_ns
    return [
        html.Div(
            className=f"{css} swatch-{run.reason.replace(' ', '-')}",
            style={
                "left": f"{100 * (run.from_ns - from_ns) / whole:.2f}%",
                "width": f"{100 * (run.to_ns - run.from_ns) / whole:.2f}%",
                "top": f"{(2 - theme.ROW_OF[run.verdict]) * 100 / 3:.1f}%",
            },
        )
        for run in runs_in_columns(q.periods(zone, from_ns, now), from_ns, now, COLUMNS)
    ]


def trail(q: Queries, zone: str, hours: float) -> Component:
    """The mark before a sentence."""
    named: dict[str, Any] = aria(_silence_words(q, zone, hours))
    strip = html.Div(bars(q, zone, hours, "trail-bar"), className="trail-strip", role="img", **named)
    return html.Div([strip, html.Span(f"{hours:g} h")], className="trail")


def _silence_words(q: Queries, zone: str, hours: float) -> str:
    """What the trail says to the ear: for how long each verdict held, the longest first."""
    now = q.now_ns()
    from_ns, lasted = now - round(hours * 3600) * NS, dict[str, int]()
    for period in q.periods(zone, from_ns, now):
        lasted[period.verdict] = lasted.get(period.verdict, 0) + period.to_ns - period.from_ns
    parts = [f"{word} {age(ns / NS)}" for word, ns in sorted(lasted.items(), key=lambda item: -item[1])]
    return f"{q.zone(zone).name}, verdicts of the last {hours:g} h: {', '.join(parts) or 'none'}"
