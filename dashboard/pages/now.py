"""Page Now: a sentence for each zone, live charts with their verdict trace, plan, scales, the list.

One zone is drawn large, the others small; a press exchanges them. The chart follows the state: 12 h while all
is quiet, the last hour while an alarm waits, so that the drift is seen and not a stroke at the edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.instants import NS
from logger.model import Rule
from logger.model.roles import Act
from logger.units import quantity

from ..access.needs import needs
from ..access.shared_answers import shared
from ..charts import figures
from ..charts.build import LIVE_HOURS, LiveView, live_chart, live_panels
from ..charts.expected_band import band_in, band_words
from ..charts.figures import Chart
from ..charts.live import FRESH_TICKS, HOURS, TRACE_TICKS, cursor_of, live_tick, view_of
from ..charts.local_axis import offsets_in
from ..charts.plan import plan
from ..data.queries import Queries
from ..data.statements import Statement
from ..data.words import age, difference_unit, figure, quantity_name, sentence, to_read_unit, unit
from ..parts import todo as hands
from ..parts.alarm_line import by_priority
from ..parts.components import aria, card, digest, graph, key_to_trace, svg, table
from ..parts.limit_scales import other_scales, scales
from ..parts.trail import trail
from ..parts.value_tables import hourly, period_table

TITLE = "Now"
PATH = "/"
NEEDS = Act.READ
ALARM_HOURS, ALARM_TRAIL = 1.0, 2.0


def layout(q: Queries, search: str) -> Component:
    """The page with its first data in it."""
    view = chosen_view(q, search)
    number = q.cursor()  # before the charts, or what arrives meanwhile would never be drawn
    charts = _charts(q, view)
    parts = _parts(q, view, whole=True)
    return html.Div(
        [
            html.H1(f"Now: {q.room.name}", className="unseen"),
            html.Div(parts["sentences"], id="now-sentences", className="sentences"),
            html.Div([_left(q, view, charts, parts), _right(parts)], className="now"),
            dcc.Interval(id="now-tick", interval=q.tick_s * 1000),
            dcc.Interval(id="now-minute", interval=q.tick_s * 1000 * TRACE_TICKS),
            dcc.Store(id="now-added"),
            dcc.Store(id="now-drawn"),
            dcc.Store(id="now-cursor", data=cursor_of(number, list(charts.values()), view)),
            # What the page shows from the start, so that the first tick draws nothing again.
            dcc.Store(id="now-seen", data={name: digest(part) for name, part in parts.items()}),
        ],
        className="answers-first",
    )


def chosen_view(q: Queries, search: str) -> LiveView:
    """What the address asks for; what it leaves out follows the state."""
    query = {key: values[-1] for key, values in parse_qs((search or "").lstrip("?")).items()}
    usual = usual_view(q)
    zones = {zone.key for zone in q.setup.zones_now()}
    large = query.get("zone", usual.large)
    return LiveView(HOURS.get(query.get("window", ""), usual.hours), large if large in zones else usual.large)


def usual_view(q: Queries) -> LiveView:
    """12 h of the first zone; while an alarm of a zone waits for a person, the last hour of its zone."""
    zones = {zone.name: zone.key for zone in q.setup.zones_now()}
    waiting = by_priority([a for a in q.alarms() if a.awaiting and a.zone in zones])
    if not waiting:
        return LiveView(LIVE_HOURS, next(iter(zones.values()), ""))
    return LiveView(ALARM_HOURS, zones[waiting[0].zone])


def address_of(view: LiveView) -> str:
    """The address of a view."""
    window = next(name for name, hours in HOURS.items() if hours == view.hours)
    return PATH + "?" + urlencode({"zone": view.large, "window": window})


def _charts(q: Queries, view: LiveView) -> dict[str, Chart]:
    """The chart of each zone, in the order of the page: the large one first."""
    zones = sorted(q.setup.zones_now(), key=lambda zone: zone.key != view.large)
    return {zone.key: live_chart(q, zone.key, view) for zone in zones}


def _left(q: Queries, view: LiveView, charts: dict[str, Chart], parts: dict[str, Any]) -> Component:
    drawn = html.Div(_cards(q, view, charts), id="now-charts", className="now-cards")
    both = html.Div(
        [
            svg(parts["plan"], "now-plan"),
            html.Div(parts["probes"], id="now-probes"),
        ],
        className="plan-and-probes",
    )
    readings = card("Plan and newest readings", both, aside=f"corrected, {unit('degC')}")
    return html.Div([drawn, readings], className="now-charts")


def _cards(q: Queries, view: LiveView, charts: dict[str, Chart]) -> list[Component]:
    large = [_large_card(q, view, zone, chart) for zone, chart in charts.items() if not chart.small]
    small = [_small_card(q, view, zone, chart) for zone, chart in charts.items() if chart.small]
    return [*large, *([html.Div(small, className="now-small")] if small else [])]


def _why_no_value(age_s: float) -> str:
    return "no reading yet" if age_s == float("inf") else "too old to use"


def probes(q: Queries) -> Component:
    """Each temperature probe with its newest value: the numbers behind the plan."""
    rows = [
        [
            s.probe,
            s.name if s.trusted else html.Span([s.name, html.Small(s.why or _why_no_value(s.age_s))]),
            figure(s.value, "degC", s.U) if s.trusted or s.why else "no value",
            age(s.age_s),
        ]
        for s in q.spots()
    ]
    return table(
        ["probe", "position", "corrected", "age"],
        rows,
        "Newest temperatures",
        figures=(2, 3),
    )


def _right(parts: dict[str, Any]) -> Component:
    return html.Div(
        [
            html.Div(parts["scales"], id="now-scales"),
            card("To do", html.Div(parts["hands"], id="now-hands"), ident="hands", aside="most urgent first"),
            html.Div(parts["others"], id="now-others"),
        ],
        className="now-side",
    )


def sentences(q: Queries, statements: Sequence[Statement], hours: float) -> list[Component]:
    """What a person would say of each zone: the trail, the verdict, the reason and what to do."""
    return [
        html.Div(
            [
                trail(q, s.zone, hours),
                html.H2(_headline(s), className="sentence"),
                html.P(
                    " ".join(part for part in (_rest(s, q), sentence(s.next_step)) if part),
                    className="next-step",
                ),
            ],
            className=f"zone zone-{s.verdict.replace(' ', '-')}" + (" zone-stale" if s.stale else ""),
        )
        for s in statements
    ]


def first_sentences(q: Queries) -> list[Component]:
    """The sentences as the page begins, for what is shown while it loads."""
    return sentences(q, q.statements(), _trail_hours(q))


def _trail_hours(q: Queries) -> float:
    return ALARM_TRAIL if usual_view(q).hours == ALARM_HOURS else LIVE_HOURS


def _headline(s: Statement) -> str:
    """The first sentence of the statement: zone and verdict, large."""
    first, _, _ = s.sentence.partition(". ")
    return first.rstrip(".") + "."


def _rest(s: Statement, q: Queries) -> str:
    """What follows the headline: since when and until when, then what the service said."""
    _, _, rest = s.sentence.partition(". ")
    return " ".join(part for part in (sentence(s.when(q.now_ns(), q.room.timezone)), rest) if part)


def _large_card(q: Queries, view: LiveView, zone: str, chart: Chart) -> Component:
    names = " and ".join(quantity_name(panel.quantity) for panel in chart.panels)
    window = next(name for name, hours in HOURS.items() if hours == view.hours)
    name = f"{chart.zone}, {names}, last {window}"
    offset = offsets_in(chart.from_ns, chart.to_ns, q.room.timezone)
    note = (
        f"In {unit(chart.unit)}, {_correction_note(q, chart)}. {_guard_band_note(chart)}"
        f"{sentence('local ' + offset)}"
    )
    return card(
        name,
        _live_graph(zone, chart, name),
        key_to_trace(),
        html.P(note, className="aside"),
        html.P(expected_words(q, view), className="aside", id="now-expected"),
        _table_behind(),
        aside=_windows(view),
    )


def expected_words(q: Queries, view: LiveView) -> str:
    """What the bands beyond now in the large chart say, also for those who do not see them."""
    now = q.now_ns()
    window = now - round(view.hours * 3600) * NS, now
    bands = next((s.bands for s in q.statements() if s.zone == view.large), ())
    drawn = [
        (band, q.label(band.channel), quantity(name).unit)
        for name, channels in live_panels(q, view.large, view)
        if (band := band_in(window, bands, channels))
    ]
    return band_words(drawn, now, q.room.timezone)


def _table_behind() -> Component:
    """The numbers of the large chart, asked for when it is opened: nobody waits for them before the chart."""
    waiting = html.P("Reading the values…", className="aside")
    return html.Details(
        [html.Summary("Table behind this chart"), html.Div(waiting, id="now-table-rows")], id="now-table"
    )


def _tables(q: Queries, view: LiveView) -> list[Component]:
    chart, clock = live_chart(q, view.large, view), q.room.timezone
    periods = q.periods(view.large, chart.from_ns, chart.to_ns)
    return [*(hourly(panel, clock) for panel in chart.panels), period_table(periods, chart)]


def _windows(view: LiveView) -> Component:
    """The buttons for the hours that are drawn; each leads to an address that shows the same."""
    here: dict[str, Any] = {"aria-current": "true"}
    buttons = [
        html.Span(name, className="quiet on", **here)
        if hours == view.hours
        else dcc.Link(name, href=address_of(replace(view, hours=hours)), className="quiet")
        for name, hours in HOURS.items()
    ]
    return html.Div(buttons, className="windows", role="group", **aria("Hours in the charts"))


def _small_card(q: Queries, view: LiveView, zone: str, chart: Chart) -> Component:
    limits = [text for rule in chart.limits if rule.holds(q.now_ns()) and (text := _limits(rule))]
    name = dcc.Link(chart.zone, href=address_of(replace(view, large=zone)))
    label = f"{chart.zone}, {quantity_name(chart.quantity)}"
    return card(name, _live_graph(zone, chart, label), aside=limits[0] if limits else unit(chart.unit))


def _limits(rule: Rule) -> str:
    ends = [f"{to_read_unit(end, rule.unit)[0]:g}" for end in (rule.lower, rule.upper) if end is not None]
    return f"limits {' to '.join(ends)} {unit(rule.unit)}" if ends else ""


def _live_graph(zone: str, chart: Chart, name: str) -> Component:
    drawn = graph(
        {"type": "live", "zone": zone},
        figures.build_figure(chart),
        f"{name} with its verdict trace; the table follows.",
        figures.height_of(chart),
    )
    return _live(drawn)


def _correction_note(q: Queries, chart: Chart) -> str:
    """Whether the lines are corrected: a channel without a certificate is drawn as it indicates."""
    channels = [line.channel for panel in chart.panels for line in panel.lines]
    bare = [
        f"{c.rpartition('.')[0]} {quantity_name(c.rpartition('.')[2])}"
        for c in channels
        if not all(map(q.setup.certificates_of, q.setup.inputs_of(c) or (c,)))
    ]
    if len(bare) < len(channels) or not channels:
        return f"corrected; {', '.join(bare)} as indicated: no certificate" if bare else "corrected"
    return "as indicated: no certificate"


def _guard_band_note(chart: Chart) -> str:
    """What the hatching means, with the U of each quantity that has a limit, where it is known."""
    largest = [
        (max(line.U for line in panel.lines), difference_unit(panel.unit))
        for panel in chart.panels
        if panel.lines and panel.limits
    ]
    widths = [figure(U, name) for U, name in largest if U]
    return f"Hatched: guard band U, {' and '.join(widths)}. " if widths else ""


def _live(chart: Component) -> Component:
    """A chart with the word that it stands still, for when a person has zoomed; assets/live.js shows it."""
    back = html.Button("Resume", type="button", className="quiet")
    chip = html.Div(["Paused while zoomed. ", back], className="paused", hidden=True, role="status")
    return html.Div([chip, chart], className="live")


def drawn_plan(q: Queries) -> str:
    return plan(q.room, list(q.setup.zones_now()), q.spots(), *q.field_range())


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page."""
    _drawing(app, q)
    _opening(app, q)
    _saying(app, q)


def _drawing(app: Dash, q: Queries) -> None:
    """What arrived is added to the charts; the charts follow the state."""

    @app.callback(
        Output("now-added", "data"),
        Output({"type": "live", "zone": ALL}, "figure"),
        Output("now-cursor", "data"),
        Input("news", "data"),
        Input("now-minute", "n_intervals"),  # between two minutes the news alone bring points
        State("now-cursor", "data"),
        State({"type": "live", "zone": ALL}, "id"),
        prevent_initial_call=True,
    )
    @shared(FRESH_TICKS // TRACE_TICKS)
    @needs(Act.READ)
    def tick(
        _: Any, n: int | None, cursor: dict[str, Any], idents: list[dict[str, str]]
    ) -> tuple[Any, list[Any], Any]:
        by_clock = n * TRACE_TICKS if n and ctx.triggered_id == "now-minute" else 1
        return live_tick(q, by_clock, cursor, [ident["zone"] for ident in idents])

    in_browser: Any = app.clientside_callback  # without type information
    in_browser(
        ClientsideFunction("stillroom", "add_points"),
        Output("now-drawn", "data"),
        Input("now-added", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("now-charts", "children"),
        Output("now-cursor", "data", allow_duplicate=True),
        Input("shell-seen", "data"),
        State("now-cursor", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def follow(_: Any, cursor: dict[str, Any], search: str | None) -> tuple[Any, Any]:
        view = chosen_view(q, search or "")
        if view == view_of(cursor):
            return no_update, no_update
        number, charts = q.cursor(), _charts(q, view)
        return _cards(q, view, charts), cursor_of(number, list(charts.values()), view)


def _opening(app: Dash, q: Queries) -> None:
    """The table behind the large chart, as of the moment in which it is opened."""

    @app.callback(
        Output("now-table-rows", "children"),
        Input("now-table", "n_clicks"),
        State("now-cursor", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def open_table(clicks: int | None, cursor: dict[str, Any]) -> Any:
        view = view_of(cursor)
        zones = {zone.key for zone in q.setup.zones_now()}
        return _tables(q, view) if clicks and view.large in zones else no_update


def _saying(app: Dash, q: Queries) -> None:
    """Sentences, list, scales, plan and probes, where they read differently from what is on the screen."""

    @app.callback(
        Output("now-sentences", "children"),
        Output("now-hands", "children"),
        Output("now-scales", "children"),
        Output("now-others", "children"),
        Output("now-expected", "children"),
        Output("now-plan", "data-svg"),
        Output("now-probes", "children"),
        Output("now-seen", "data"),
        Input("now-tick", "n_intervals"),
        Input("acted", "data"),
        Input("shell-seen", "data"),  # an alarm that came or went: no sentence may go on saying the opposite
        State("now-seen", "data"),
        State("now-cursor", "data"),
        prevent_initial_call=True,
    )
    @shared(TRACE_TICKS)
    @needs(Act.READ)
    def words(
        n: int | None, __: Any, ___: Any, seen: dict[str, str], cursor: dict[str, Any]
    ) -> tuple[Any, ...]:
        return changed_parts(q, seen, view_of(cursor), whole=(n or 1) % TRACE_TICKS == 0)


def _parts(q: Queries, view: LiveView, *, whole: bool) -> dict[str, Any]:
    statements = q.statements()
    large = [s for s in statements if s.zone == view.large]
    others = [s for s in statements if s.zone != view.large]
    parts: dict[str, Any] = {
        "sentences": sentences(q, statements, _trail_hours(q)),
        "hands": hands.rows(q),
        "scales": scales(q, large),
        "others": other_scales(q, others),
    }
    if not whole:
        return parts
    return parts | {"expected": expected_words(q, view), "plan": drawn_plan(q), "probes": probes(q)}


PARTS = ("sentences", "hands", "scales", "others", "expected", "plan", "probes")


def changed_parts(q: Queries, digests: dict[str, str], view: LiveView, *, whole: bool) -> tuple[Any, ...]:
    """The parts that read differently from what is on the screen; plan and probes only when `whole`."""
    parts = _parts(q, view, whole=whole)
    now = digests | {name: digest(part) for name, part in parts.items()}
    answers = [
        parts[name] if name in parts and digests.get(name) != now[name] else no_update for name in PARTS
    ]
    return (*answers, no_update if digests == now else now)
