"""How a probe moves: what its calibrations found, and how it goes against its neighbours in between."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from dash import html
from dash.development.base_component import Component

from logger.instants import NS
from logger.model import Certificate
from logger.model.figures import channel_words
from logger.verdicts.curves import at_common_bins

from ..charts import theme
from ..charts.axes import FONT, frame
from ..charts.chart import Figure
from ..charts.figures import spread
from ..data.channels import channels_in
from ..data.queries import Queries
from ..data.words import difference, local, plain, plain_difference, point, signed_figure
from .components import behind, card, graph, table

DAY_NS = 86_400 * NS
DAYS = 90
REFERENCE_C = 20.0  # ISO 1


def drift_card(q: Queries, probe: str) -> Component:
    """Errors found by each calibration, and daily means against the neighbours in the same medium."""
    channels = q.setup.probes[probe].channels
    rows = [
        row
        for channel in channels
        for paper in q.setup.certificates_of(channel)
        for row in _history(channel, q.setup.channels[channel].unit, paper)
    ]
    head = ["channel", "certificate", "calibrated on", "at", "as found", "as left", "U (k = 2)"]
    history = table(
        head,
        rows,
        (
            f"Error at the calibration point nearest to {plain(REFERENCE_C, 'degC')}, "
            "or to the middle of the range"
        ),
        figures=(3, 4, 5, 6),
        stacks=True,
    )
    return card(f"Drift of {probe}", history, *_against_neighbours(q, probe))


def _history(channel: str, unit: str, paper: Certificate) -> list[list[object]]:
    middle = REFERENCE_C if "temperature" in channel else sum(paper.range) / 2

    def nearest(points: Sequence[float]) -> int:
        return min(range(len(points)), key=lambda i: abs(points[i] - middle))

    at, before, as_found = nearest(paper.indications), paper.as_found, "not stated"
    if before is not None and before.errors:
        as_found = signed_figure(before.errors[nearest(before.indications)], unit)
    row = point(paper.indications[at], unit), as_found, signed_figure(-paper.corrections[at], unit)
    U = plain_difference(2 * paper.U[at] / paper.k, unit)
    return [[channel_words(channel), paper.number, paper.calibrated_on, *row, U]]


def _against_neighbours(q: Queries, probe: str) -> list[Component]:
    """Daily means of temperature over 90 days, each probe less the mean of all in its zone and medium."""
    channel = f"{probe}.temperature"
    place = q.position_of(channel) if channel in q.setup.channels else None
    if place is None:
        return []
    near = [c for c in channels_in(q.setup, place.zone, "temperature") if _stands(q, c, place.medium)]
    to_ns = q.now_ns()
    if len(near) < 2:
        return [html.P(f"No other probe is in the same zone and medium as {probe}.", className="aside")]
    curves = at_common_bins([q.source.curve(c, to_ns - DAYS * DAY_NS, to_ns, DAYS) for c in near])
    if not len(curves[0]):
        return [html.P("No common days with neighbouring probes in the last 90 days.", className="aside")]
    mean = sum(c.mean for c in curves) / len(curves)
    days = [local(t, q.room.timezone)[:10] for t in curves[0].start_ns.tolist()]
    apart = {c: [round(difference(v, "K")[0], 4) for v in (curve_.mean - mean).tolist()]
             for c, curve_ in zip(near, curves, strict=True)}  # fmt: skip
    printed = difference(0.0, "K")[1]
    name = f"Daily mean minus the mean of the neighbouring probes, {printed}"
    rows = [[day, *(f"{apart[c][i]:+.3f}" for c in near)] for i, day in enumerate(days)]
    return [
        html.H3(name),
        graph(
            "drift-graph", _figure(q, days, apart, probe), f"{name}, last 90 days; the table follows.", 220
        ),
        behind(
            "Table behind this chart",
            table(["day", *(q.label(c) for c in near)], rows, name, figures=range(len(near) + 1)),
        ),
    ]


def _stands(q: Queries, channel: str, medium: str) -> bool:
    place = q.position_of(channel)
    return place is not None and place.medium == medium


def _figure(q: Queries, days: list[str], apart: dict[str, list[float]], probe: str) -> Figure:
    """A line for each probe, the one that was asked about the strongest."""
    lines, ends = [], []
    for i, (channel, values) in enumerate(apart.items()):
        colour, is_selected = theme.SERIES[i % len(theme.SERIES)], channel.startswith(f"{probe}.")
        name = q.label(channel)
        stroke = {
            "color": colour,
            "width": 2.4 if is_selected else 1.2,
            "dash": theme.DASHES[i % len(theme.DASHES)],
        }
        hover = f"%{{x}}: %{{y:+.3f}} {difference(0.0, 'K')[1]}<extra>{name}</extra>"
        style = {"type": "scatter", "mode": "lines+markers", "marker": {"size": 4}, "hovertemplate": hover}
        lines.append({**style, "name": name, **_broken(days, values), "line": stroke})
        ends.append((values[-1], name, colour))
    return {"data": lines, "layout": _layout(_spread(ends, [v for vs in apart.values() for v in vs]))}


def _spread(ends: list[tuple[float, str, str]], values: list[float]) -> list[tuple[float, str, str]]:
    """Names at the ends of lines, pushed apart where they would meet."""
    ends = sorted(ends)
    low, high = min(values), max(values)
    room = 0.1 * (high - low or 0.01)
    places = spread([y for y, _, _ in ends], room, low, high)
    return [(y, name, colour) for y, (_, name, colour) in zip(places, ends, strict=True)]


def _broken(days: list[str], values: list[float]) -> Figure:
    """A line that is broken where days are missing."""
    x: list[str] = []
    y: list[float | None] = []
    for day, value in zip(days, values, strict=True):
        if x and date.fromisoformat(day) - date.fromisoformat(x[-1]) > timedelta(days=1):
            x, y = [*x, day], [*y, None]
        x, y = [*x, day], [*y, value]
    return {"x": x, "y": y}


def _layout(ends: list[tuple[float, str, str]]) -> Figure:
    axis = {"showgrid": False, "zeroline": False, "ticks": "outside", "fixedrange": True}
    zero = {"zeroline": True, "zerolinecolor": theme.HAIR, "nticks": 6}
    return {
        **frame(letters=max((len(name) for _, name, _ in ends), default=0)),
        "hovermode": "closest",  # no readout stands beside this chart
        "yaxis": {**axis, **zero},
        "xaxis": {**axis, "type": "date", "tickformat": "%m-%d\n%Y", "nticks": 7},
        "margin": {"l": 66, "r": max(82, *(14 + 7 * len(name) for _, name, _ in ends)), "t": 10, "b": 40},
        "annotations": [
            {
                "x": 1,
                "xref": "paper",
                "xanchor": "left",
                "xshift": 6,
                "y": y,
                "text": name,
                "showarrow": False,
                "font": {**FONT, "color": colour},
            }
            for y, name, colour in ends
        ],
    }
