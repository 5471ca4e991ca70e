"""Page Trend: any window of any channels of one quantity, with limits, trace, excursions, inspections.

The address holds the view, so that a link shows the same. Zooming asks again for that window,
so that detail appears and no extreme is lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ClientsideFunction, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.errors import IntervalError, StillroomError
from logger.model import NS

from .. import figures
from ..components import (
    aria,
    at_offset,
    behind,
    button,
    card,
    choice,
    field,
    graph,
    key_to_trace,
    period_table,
    refusal,
    several,
    table,
)
from ..figures import GROUND_TRACES, Chart
from ..queries import Queries
from ..wording import instant, local, quantity_name, shown, unit, written

TITLE = "Trend"
PATH = "/trend"
RANGES = {"12 h": 12, "24 h": 24, "7 days": 168, "14 days": 336, "everything": 0}
TABLE_LIMIT = 400


@dataclass(frozen=True)
class View:
    """What the address asks for."""

    zone: str
    quantity: str
    channels: tuple[str, ...]
    from_ns: int
    to_ns: int


def view_of(q: Queries, search: str) -> View:
    """The view in an address; what is left out is the last 24 h of the first zone's temperature."""
    asked = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    setup, zone_name = q.setup, q.room.timezone
    zone = q.zone(asked.get("zone") or next(iter(setup.zones))).key
    quantity = asked.get("quantity", "temperature")
    now = q.now_ns()
    to_ns = instant(asked["to"], zone_name, wanted_in="To") if asked.get("to") else now
    from_ns = instant(asked["from"], zone_name, wanted_in="From") if asked.get("from") else to_ns - 86400 * NS
    if to_ns <= from_ns:
        raise IntervalError("The window is empty: To must be later than From.")
    channels = tuple(c for c in asked.get("channels", "").split(",") if c in setup.channels)
    return View(zone, quantity, channels or tuple(q.channels(zone, quantity)), from_ns, to_ns)


def layout(q: Queries, search: str) -> Component:
    """The page for an address; an address that cannot be read keeps the form and says why."""
    try:
        view = view_of(q, search)
        drawn = [shown_view(q, view)]
    except StillroomError as refused:
        view, drawn = view_of(q, ""), [refusal(str(refused))]
    return html.Div([html.H1("Trend", className="page"), _form(q, view), *drawn])


def _form(q: Queries, view: View) -> Component:
    zone = q.room.timezone
    quantities = sorted({c.quantity for c in q.setup.channels.values()}, key=_order)
    every = {c: q.label(c) for c in q.setup.channels if q.setup.channels[c].quantity == view.quantity}
    return html.Div(
        [
            choice("trend-zone", "Zone", {k: z.name for k, z in q.setup.zones.items()}, view.zone),
            choice("trend-quantity", "Quantity", {k: quantity_name(k) for k in quantities}, view.quantity),
            several("trend-channels", "Channels", every, view.channels, "all of the zone"),
            field("trend-from", "From, local", written(view.from_ns, zone)),
            field("trend-to", "To, local", written(view.to_ns, zone)),
            button("trend-show", "Show"),
            html.Div(
                [
                    button({"type": "trend-range", "hours": hours}, name, quiet=True)
                    for name, hours in RANGES.items()
                ],
                className="ranges",
                role="group",
                **aria("Quick ranges"),
            ),
            html.Div(id="trend-refusal"),
        ],
        className="form",
    )


def _order(quantity: str) -> tuple[bool, bool, str]:
    """Temperature first, humidity next, the others by name."""
    return quantity != "temperature", quantity != "relative_humidity", quantity


def chart_of(q: Queries, view: View) -> Chart:
    return q.chart(view.zone, view.quantity, view.from_ns, view.to_ns, channels=view.channels, marks=True)


def shown_view(q: Queries, view: View) -> Component:
    """The chart with its tables."""
    zone = q.room.timezone
    chart = chart_of(q, view)
    periods = q.periods(view.zone, view.from_ns, view.to_ns)
    name = f"{chart.zone}, {quantity_name(view.quantity)}"
    window = f"{local(view.from_ns, zone)} to {local(view.to_ns, zone)}"
    return html.Div(
        [
            dcc.Store(id="trend-view", data={"search": search_of(view, zone), "offset_s": chart.offset_s}),
            dcc.Store(id="trend-window"),
            card(
                name,
                graph(
                    "trend-graph",
                    figures.build(chart),
                    f"{name}, {window}, with limits and verdict trace; tables follow.",
                    figures.height_of(chart, 440),
                ),
                html.Div(
                    [
                        html.Span(
                            "Drag over the chart to look closer; double-click to see the whole window again.",
                            className="aside",
                        ),
                        html.A("Link to this view", href="/trend" + search_of(view, zone), id="trend-link"),
                    ],
                    className="under",
                ),
                aside=f"{window}; {shown(0.0, chart.unit)[1]}, corrected; {at_offset(view.to_ns - 1, zone)}",
            ),
            key_to_trace(),
            behind("Periods", period_table(periods[:TABLE_LIMIT], zone), _more(len(periods))),
            behind("Excursions and inspections", _marks_table(q, chart)),
            behind("Values", hourly(chart, zone)),
        ]
    )


def _more(count: int) -> str:
    return (
        f"The first {TABLE_LIMIT} of {count}; ask a shorter window for the rest."
        if count > TABLE_LIMIT
        else ""
    )


def _marks_table(q: Queries, chart: Chart) -> Component:
    zone = q.room.timezone
    rows = [
        [
            local(e.from_ns, zone),
            local(e.to_ns, zone),
            "excursion",
            f"{e.rule.partition('.')[2]}, worst {shown(e.worst, e.unit)[0]:.2f} {unit(e.unit)}",
        ]
        for e in chart.excursions
    ] + [
        [
            local(i.from_ns, zone),
            local(i.to_ns, zone) if i.to_ns else "running",
            "inspection",
            f"{i.key} {i.title}",
        ]
        for i in chart.inspections
    ]
    return table(
        ["from", "to", "what", ""],
        sorted(rows, key=lambda r: str(r[0])),
        "Excursions and inspections in this window",
        figures=(0, 1),
    )


def hourly(chart: Chart, zone: str) -> Component:
    """Least and greatest value of each line, in each of up to 48 equal parts of the window."""
    parts = 12 if chart.to_ns - chart.from_ns <= 43_200 * NS else 48
    width = (chart.to_ns - chart.from_ns) // parts
    rows = []
    for i in range(parts):
        a = chart.from_ns + i * width
        cells = [
            _span_of(
                [
                    v
                    for t, v in zip(line.taken_ns, line.values, strict=True)
                    if v is not None and a <= t < a + width
                ],
                chart.unit,
            )
            for line in chart.lines
        ]
        rows.append([local(a, zone), *cells])
    caption = f"Least and greatest values, {shown(0.0, chart.unit)[1]}, local time"
    return table(
        ["from", *(line.label for line in chart.lines)], rows, caption, figures=range(len(chart.lines) + 1)
    )


def _span_of(values: list[float], of: str) -> str:
    if not values:
        return "no value"
    return f"{shown(min(values), of)[0]:.2f} to {shown(max(values), of)[0]:.2f}"


def search_of(view: View, zone: str) -> str:
    """The address of a view."""
    return "?" + urlencode(
        {
            "zone": view.zone,
            "quantity": view.quantity,
            "channels": ",".join(view.channels),
            "from": written(view.from_ns, zone),
            "to": written(view.to_ns, zone),
        }
    )


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page."""
    from dash import ALL

    @app.callback(
        Output("address", "search"),
        Output("trend-refusal", "children"),
        Input("trend-show", "n_clicks"),
        Input({"type": "trend-range", "hours": ALL}, "n_clicks"),
        Input("trend-quantity", "value"),
        Input("trend-zone", "value"),
        State("trend-channels", "value"),
        State("trend-from", "value"),
        State("trend-to", "value"),
        prevent_initial_call=True,
    )
    def show(
        _: int, __: list[int], quantity: str, zone: str, channels: list[str], first: str, last: str
    ) -> tuple[Any, Any]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return no_update, no_update
        changed = ctx.triggered_id in ("trend-zone", "trend-quantity")
        asked = {
            "zone": zone,
            "quantity": quantity,
            "channels": "" if changed else ",".join(channels or ()),
            "from": first,
            "to": last,
        }
        try:
            if isinstance(ctx.triggered_id, dict):
                asked |= _range(q, int(ctx.triggered_id["hours"]))
            return search_of(view_of(q, "?" + urlencode(asked)), q.room.timezone), refusal("")
        except StillroomError as refused:
            return no_update, refusal(str(refused))

    @app.callback(
        Output("trend-graph", "figure"),
        Input("trend-window", "data"),
        State("trend-view", "data"),
        prevent_initial_call=True,
    )
    def zoomed(window: Any, view: dict[str, Any]) -> Any:
        return zoom(q, window, view)

    in_browser: Any = app.clientside_callback  # without type information
    in_browser(
        ClientsideFunction("stillroom", "window"),
        Output("trend-window", "data"),
        Input("trend-graph", "relayoutData"),
        prevent_initial_call=True,
    )


def _range(q: Queries, hours: int) -> dict[str, str]:
    first, last = q.source.extent() or (q.now_ns() - 86400 * NS, q.now_ns())
    to_ns = q.now_ns() if hours else last + NS
    from_ns = to_ns - hours * 3600 * NS if hours else first
    zone = q.room.timezone
    return {"from": written(from_ns, zone), "to": written(to_ns + 59 * NS, zone)}


def zoom(q: Queries, window: Any, view: dict[str, Any]) -> Any:
    """Lines and trace for the part that a person zoomed to; the whole window again without one."""
    whole = view_of(q, view["search"])
    from_ns, to_ns = whole.from_ns, whole.to_ns
    if window:
        shift = view["offset_s"] * NS
        from_ns = max(from_ns, int(window[0] * 1e6) - shift)
        to_ns = min(to_ns, int(window[1] * 1e6) - shift)
    if to_ns <= from_ns:
        return no_update
    part = chart_of(q, View(whole.zone, whole.quantity, whole.channels, from_ns, to_ns))
    # Drawn at the offset of the whole window, or the axis would jump at a clock change.
    part = Chart(**{**part.__dict__, "offset_s": view["offset_s"]})
    patch, built = Patch(), figures.build(part)
    for i, trace in enumerate(built["data"][:-3]):
        if i >= GROUND_TRACES:
            for name in ("x", "y", "z", "text", "textfont"):
                if name in trace:
                    patch["data"][i][name] = trace[name]
    return patch
