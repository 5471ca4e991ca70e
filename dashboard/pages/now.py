"""Page Now: a sentence for each zone, live charts with their verdict trace, plan, scales, the list."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.model.roles import Act

from ..access.needs import needs
from ..charts import figures
from ..charts.build import live_chart
from ..charts.figures import Chart
from ..charts.live import TRACE_TICKS, cursor_of, live_tick
from ..charts.local_axis import offsets_in
from ..charts.plan import plan
from ..charts.scale import scale
from ..data.queries import Queries
from ..data.statements import Statement
from ..data.words import age, difference_unit, figure, quantity_name, sentence, unit
from ..parts import todo as hands
from ..parts.components import behind, card, digest, graph, key_to_trace, period_table, svg, swatch, table
from .trend import hourly

TITLE = "Now"
PATH = "/"
NEEDS = Act.READ


def layout(q: Queries, _: str) -> Component:
    """The page with its first data in it."""
    zones = [zone.key for zone in q.setup.zones_now()]
    number = q.cursor()  # before the charts, or what arrives meanwhile would never be drawn
    charts = [live_chart(q, zone) for zone in zones]
    parts = _parts(q, whole=True)
    cursor = cursor_of(number, charts)
    return html.Div(
        [
            html.H1(f"Now: {q.room.name}", className="unseen"),
            dcc.Interval(id="now-tick", interval=q.tick_s * 1000),
            dcc.Store(id="now-cursor", data=cursor),
            # What the page shows from the start, so that the first tick draws nothing again.
            dcc.Store(id="now-seen", data={name: digest(part) for name, part in parts.items()}),
            html.Div(parts["sentences"], id="now-sentences", className="sentences"),
            html.Div([_left(q, charts, parts), _right(parts)], className="now"),
        ]
    )


def _left(q: Queries, charts: list[Chart], parts: dict[str, Any]) -> Component:
    zones = [zone.key for zone in q.setup.zones_now()]
    cards = [_chart_card(q, zone, chart) for zone, chart in zip(zones, charts, strict=True)]
    table_of = card("Probes", html.Div(parts["probes"], id="now-probes"))
    return html.Div([*cards, key_to_trace(), table_of], className="now-charts")


def probes(q: Queries) -> Component:
    """Each temperature probe with its newest value: the numbers behind the plan."""
    rows = [
        [
            s.probe,
            s.name,
            s.medium,
            figure(s.value, "degC", s.U),
            age(s.age_s),
            "" if s.trusted else s.why or "too old to trust",
        ]
        for s in q.spots()
    ]
    return table(
        ["probe", "where", "medium", "corrected", "age", "note"],
        rows,
        "Newest temperatures",
        figures=(3, 4),
        stacks=True,
    )


def _right(parts: dict[str, Any]) -> Component:
    return html.Div(
        [
            card("To do", html.Div(parts["hands"], id="now-hands"), ident="hands"),
            card("Plan", svg(parts["plan"], "now-plan"), aside=f"corrected values, {unit('degC')}"),
            html.Div(parts["scales"], id="now-scales"),
        ],
        className="now-side",
    )


def sentences(statements: list[Statement], q: Queries) -> list[Component]:
    """What a person would say of each zone; the next step stands in the same breath."""
    return [
        html.Div(
            [
                html.H2([swatch(s.reason), *_headline(s)], className="sentence"),
                html.P(
                    " ".join(part for part in (_rest(s, q), sentence(s.next_step)) if part),
                    className="next-step",
                ),
            ],
            className=f"zone zone-{s.verdict.replace(' ', '-')}" + (" zone-stale" if s.stale else ""),
        )
        for s in statements
    ]


def _headline(s: Statement) -> list[str]:
    """The first sentence of the statement: zone and verdict, large."""
    first, _, _ = s.sentence.partition(". ")
    return [first.rstrip(".") + "."]


def _rest(s: Statement, q: Queries) -> str:
    """What follows the headline: since when and until when, then what the service said."""
    _, _, rest = s.sentence.partition(". ")
    return " ".join(part for part in (sentence(s.when(q.now_ns(), q.room.timezone)), rest) if part)


def _chart_card(q: Queries, zone: str, chart: Chart) -> Component:
    names = " and ".join(quantity_name(panel.quantity) for panel in chart.panels)
    name = f"{chart.zone}, {names}, last 12 h"
    offset = offsets_in(chart.from_ns, chart.to_ns, q.room.timezone)
    aside = f"{unit(chart.unit)}, {_correction_note(q, chart)}; {_guard_band_note(chart)}{offset}"
    return card(
        name,
        _live(
            graph(
                {"type": "live", "zone": zone},
                figures.build_figure(chart),
                f"{name} with its verdict trace; the table follows.",
                figures.height_of(chart),
            )
        ),
        behind(
            "Table behind this chart",
            *(hourly(panel, q.room.timezone) for panel in chart.panels),
            period_table(q.periods(zone, chart.from_ns, chart.to_ns), q.room.timezone, chart.zone),
        ),
        aside=aside,
    )


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
    return f"hatched: guard band, U = {' and '.join(widths)}; " if widths else ""


def _live(chart: Component) -> Component:
    """A chart with the word that it stands still, for when a person has zoomed; assets/live.js shows it."""
    back = html.Button("Back to live", type="button", className="quiet")
    chip = html.Div(["Live paused: zoomed. ", back], className="paused", hidden=True, role="status")
    return html.Div([chip, chart], className="live")


def scales(statements: list[Statement], q: Queries) -> list[Component]:
    """Each rule of each zone as a scale."""
    r_of = {rule.key: rule.r for rule in q.setup.rules}
    scales_ = []
    for s in statements:
        drawn = [svg(scale(state, r_of.get(state.rule, 1.0))) for state in s.rules]
        scales_.append(
            card(f"{s.name} against its limits", *(drawn or [html.P("No rule has been judged lately.")]))
        )
    return scales_


def drawn_plan(q: Queries) -> str:
    return plan(q.room, list(q.setup.zones_now()), q.spots(), *q.field_range())


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output({"type": "live", "zone": ALL}, "extendData"),
        Output({"type": "live", "zone": ALL}, "figure"),
        Output("now-cursor", "data"),
        Input("news", "data"),
        Input("now-tick", "n_intervals"),
        State("now-cursor", "data"),
        State({"type": "live", "zone": ALL}, "id"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def tick(
        _: Any, n: int | None, cursor: dict[str, Any], idents: list[dict[str, str]]
    ) -> tuple[list[Any], list[Any], Any]:
        by_clock = n if n and ctx.triggered_id == "now-tick" else 1
        return live_tick(q, by_clock, cursor, [ident["zone"] for ident in idents])

    @app.callback(
        Output("now-sentences", "children"),
        Output("now-hands", "children"),
        Output("now-scales", "children"),
        Output("now-plan", "data-svg"),
        Output("now-probes", "children"),
        Output("now-seen", "data"),
        Input("now-tick", "n_intervals"),
        Input("acted", "data"),
        Input("shell-seen", "data"),  # an alarm that came or went: no sentence may go on saying the opposite
        State("now-seen", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def words(n: int | None, __: Any, ___: Any, seen: dict[str, str]) -> tuple[Any, ...]:
        return changed_parts(q, seen, whole=(n or 1) % TRACE_TICKS == 0)  # none before the first tick


def _parts(q: Queries, *, whole: bool) -> dict[str, Any]:
    statements = q.statements()
    parts: dict[str, Any] = {
        "sentences": sentences(statements, q),
        "hands": hands.rows(q),
        "scales": scales(statements, q),
    }
    return parts | ({"plan": drawn_plan(q), "probes": probes(q)} if whole else {})


PARTS = ("sentences", "hands", "scales", "plan", "probes")


def changed_parts(q: Queries, digests: dict[str, str], *, whole: bool) -> tuple[Any, ...]:
    """The parts that read differently from what is on the screen; plan and probes only when `whole`."""
    parts = _parts(q, whole=whole)
    now = digests | {name: digest(part) for name, part in parts.items()}
    answers = [
        parts[name] if name in parts and digests.get(name) != now[name] else no_update for name in PARTS
    ]
    return (*answers, no_update if digests == now else now)
