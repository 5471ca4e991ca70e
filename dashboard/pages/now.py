"""Page Now: a sentence for each zone, live charts with their verdict trace, plan, scales, the list."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.accounts import Act
from logger.model import NS

from .. import figures
from ..access import needs
from ..chart import MS
from ..components import (
    at_offset,
    behind,
    card,
    digest,
    graph,
    key_to_trace,
    period_table,
    svg,
    swatch,
    table,
)
from ..figures import GROUND_TRACES, Chart
from ..plan import plan
from ..queries import Queries
from ..scale import scale
from ..statements import Statement
from ..wording import age, clock, figure, quantity_name, sentence, unit
from . import hands

TITLE = "Now"
PATH = "/"
NEEDS = Act.READ
TRACE_TICKS = 12  # every minute the trace, the limits and the labels follow
FRESH_TICKS = 120  # every ten minutes the lines are drawn anew, so that the window slides
CHANGING = ("x", "y", "z", "text", "textfont")  # of a trace; the rest never does
SLEPT_ROWS = 2000  # a tab that missed more than this is drawn anew
MAX_POINTS = 3000


def layout(q: Queries, _: str) -> Component:
    """The page with its first data in it."""
    zones = [zone.key for zone in q.setup.zones_now()]
    charts = [q.live_chart(zone) for zone in zones]
    parts = _parts(q, whole=True)
    cursor = {
        "cursor": q.cursor(),
        "last": last_of(charts),
        "offset_s": charts[0].offset_s if charts else 0,
    }
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
        ["probe", "where", "medium", "corrected", "age", ""], rows, "Newest temperatures", figures=(3, 4)
    )


def _right(parts: dict[str, Any]) -> Component:
    return html.Div(
        [
            card("What needs a hand", html.Div(parts["hands"], id="now-hands"), ident="hands"),
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
    _, _, rest = s.sentence.partition(". ")
    if rest or s.since_ns is None or s.stale:
        return rest
    return f"Since {clock(s.since_ns, q.now_ns(), q.room.timezone)}."


def _chart_card(q: Queries, zone: str, chart: Chart) -> Component:
    name = f"{chart.zone}, {quantity_name(chart.quantity)}, last 12 h"
    U = max((line.U for line in chart.lines), default=0.0)
    offset = at_offset(chart.to_ns - 1, q.room.timezone)
    aside = f"{unit(chart.unit)}, corrected; hatched: guard band, U = {figure(U, 'K')}; {offset}"
    return card(
        name,
        _live(
            graph(
                {"type": "live", "zone": zone},
                figures.build(chart),
                f"{name} with its verdict trace; the table follows.",
                figures.height_of(chart),
            )
        ),
        behind(
            "Table behind this chart",
            values_table(chart, q.room.timezone),
            period_table(q.periods(zone, chart.from_ns, chart.to_ns), q.room.timezone),
        ),
        aside=aside,
    )


def _live(chart: Component) -> Component:
    """A chart with the word that it stands still, for when a person has zoomed; assets/live.js shows it."""
    back = html.Button("Back to live", type="button", className="quiet")
    chip = html.Div(["Live paused: zoomed. ", back], className="paused", hidden=True, role="status")
    return html.Div([chip, chart], className="live")


def values_table(chart: Chart, zone: str) -> Component:
    """Least and greatest value of each line in each hour, as drawn."""
    from .trend import hourly

    return hourly(chart, zone)


def scales(statements: list[Statement], q: Queries) -> list[Component]:
    """Each rule of each zone as a scale."""
    r_of = {rule.key: rule.r for rule in q.setup.rules}
    found = []
    for s in statements:
        drawn = [svg(scale(state, r_of.get(state.rule, 1.0))) for state in s.rules]
        found.append(
            card(f"{s.name} against its limits", *(drawn or [html.P("No rule has been judged lately.")]))
        )
    return found


def drawn_plan(q: Queries) -> str:
    return plan(q.room, list(q.setup.zones_now()), q.spots(), *q.field_range())


def last_of(charts: list[Chart]) -> list[int]:
    """The newest instant of each line in ms, in the order of the charts.

    By it a tick never doubles a point, and a silence breaks the line; a plain list keeps a tick small.
    """
    return [line.taken_ns[-1] // MS if line.taken_ns else 0 for chart in charts for line in chart.lines]


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
        State("now-seen", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def words(n: int | None, __: Any, seen: dict[str, str]) -> tuple[Any, ...]:
        return changed(q, seen, whole=(n or 1) % TRACE_TICKS == 0)  # none before the first tick


def _parts(q: Queries, *, whole: bool) -> dict[str, Any]:
    statements = q.statements()
    parts: dict[str, Any] = {
        "sentences": sentences(statements, q),
        "hands": hands.rows(q),
        "scales": scales(statements, q),
    }
    return parts | ({"plan": drawn_plan(q), "probes": probes(q)} if whole else {})


PARTS = ("sentences", "hands", "scales", "plan", "probes")


def changed(q: Queries, seen: dict[str, str], *, whole: bool) -> tuple[Any, ...]:
    """The parts that read differently from what is on the screen; plan and probes only when `whole`."""
    parts = _parts(q, whole=whole)
    now = seen | {name: digest(part) for name, part in parts.items()}
    answers = [parts[name] if name in parts and seen.get(name) != now[name] else no_update for name in PARTS]
    return (*answers, no_update if seen == now else now)


def live_tick(
    q: Queries, n: int, cursor: dict[str, Any], zones: list[str]
) -> tuple[list[Any], list[Any], Any]:
    """What a live tick adds: new points only; each minute the trace; each ten minutes the lines anew.

    A tab that slept so long that it missed much is drawn anew, too: nothing is lost or told twice.
    """
    if n % FRESH_TICKS == 0 or q.cursor() - cursor["cursor"] > SLEPT_ROWS:
        return _anew(q, cursor, zones)
    news, newest = q.news(cursor["cursor"])
    channels = [channel for zone in zones for channel in q.channels(zone, "temperature")]
    known = dict(zip(channels, cursor["last"], strict=True))
    added = broken(q, news, {channel: (ms + 1) * MS - 1 for channel, ms in known.items() if ms})
    extended = [extension(q, zone, added, cursor["offset_s"]) for zone in zones]
    traces = [
        patched(q.live_chart(zone), lines=False) if n % TRACE_TICKS == 0 else no_update for zone in zones
    ]
    if newest == cursor["cursor"]:
        return extended, traces, no_update
    known |= {channel: max(taken) // MS for channel, (taken, _) in added.items() if channel in known}
    last = [known[channel] for channel in channels]
    return extended, traces, {**cursor, "cursor": newest, "last": last}


def _anew(q: Queries, cursor: dict[str, Any], zones: list[str]) -> tuple[list[Any], list[Any], Any]:
    newest = q.cursor()
    charts = [q.live_chart(zone) for zone in zones]
    fresh = {"cursor": newest, "last": last_of(charts), "offset_s": cursor["offset_s"]}
    return [no_update] * len(zones), [patched(c, lines=True) for c in charts], fresh


def broken(
    q: Queries, news: dict[str, Any], last: dict[str, int]
) -> dict[str, tuple[list[int], list[float | None]]]:
    """New points after the last one drawn, with a break where the probe was silent for too long."""
    found = {}
    for channel, (taken, values) in news.items():
        kept = [(t, v) for t, v in zip(taken, values, strict=True) if t > last.get(channel, 0)]
        before = last.get(channel)
        out: list[tuple[int, float | None]] = []
        for t, v in kept:
            if before is not None and t - before > q.setup.channels[channel].max_age_s * NS:
                out.append((before + NS, None))
            out.append((t, v))
            before = t
        found[channel] = ([t for t, _ in out], [v for _, v in out])
    return {channel: pair for channel, pair in found.items() if pair[0]}


def extension(q: Queries, zone: str, news: dict[str, Any], offset_s: int) -> Any:
    added = figures.ticks(offset_s, "degC", news, q.channels(zone, "temperature"), GROUND_TRACES)
    return no_update if added is None else (*added, MAX_POINTS)


def patched(chart: Chart, *, lines: bool) -> Patch:
    """The ground, the trace and the labels anew, without touching what a person has zoomed to."""
    figure_now, patch = figures.build(chart), Patch()
    count = len(chart.lines)
    for i, trace in enumerate(figure_now["data"]):
        if lines or not GROUND_TRACES <= i < GROUND_TRACES + count:
            for name in CHANGING:
                if name in trace:
                    patch["data"][i][name] = trace[name]
    patch["layout"]["annotations"] = figure_now["layout"]["annotations"]
    patch["layout"]["yaxis"]["range"] = figure_now["layout"]["yaxis"]["range"]
    return patch
