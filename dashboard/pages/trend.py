"""Page Trend: any window of any channels, with limits as in force, trace, excursions, acts, inspections.

The address holds the view, so that a link shows the same. Zooming asks again for that window,
so that detail appears and no extreme is lost.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ALL, ClientsideFunction, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.errors import IntervalError, StillroomError
from logger.instants import NS
from logger.model.roles import Act

from ..access.needs import needs
from ..charts import figures
from ..charts.build import window_panels
from ..charts.figures import Chart
from ..charts.local_axis import offsets_in, stamps_in
from ..data.channels import channels_in, channels_of, quantities
from ..data.queries import Queries
from ..data.words import field_text, instant, quantity_name, to_read_unit, unit
from ..parts.components import (
    aria,
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

TITLE = "Trend"
PATH = "/trend"
NEEDS = Act.READ
HOUR_NS = 3600 * NS
RANGES = {"1 h": 1, "12 h": 12, "24 h": 24, "7 days": 168, "30 days": 720, "1 year": 8766, "everything": 0}
MOVES = {"earlier": "Earlier", "later": "Later", "closer": "Closer", "wider": "Wider"}
LONGEST_NS = 100 * 8766 * HOUR_NS
SHORTEST_NS = 60 * NS
TABLE_LIMIT = 400
PANELS = 3  # more quantities than this leave no height for any
CHANGING = ("x", "y", "z", "text", "textfont")


@dataclass(frozen=True)
class TrendView:
    """What the address asks for."""

    zone: str
    quantities: tuple[str, ...]
    channels: tuple[str, ...]  # none: all of the zone
    from_ns: int
    to_ns: int


def view_of(q: Queries, search: str) -> TrendView:
    """The view in an address; what is left out is the last 24 h of the first zone's temperature."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    setup, zone_name = q.setup, q.room.timezone
    zone = q.zone(query.get("zone") or next(iter(setup.zones))).key
    names_ = quantities(setup)
    names = tuple(n for n in query.get("quantity", "temperature").split(",") if n in names_)[:PANELS] or (
        names_[0],
    )
    to_ns = instant(query["to"], zone_name, wanted_in="To") if query.get("to") else q.now_ns()
    from_ns = (
        instant(query["from"], zone_name, wanted_in="From") if query.get("from") else to_ns - 24 * HOUR_NS
    )
    if to_ns <= from_ns:
        raise IntervalError("The window is empty: To must be later than From.")
    if to_ns - from_ns > LONGEST_NS:
        raise IntervalError("The window is longer than a hundred years; move From or To.")
    channels_ = {c for name in names for c in channels_of(setup, name)}
    return TrendView(
        zone, names, tuple(c for c in query.get("channels", "").split(",") if c in channels_), from_ns, to_ns
    )


def layout(q: Queries, search: str) -> Component:
    """The page for an address; an address that cannot be read keeps the form and says why."""
    try:
        view = view_of(q, search)
        drawn = [shown_view(q, view)]
    except StillroomError as refused:
        view, drawn = view_of(q, ""), [refusal(str(refused))]
    return html.Div([html.H1("Trend", className="page"), _form(q, view), *drawn])


def _form(q: Queries, view: TrendView) -> Component:
    zone, setup = q.room.timezone, q.setup
    zones = {k: z.name for k, z in setup.zones.items()}
    names = {k: quantity_name(k) for k in quantities(setup)}
    return html.Div(
        [
            choice("trend-zone", "Zone", zones, view.zone),
            several("trend-quantity", "Quantities, up to three", names, view.quantities, "temperature"),
            several("trend-channels", "Channels", _options(q, view), view.channels, "all of the zone"),
            field("trend-from", "From, local", field_text(view.from_ns, zone)),
            field("trend-to", "To, local", field_text(view.to_ns, zone)),
            button("trend-show", "Show"),
            html.Div(_quick(), className="ranges", role="group", **aria("Quick ranges")),
            html.Div(id="trend-refusal"),
        ],
        className="form",
    )


def _quick() -> list[Component]:
    """Ranges that end now, and steps through time for those who cannot drag."""
    ranges = [
        button({"type": "trend-range", "hours": hours}, name, quiet=True) for name, hours in RANGES.items()
    ]
    moves = [button({"type": "trend-move", "step": step}, name, quiet=True) for step, name in MOVES.items()]
    return [*ranges, html.Span(className="apart"), *moves]


def _options(q: Queries, view: TrendView) -> dict[str, str]:
    many = len(view.quantities) > 1
    return {
        c: f"{q.label(c)}, {quantity_name(name)}" if many else q.label(c)
        for name in view.quantities
        for c in channels_of(q.setup, name)
    }


def chart_of(q: Queries, view: TrendView) -> Chart:
    window = view.from_ns, view.to_ns
    return window_panels(q, view.zone, view.quantities, *window, channels=view.channels, marks=True)


def shown_view(q: Queries, view: TrendView) -> Component:
    """The chart with its tables."""
    zone = q.room.timezone
    chart = chart_of(q, view)
    periods = q.periods(view.zone, view.from_ns, view.to_ns)
    name = f"{chart.zone}, {', '.join(quantity_name(n) for n in view.quantities)}"
    stamp = stamps_in(view.from_ns, view.to_ns, zone)
    window = f"{stamp(view.from_ns)} to {stamp(view.to_ns)}"
    label = f"{name}, {window}, with limits and verdict trace; tables follow."
    height = figures.height_of(chart, 440)
    aside = f"{window}; {_value_note(chart)}corrected; {offsets_in(view.from_ns, view.to_ns, zone)}"
    return html.Div(
        [
            dcc.Store(id="trend-view", data={"search": search_of(view, zone)}),
            dcc.Store(id="trend-window"),
            card(
                name,
                _empty(chart),
                graph("trend-graph", figures.build_figure(chart, height), label, height),
                _under(view, zone),
                aside=aside,
            ),
            key_to_trace(),
            behind("Periods", period_table(periods[:TABLE_LIMIT], zone, chart.zone), _more(len(periods))),
            behind("Excursions, acts and inspections", _marks_table(chart, zone)),
            *(behind(f"Values, {quantity_name(p.quantity)}", hourly(p, zone)) for p in chart.panels),
        ]
    )


def _value_note(chart: Chart) -> str:
    printed = to_read_unit(0.0, chart.unit)[1]
    bounds = any(line.bounds for panel in chart.panels for line in panel.lines)
    limits_note = "bounds from the extremes of the inputs, " if bounds else ""
    return (f"{printed}, " if printed else "") + limits_note


def _empty(chart: Chart) -> Component:
    """What to do when nothing was measured in the window."""
    if any(v is not None for panel in chart.panels for line in panel.lines for v in line.values):
        return html.Div()
    return html.P(
        "No reading in this window. Press “everything” to see where readings are.", className="empty"
    )


def _under(view: TrendView, zone: str) -> Component:
    hint = "Drag over the chart to look closer; double-click to see the whole window again."
    link = html.A("Link to this view", href="/trend" + search_of(view, zone), id="trend-link")
    return html.Div([html.Span(hint, className="aside"), link], className="under")


def _more(count: int) -> str:
    note = f"The first {TABLE_LIMIT} of {count}; ask a shorter window for the rest."
    return note if count > TABLE_LIMIT else ""


def _marks_table(chart: Chart, zone: str) -> Component:
    stamp = stamps_in(chart.from_ns, chart.to_ns, zone)
    rows = [
        *(
            [
                e.from_ns,
                stamp(e.to_ns),
                "excursion",
                f"{e.rule.partition('.')[2]}, worst {to_read_unit(e.worst, e.unit)[0]:.2f} {unit(e.unit)}",
            ]
            for e in chart.excursions
        ),
        *([at, "", "act", told] for at, told in chart.acts),
        *(
            [i.from_ns, stamp(i.to_ns) if i.to_ns else "running", "inspection", f"{i.key} {i.title}"]
            for i in chart.inspections
        ),
    ]
    rows.sort(key=lambda row: int(str(row[0])))
    told = [[stamp(int(str(row[0]))), *row[1:]] for row in rows[:TABLE_LIMIT]]
    caption = "Excursions, acts of people and inspections in this window"
    return table(["from", "to", "what", "about"], told, caption, figures=(0, 1), stacks=True)


def hourly(chart: Chart, zone: str) -> Component:
    """Least and greatest value of each line, in each of up to 48 equal parts of the window."""
    parts = 12 if chart.to_ns - chart.from_ns <= 12 * HOUR_NS else 48
    width = (chart.to_ns - chart.from_ns) // parts
    rows, stamp = [], stamps_in(chart.from_ns, chart.to_ns, zone)
    for i in range(parts):
        a = chart.from_ns + i * width
        rows.append([stamp(a), *(_span_of(line, a, a + width, chart.unit) for line in chart.lines)])
    what = f"{chart.zone}, {quantity_name(chart.quantity)}: least and greatest values"
    caption = f"{what}, {to_read_unit(0.0, chart.unit)[1] or 'no unit'}, local time"
    heads = ["from", *(line.label for line in chart.lines)]
    return table(heads, rows, caption, figures=range(len(chart.lines) + 1))


def _span_of(line: figures.ChartLine, from_ns: int, to_ns: int, of: str) -> str:
    pairs = zip(line.taken_ns, line.values, strict=True)
    values = [v for t, v in pairs if v is not None and from_ns <= t < to_ns]
    if not values:
        return "no value"
    return f"{to_read_unit(min(values), of)[0]:.2f} to {to_read_unit(max(values), of)[0]:.2f}"


def search_of(view: TrendView, zone: str) -> str:
    """The address of a view."""
    query = {
        "zone": view.zone,
        "quantity": ",".join(view.quantities),
        "channels": ",".join(view.channels),
        "from": field_text(view.from_ns, zone),
        "to": field_text(view.to_ns, zone),
    }
    return "?" + urlencode({key: value for key, value in query.items() if value})


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page."""
    _showing(app, q)
    _zooming(app, q)


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
    """The part that a person zoomed to is asked for anew, in its own detail."""

    @app.callback(
        Output("trend-graph", "figure"),
        Output("trend-link", "href"),
        Input("trend-window", "data"),
        State("trend-view", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def zoomed(window: Any, view: dict[str, Any]) -> tuple[Any, Any]:
        return zoom(q, window, view)

    in_browser: Any = app.clientside_callback  # without type information
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
    kept = "" if anew else ",".join(channels or ())
    asked = {"zone": zone, "quantity": ",".join(names or ()), "channels": kept, "from": first, "to": last}
    if isinstance(by, dict) and "hours" in by:
        asked |= _range(q, int(by["hours"]))
    view = view_of(q, "?" + urlencode(asked))
    if isinstance(by, dict) and "step" in by:
        view = move_view(view, str(by["step"]))
    own = tuple(c for name in view.quantities for c in channels_in(q.setup, view.zone, name))
    return search_of(replace(view, channels=()) if set(view.channels) == set(own) else view, q.room.timezone)


def move_view(view: TrendView, step: str) -> TrendView:
    """The view half a window earlier or later, or half or twice as long around its middle."""
    whole, minute = view.to_ns - view.from_ns, 60 * NS
    half = max(whole // 2 // minute, 1) * minute
    quarter = half // 2 // minute * minute
    shift = {
        "earlier": (-half, -half),
        "later": (half, half),
        "closer": (quarter, -quarter),
        "wider": (-half, half),
    }
    a, b = shift.get(step, (0, 0))
    moved = replace(view, from_ns=view.from_ns + a, to_ns=view.to_ns + b)
    return moved if SHORTEST_NS <= moved.to_ns - moved.from_ns <= LONGEST_NS and moved.from_ns > 0 else view


def _range(q: Queries, hours: int) -> dict[str, str]:
    first, last = q.source.extent() or (q.now_ns() - 24 * HOUR_NS, q.now_ns())
    to_ns = q.now_ns() if hours else last + NS
    from_ns = to_ns - hours * HOUR_NS if hours else first
    zone = q.room.timezone
    return {"from": field_text(from_ns, zone), "to": field_text(to_ns + 59 * NS, zone)}


def zoom(q: Queries, window: Any, view: dict[str, Any]) -> tuple[Any, Any]:
    """Lines and trace for the part that a person zoomed to; the whole window again without one."""
    whole = view_of(q, view["search"])
    from_ns, to_ns = whole.from_ns, whole.to_ns
    if window:
        from_ns = max(from_ns, int(window[0] * 1e6))
        to_ns = min(to_ns, int(window[1] * 1e6))
    if to_ns <= from_ns:
        return no_update, no_update
    seen = replace(whole, from_ns=from_ns, to_ns=to_ns)
    return traces_patch(chart_of(q, seen)), "/trend" + search_of(seen, q.room.timezone)


def traces_patch(part: Chart) -> Patch:
    """The traces of a part. Ground and marks stay: they were drawn for the whole window."""
    patch, built = Patch(), figures.build_figure(part)
    for i, trace in enumerate(built["data"][:-3]):
        if trace.get("name") not in figures.GROUND:
            for name in CHANGING:
                if name in trace:
                    patch["data"][i][name] = trace[name]
    return patch
