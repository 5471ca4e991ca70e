"""Page Gradients: vertical and horizontal, in time and as profile, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update
from dash.development.base_component import Component

from logger.errors import IntervalError, StillroomError
from logger.instants import NS
from logger.model.roles import Act

from ..access.needs import needs
from ..charts import figures
from ..charts.gradients import (
    FEWEST,
    NAMES,
    AirProbe,
    Direction,
    air_probes,
    chart,
    gradient,
    leaning,
    left_out,
    limits,
    pairs,
    plane,
    room_air,
)
from ..charts.local_axis import offsets_in
from ..charts.profile import Level, profile
from ..data.queries import Queries
from ..data.words import field_text, figure, instant, local, plain, unit
from ..parts.components import (
    aria,
    behind,
    button,
    card,
    choice,
    field,
    graph,
    key_to_trace,
    refusal,
    svg,
    table,
)
from ..parts.value_tables import hourly

TITLE = "Gradients"
PATH = "/gradients"
NEEDS = Act.READ
HOUR_NS = 3600 * NS
WHERE = {
    "vertical": "one above the other (within 10° of plumb)",
    "horizontal": "side by side (within 10° of level)",
    "along": "along any other line",
}
RANGES = {"12 h": 12, "24 h": 24, "7 d": 168, "30 d": 720}


@dataclass(frozen=True)
class GradientView:
    """What the address asks for."""

    zone: str
    from_ns: int
    to_ns: int


def view_of(q: Queries, search: str) -> GradientView:
    """The view in an address; what is left out is the last 24 h of the first zone."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    clock = q.room.timezone
    zone = q.zone(query.get("zone") or next(iter(q.setup.zones))).key
    to_ns = instant(query["to"], clock, wanted_in="To") if query.get("to") else q.now_ns()
    from_ns = instant(query["from"], clock, wanted_in="From") if query.get("from") else to_ns - 24 * HOUR_NS
    if to_ns <= from_ns:
        raise IntervalError("“To” must be later than “From”.")
    return GradientView(zone, from_ns, to_ns)


def layout(q: Queries, search: str) -> Component:
    """The page for an address; one that cannot be read keeps the form and says why."""
    try:
        view = view_of(q, search)
        drawn = shown_view(q, view)
    except StillroomError as refused:
        view, drawn = view_of(q, ""), [refusal(str(refused))]
    return html.Div([html.H1("Gradients", className="page"), _form(q, view), *drawn], className="stack")


def _form(q: Queries, view: GradientView) -> Component:
    clock = q.room.timezone
    zones = {z.key: z.name for z in q.setup.zones_now()}
    quick = [button({"type": "gradients-range", "hours": h}, name, quiet=True) for name, h in RANGES.items()]
    return html.Div(
        [
            choice("gradients-zone", "Zone", zones, view.zone),
            field("gradients-from", "From, local", field_text(view.from_ns, clock)),
            field("gradients-to", "To, local (not included)", field_text(view.to_ns, clock)),
            button("gradients-show", "Show"),
            html.Div(quick, className="ranges", role="group", **aria("Quick ranges")),
            html.Div(id="gradients-refusal"),
        ],
        className="form",
    )


def shown_view(q: Queries, view: GradientView) -> list[Component]:
    """Sentences, the two charts, and the profile beside them."""
    probes = air_probes(q, view.zone, view.from_ns, view.to_ns)
    missing = left_out(q, [view.zone], view.to_ns)
    if not probes or not len(probes[0].curve):
        why = "No two air probes of this zone have readings at the same time in this window." if probes else (
            "This zone has no air probe that counts for the verdict."
        )  # fmt: skip
        return [html.P(f"Gradients are not shown. {why} {missing}", className="empty")]
    directions: list[Direction] = ["vertical", "horizontal"]
    directions += ["along"] if pairs("along", probes) else []
    return [
        html.Div([_sentence(q, view, d, probes) for d in directions], className="sentences"),
        html.Div(
            [
                html.Div(
                    [_chart(q, view, d, probes) for d in directions if pairs(d, probes)],
                    className="main-side",
                ),
                html.Div([_profile(q, probes), _plane(q, view)], className="other-side"),
            ],
            className="two",
        ),
        key_to_trace(),
    ]


def _sentence(q: Queries, view: GradientView, direction: Direction, probes: Sequence[AirProbe]) -> Component:
    """The newest gradient of the pair that is worst now, against its limit."""
    name = NAMES[direction].capitalize()
    all_pairs = pairs(direction, probes)
    if not all_pairs:
        sentence = f"No two air probes that count for the verdict are 0.3 m apart {WHERE[direction]}. "
        sentence += " ".join([leaning(q, view.zone, direction, probes), left_out(q, [view.zone], view.to_ns)])
        return html.Div(
            [html.H2(f"{name}: not shown.", className="sentence"), html.P(sentence, className="next-step")]
        )
    values = [(gradient(a, b, d, direction), a, b, d) for a, b, d in all_pairs]
    (value, U), a, b, d = max(values, key=lambda v: abs(v[0][0][-1]))
    ruled = limits(q, view.zone, direction)
    limit = f" Limit {plain(ruled[-1].upper, 'K/m')}." if ruled else " No limit."
    at = local(int(a.curve.end_ns[-1]), q.room.timezone)
    unbroken = figure(float(value[-1]), "K/m", float(U[-1])).replace(" ", "\u00a0")
    return html.Div(
        [
            html.H2(f"{name}: {unbroken}.", className="sentence"),
            html.P(f"{b.label} to {a.label}, {abs(d):.2f} m apart, at {at}.{limit}", className="next-step"),
        ]
    )


def _chart(q: Queries, view: GradientView, direction: Direction, probes: Sequence[AirProbe]) -> Component:
    drawn = chart(q, view.zone, direction, probes, (view.from_ns, view.to_ns))
    name = f"{drawn.quantity.capitalize()} of {drawn.zone}"
    U = max(line.U for line in drawn.lines)
    sign = "; positive: warmer above" if direction == "vertical" else ""
    offset = offsets_in(view.from_ns, view.to_ns, q.room.timezone)
    aside = f"{unit('K/m')}; pale: ± U, up to {figure(U, 'K/m')}{sign}; local {offset}"
    ident, label = (
        {"type": "gradient", "direction": direction},
        f"{name} in time with verdict trace; a table follows.",
    )
    return card(
        name,
        graph(ident, figures.build_figure(drawn, 360), label, 360),
        behind("Table behind this chart", hourly(drawn, q.room.timezone)),
        aside=aside,
    )


def _profile(q: Queries, probes: Sequence[AirProbe]) -> Component:
    levels = [
        Level(
            s.label,
            s.place.xyz_m[2],
            float(s.curve.mean.mean()),
            float(s.curve.low.min()),
            float(s.curve.high.max()),
            float(s.curve.U.max()),
        )
        for s in probes
    ]
    rows = [
        [
            v.probe,
            f"{v.height_m:g} m",
            figure(v.mean, "degC", v.U),
            f"{plain(v.low, 'degC')} to {plain(v.high, 'degC')}",
        ]
        for v in levels
    ]
    return card(
        "Profile",
        svg(profile(levels, q.room.size_m[2])),
        behind(
            "Table behind the profile",
            table(["probe", "height", "mean", "range"], rows, "Profile of the window"),
        ),
        aside="mean, U and range of the window, by height",
    )


def _plane(q: Queries, view: GradientView) -> Component:
    """The plane over all air probes of the room; from four probes on."""
    probes = room_air(q, view.from_ns, view.to_ns)
    components, missing = plane(probes), left_out(q, list(q.setup.zones), view.to_ns)
    if not components:
        few = f"needs {FEWEST} air probes, well spread; {len(probes)} have readings at the same time."
        return card("Best-fit plane over the room", html.P(f"Not shown: {few} {missing}"))
    rows = [[name or "whole", figure(components[name][0], "K/m", components[name][1])] for name in components]
    names = ", ".join(s.channel.partition(".")[0] for s in probes)
    return card(
        "Best-fit plane over the room",
        table(["direction", "gradient"], rows, "Least squares, newest common values", figures=(1,)),
        html.P(f"Through {names}. {missing}", className="aside"),
    )


def register(app: Dash, q: Queries) -> None:
    """The form writes the address."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("gradients-refusal", "children"),
        Input("gradients-show", "n_clicks"),
        Input({"type": "gradients-range", "hours": ALL}, "n_clicks"),
        Input("gradients-zone", "value"),
        State("gradients-from", "value"),
        State("gradients-to", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def show(_: Any, __: Any, zone: str, first: str, last: str) -> tuple[Any, Any]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return no_update, no_update
        query = {"zone": zone, "from": first, "to": last}
        try:
            if isinstance(ctx.triggered_id, dict):
                now, clock = q.now_ns(), q.room.timezone
                begin = now - int(ctx.triggered_id["hours"]) * HOUR_NS
                query |= {"from": field_text(begin, clock), "to": field_text(now, clock)}
            view_of(q, "?" + urlencode(query))
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        return "?" + urlencode(query), refusal("")
