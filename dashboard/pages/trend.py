"""Page Trend: any window of any channels, with limits as in force, trace, excursions, acts, inspections.

The address holds the view, so that a link shows the same. Zooming asks again for that window, so that detail
appears and no extreme is lost; fields, title, tables and link follow it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import urlencode

from dash import ALL, ClientsideFunction, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.errors import StillroomError
from logger.instants import NS
from logger.model.roles import Act

from ..access.needs import needs
from ..charts import figures
from ..charts.build import window_panels
from ..charts.figures import Chart
from ..data.channels import channels_in, channels_of, quantities
from ..data.queries import Queries
from ..data.words import field_text, quantity_name, to_read_unit
from ..parts import trend_file
from ..parts.components import (
    aria,
    behind,
    button,
    card,
    choice,
    field,
    key_to_trace,
    refusal,
    several,
    table_graph,
)
from ..parts.markup import static
from ..parts.trend_view import HOUR_NS, TrendView, length_text, move_view, search_of, view_of, window_text
from ..parts.value_tables import MOST_ROWS, hourly, marks_table, period_table

TITLE = "Trend"
PATH = "/trend"
NEEDS = Act.READ
RANGES = {"1 h": 1, "12 h": 12, "24 h": 24, "7 d": 168, "30 d": 720, "1 year": 8766, "all": 0}
MOVES = {"earlier": "Earlier", "later": "Later", "closer": "Zoom in", "wider": "Zoom out"}
CHANGING = ("x", "y", "z", "text", "textfont")


def layout(q: Queries, search: str) -> Component:
    """The page for an address; an address that cannot be read keeps the form and says why."""
    try:
        view = view_of(q, search)
        drawn = [shown_view(q, view)]
    except StillroomError as refused:
        view, drawn = view_of(q, ""), [refusal(str(refused))]
    return html.Div([html.H1("Trend", className="unseen"), _form(q, view), *drawn], className="trend")


def _form(q: Queries, view: TrendView) -> Component:
    zone, setup = q.room.timezone, q.setup
    zones = {k: z.name for k, z in setup.zones.items()}
    names = {k: quantity_name(k) for k in quantities(setup)}
    fields = [
        choice("trend-zone", "Zone", zones, view.zone),
        several("trend-quantity", "Quantities (up to 3)", names, view.quantities, "temperature"),
        several("trend-channels", "Channels", _options(q, view), view.channels, "all of the zone"),
        field("trend-from", "From, local", field_text(view.from_ns, zone)),
        field("trend-to", "To, local (not included)", field_text(view.to_ns, zone)),
        button("trend-show", "Show"),
    ]
    unfold: dict[str, Any] = {"data-unfold": "", "aria-expanded": "false"}
    change = html.Button("Change", type="button", className="quiet", **unfold)
    named = f"{zones[view.zone]}, {', '.join(quantity_name(n) for n in view.quantities)}"
    caption = html.Span([named, html.Br(), html.Small(_window_text(q, view), id="trend-said")])
    return html.Div(
        [
            html.Div([caption, change], className="trend-line"),
            html.Div(fields, className="form trend-fields"),
            html.Div([*_quick(), _files(view, zone)], className="trend-tools"),
            html.Div(id="trend-refusal"),
        ],
        className="trend-form",
    )


def _quick() -> list[Component]:
    """Ranges that end now, steps through time for those who cannot drag, and the way back from a zoom."""
    ranges = [
        button({"type": "trend-range", "hours": hours}, name, quiet=True) for name, hours in RANGES.items()
    ]
    moves = [button({"type": "trend-move", "step": step}, name, quiet=True) for step, name in MOVES.items()]
    named: dict[str, Any] = {"data-back": ""}
    back = html.Button("Back", id="trend-back", type="button", className="quiet", hidden=True, **named)
    return [
        html.Div(ranges, className="ranges", role="group", **aria("Quick ranges")),
        html.Div(moves, className="ranges", role="group", **aria("Steps through time")),
        back,
    ]


def _files(view: TrendView, zone: str) -> Component:
    """What can be taken along: pictures, the readings, and the address of the view; assets/picture.js."""

    def picture(form: str) -> Component:
        named: dict[str, Any] = {"data-picture": form.lower(), **aria(f"Picture, {form}")}
        return html.Button(form, type="button", className="quiet", **named)

    copy: dict[str, Any] = {"data-copy": "trend-link"}
    return html.Div(
        [
            picture("SVG"),
            picture("PNG"),
            html.A(
                "CSV",
                href=trend_file.PATH + search_of(view, zone),
                id="trend-file",
                className="quiet",
                download="",
            ),
            html.A("Link", href=PATH + search_of(view, zone), id="trend-link", className="quiet"),
            html.Button("Copy link", type="button", className="quiet", **copy),
        ],
        className="ranges files",
    )


def _options(q: Queries, view: TrendView) -> dict[str, str]:
    many = len(view.quantities) > 1
    return {
        c: f"{q.label(c)}, {quantity_name(name)}" if many else q.label(c)
        for name in view.quantities
        for c in channels_of(q.setup, name)
    }


def _window_text(q: Queries, view: TrendView) -> str:
    return window_text(view.from_ns, view.to_ns, q.room.timezone)


def chart_of(q: Queries, view: TrendView) -> Chart:
    window = view.from_ns, view.to_ns
    return window_panels(q, view.zone, view.quantities, *window, channels=view.channels, marks=True)


def shown_view(q: Queries, view: TrendView) -> Component:
    """The chart with its tables."""
    zone = q.room.timezone
    chart = chart_of(q, view)
    name = f"{chart.zone}, {', '.join(quantity_name(n) for n in view.quantities)}"
    label = f"{name}, {_window_text(q, view)}, with limits and verdict trace; tables follow."
    height = figures.height_of(chart, 440)
    figure = figures.build_figure(chart, height)
    figure["layout"]["meta"] |= {"name": name, "simulated": q.source.simulated, "room": q.room.name}
    return html.Div(
        [
            dcc.Store(id="trend-view", data={"search": search_of(view, zone)}),
            dcc.Store(id="trend-window"),
            dcc.Store(id="trend-kept"),
            card(
                name,
                html.Div(_empty(chart), id="trend-empty"),
                table_graph("trend-graph", figure, label, height),
                _under(),
                aside=html.Span(_aside(q, view, chart), id="trend-aside"),
            ),
            key_to_trace(),
            html.Div(_tables(q, view, chart), id="trend-tables"),
        ]
    )


def _aside(q: Queries, view: TrendView, chart: Chart) -> str:
    """The window with its offsets and length, and what one point stands for."""
    lines = [line for panel in chart.panels for line in panel.lines]
    width = max((line.bin_ns for line in lines), default=0)
    what = "pale: least to greatest, line: mean" if any(x.pale for x in lines) else "least and greatest"
    point = f"; {what} of {length_text(width)}" if width > 60 * NS else ""
    bounds = (
        "; least and greatest possible, from the extremes of the inputs"
        if any(x.bounds for x in lines)
        else ""
    )
    printed = to_read_unit(0.0, chart.unit)[1]
    return f"{_window_text(q, view)}; corrected{f', {printed}' if printed else ''}{bounds or point}"


def _empty(chart: Chart) -> Component | str:
    """What to do when nothing was measured in the window."""
    if any(v is not None for panel in chart.panels for line in panel.lines for v in line.values):
        return ""
    return html.P("No readings here. “all” shows where there are some.", className="empty")


def _under() -> Component:
    hint = "Drag over the chart to zoom in; double-click to see the whole window again."
    return html.Div(html.Span(hint, className="aside"), className="under")


def _tables(q: Queries, view: TrendView, chart: Chart) -> list[Component]:
    zone = q.room.timezone
    periods = q.periods(view.zone, view.from_ns, view.to_ns)
    marks = len(chart.excursions) + len(chart.acts) + len(chart.inspections)
    return [
        behind(
            f"Periods: {len(periods)}",
            static(period_table(periods[:MOST_ROWS], chart)),
            _more(len(periods)),
        ),
        behind(f"Excursions, acts and inspections: {marks}", static(marks_table(chart, zone)), _more(marks)),
        *(behind(f"Values, {quantity_name(p.quantity)}", static(hourly(p, zone))) for p in chart.panels),
    ]


def _more(count: int) -> str:
    note = f"First {MOST_ROWS} of {count:,}. Choose a shorter window to see the rest."
    return note if count > MOST_ROWS else ""


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page, and its file."""
    _showing(app, q)
    _zooming(app, q)
    trend_file.register(app, q)


def _showing(app: Dash, q: Queries) -> None:
    """The form writes the address."""

    @app.callback(
        Output("address", "search"),
        Output("trend-refusal", "children"),
        Input("trend-show", "n_clicks"),
        Input({"type": "trend-range", "hours": ALL}, "n_clicks"),
        Input({"type": "trend-move", "step": ALL}, "n_clicks"),
        Input("trend-quantity", "value"),
        Input("trend-zone", "value"),
        State("trend-channels", "value"),
        State("trend-from", "value"),
        State("trend-to", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def show(_: Any, __: Any, ___: Any, *form: Any) -> tuple[Any, Any]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return no_update, no_update
        try:
            return _search_of_form(q, ctx.triggered_id, *form), refusal("")
        except StillroomError as refused:
            return no_update, refusal(str(refused))


def _zooming(app: Dash, q: Queries) -> None:
    """The part that a person zoomed to is asked for anew, in its own detail; then its tables."""

    @app.callback(
        Output("trend-graph", "figure"),
        Output("trend-link", "href"),
        Output("trend-file", "href"),
        Output("trend-from", "value"),
        Output("trend-to", "value"),
        Output("trend-said", "children"),
        Output("trend-aside", "children"),
        Input("trend-window", "data"),
        State("trend-view", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def zoomed(window: Any, view: dict[str, Any]) -> tuple[Any, ...]:
        return zoom(q, window, view)

    @app.callback(
        Output("trend-tables", "children"),
        Output("trend-empty", "children"),
        Input("trend-link", "href"),  # after the chart, which must not wait for its tables
        State("trend-window", "data"),
        State("trend-view", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def followed(_: Any, window: Any, view: dict[str, Any]) -> tuple[Any, Any]:
        seen = _part(view_of(q, view["search"]), window)
        if seen is None:
            return no_update, no_update
        chart = chart_of(q, seen)
        return _tables(q, seen, chart), _empty(chart)

    in_browser: Any = app.clientside_callback  # without type information
    in_browser(
        ClientsideFunction("stillroom", "keep_address"),
        Output("trend-kept", "data"),
        Input("trend-link", "href"),
        prevent_initial_call=True,
    )
    in_browser(
        ClientsideFunction("stillroom", "window"),
        Output("trend-window", "data"),
        Input("trend-graph", "relayoutData"),
        prevent_initial_call=True,
    )


def _search_of_form(  # noqa: PLR0917 (the fields of the form)
    q: Queries, by: Any, names: list[str], zone: str, channels: list[str], first: str, last: str
) -> str:
    """The address of what the form asks for; another zone or quantity takes all its channels."""
    anew = by in ("trend-zone", "trend-quantity")
    shown_channels = "" if anew else ",".join(channels or ())
    query = {
        "zone": zone,
        "quantity": ",".join(names or ()),
        "channels": shown_channels,
        "from": first,
        "to": last,
    }
    if isinstance(by, dict) and "hours" in by:
        query |= _range(q, int(by["hours"]))
    view = view_of(q, "?" + urlencode(query))
    if isinstance(by, dict) and "step" in by:
        view = move_view(view, str(by["step"]))
    own = tuple(c for name in view.quantities for c in channels_in(q.setup, view.zone, name))
    return search_of(replace(view, channels=()) if set(view.channels) == set(own) else view, q.room.timezone)


def _range(q: Queries, hours: int) -> dict[str, str]:
    first, last = q.source.extent() or (q.now_ns() - 24 * HOUR_NS, q.now_ns())
    to_ns = q.now_ns() if hours else last + NS
    from_ns = to_ns - hours * HOUR_NS if hours else first
    zone = q.room.timezone
    return {"from": field_text(from_ns, zone), "to": field_text(to_ns + 59 * NS, zone)}


def _part(whole: TrendView, window: Any) -> TrendView | None:
    """The part of a view that a person zoomed to, the whole without a window; None where it is empty."""
    from_ns, to_ns = whole.from_ns, whole.to_ns
    if window:
        from_ns = max(from_ns, int(window[0] * 1e6))
        to_ns = min(to_ns, int(window[1] * 1e6))
    return replace(whole, from_ns=from_ns, to_ns=to_ns) if to_ns > from_ns else None


def zoom(q: Queries, window: Any, view: dict[str, Any]) -> tuple[Any, ...]:
    """Lines and trace for the part that a person zoomed to, with the words that say which part it is."""
    seen = _part(view_of(q, view["search"]), window)
    if seen is None:
        return (no_update,) * 7
    zone, chart = q.room.timezone, chart_of(q, seen)
    search = search_of(seen, zone)
    return (
        traces_patch(chart),
        PATH + search,
        trend_file.PATH + search,
        field_text(seen.from_ns, zone),
        field_text(seen.to_ns, zone),
        _window_text(q, seen),
        _aside(q, seen, chart),
    )


def traces_patch(part: Chart) -> Patch:
    """The traces of a part. Ground and marks stay: they were drawn for the whole window."""
    patch, built = Patch(), figures.build_figure(part)
    for i, trace in enumerate(built["data"][:-3]):
        if trace.get("name") not in figures.GROUND:
            for name in (*CHANGING, *(("meta", "line") if "meta" in trace else ())):
                if name in trace:
                    patch["data"][i][name] = trace[name]
    return patch
