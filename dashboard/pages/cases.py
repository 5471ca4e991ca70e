"""Page Cases: one event, what it affects, what was decided; the list by week, and what causes cost."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update
from dash.development.base_component import Component
from flask import Response, current_app, redirect, request

from logger.errors import Refused, StillroomError
from logger.inspections.case_record import CaseRecord
from logger.instants import NS
from logger.model.roles import Act

from ..access.guard import guard_of
from ..access.needs import acting, allowed, needs, visitor
from ..access.sign_in import confirmed
from ..charts import build, figures
from ..charts.chart import Chart
from ..charts.local_axis import offsets_in
from ..data.case_desk import desk
from ..data.queries import Queries
from ..data.words import (
    exceedance,
    field_text,
    figure,
    instant,
    interval_text,
    local,
    local_offset,
    plain,
    unit,
)
from ..parts.alarm_figures import alarms_card
from ..parts.case_forms import TEXTS, affected_card, closing_card, effect_card, texts_card
from ..parts.case_links import links_card, register_links
from ..parts.case_list import PATH, case_list, lasting, numbers_in_words
from ..parts.components import aria, button, card, field, graph, key_to_trace, refusal, table

TITLE = "Cases"
NEEDS = Act.READ
BEFORE_NS, AFTER_NS = 2 * 3600 * NS, 2 * 3600 * NS  # of the case in its chart


def layout(q: Queries, search: str) -> Component:
    """The list by week at the left; the case that the address names, else the newest that is open."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    now, cases = q.now_ns(), desk(q)
    records = cases.all(now)
    try:
        chosen = _chosen(q, query, records)
        drawn = _case(q, chosen) if chosen else [html.H1("Cases", className="page"), html.P(_calm(records))]
    except StillroomError as fault:
        chosen, drawn = None, [html.H1("Cases", className="page"), refusal(str(fault))]
    side = html.Aside(case_list(q, records, chosen), className="case-list", **aria("All cases"))
    return html.Div(
        [html.Div([side, html.Div(drawn, className="stack")], className="case-page"), *_figures(q, records)],
        className="stack",
    )


def _calm(records: Sequence[CaseRecord]) -> str:
    return (
        "All cases are closed. Choose one from the list." if records else "No cases: no limit was exceeded."
    )


def _chosen(q: Queries, query: dict[str, str], records: Sequence[CaseRecord]) -> CaseRecord | None:
    if query.get("case"):
        if not query["case"].isdecimal():
            raise Refused(f"Expected the number of a case, such as 12; found {query['case']!r}.")
        return desk(q).case(int(query["case"]), q.now_ns())
    if query.get("zone") and query.get("at"):
        at_ns = instant(query["at"], q.room.timezone, wanted_in="at")
        return desk(q).at(query["zone"], at_ns, q.now_ns())
    asking = [r for r in records if r.waits]
    return asking[-1] if asking else None


def _case(q: Queries, r: CaseRecord) -> list[Any]:
    now, cases = q.now_ns(), desk(q)
    mine = visitor()
    drafts = cases.drafts(r, mine.name) if mine else {}
    impacts = cases.impacts(r, now) if allowed(Act.READ_INSPECTIONS) else []
    return [
        html.Div([html.H1(_headline(r), className="page"), html.P(_under(q, r), className="next-step")]),
        html.Div(id="case-number", hidden=True, children=str(r.number or "")),
        _facts(q, r),
        _chart_card(q, r),
        _timeline_card(q, r),
        affected_card(q, r, impacts),
        *([texts_card(q, r, drafts), closing_card(r)] if r.case.in_use else []),
        *effect_card(r, due=r.number in cases.effect_days()),
        *([links_card(q, r)] if r.case.in_use else []),
    ]


def _headline(r: CaseRecord) -> str:
    name = f"Case {r.number}" if r.number is not None else "Outside hours of use"
    if r.state == "no decision needed":
        return f"{name}: no decision needed."
    if not r.missing:
        return f"{name} is closed." if r.state == "closed" else f"{name} is decided: it can be closed."
    decisions, texts = len(r.undecided), r.missing_count - len(r.undecided)
    parts = [f"{decisions} {'decision' if decisions == 1 else 'decisions'}"] if decisions else []
    parts += [f"{texts} {'text' if texts == 1 else 'texts'}"] if texts else []
    what = f": {' and '.join(parts)} {'is' if decisions + texts == 1 else 'are'} missing" if parts else ""
    return f"{name} is {'running' if r.running else 'open'}{what}."


def _under(q: Queries, r: CaseRecord) -> str:
    case, zone = r.case, q.room.timezone
    names = ", ".join(q.zone(key).name for key in case.zones)
    rules = len({e.rule for e in case.runs})
    runs = f"{len(case.runs)} {'excursion' if len(case.runs) == 1 else 'excursions'}"
    of = f"{rules} {'rule' if rules == 1 else 'rules'}"
    more = f" Continued in it: {', '.join(map(str, case.continued))}." if case.continued else ""
    again = f" Open again: {r.work.reopened}." if r.work.reopened and r.state != "closed" else ""
    when = f"{local_offset(case.from_ns, zone)} to {local_offset(case.to_ns, zone)}"
    return f"{names}, {when}. One event: {runs} of {of}.{more}{again}"


def _facts(q: Queries, r: CaseRecord) -> Component:
    e, zone = r.worst, q.room.timezone
    longest = lasting(r)
    area = max((run for run in r.case.runs if run.rule == e.rule), key=lambda run: run.exceedance)
    settled = max(r.settled_ns.values())
    facts = [
        ("Worst", figure(e.worst, e.unit, e.U, e.limit), f"{', '.join(e.probes)} "
         f"at {local(e.worst_ns, zone)}, limit {plain(e.limit, e.unit)}, "
         f"{'proven' if e.proven else 'within U'}"),
        ("Duration", longest + (" so far" if r.running else ""), "all rules, counted once"),
        ("Exceedance", exceedance(area.exceedance, area.unit), "area outside the limit"),
        ("Settled", "not yet" if r.running else local(settled, zone), "after the last excursion"),
    ]  # fmt: skip
    blocks = [
        html.Div([html.Span(name), html.Strong(value), html.Small(note)]) for name, value, note in facts
    ]
    return html.Div(blocks, className="case-facts")


def _chart_card(q: Queries, r: CaseRecord) -> Component:
    """The quantity of the worst run in its zone, with trace, runs, acts and inspections."""
    e, now = r.worst, q.now_ns()
    rules = [rule for rule in q.setup.rules if rule.key == e.rule]
    name = rules[-1].quantity if rules else "temperature"
    window = r.case.from_ns - BEFORE_NS, min(max(r.settled_ns.values()) + AFTER_NS, now)
    chart = build.window_chart(q, e.zone, name, *window, marks=True)
    height = figures.height_of(chart, 400)
    label = f"{chart.zone}, {interval_text(*window, q.room.timezone)}; the table below lists the same events."
    view = {"zone": e.zone, "from": field_text(window[0], q.room.timezone)}
    view |= {"to": field_text(window[1], q.room.timezone)}
    return card(
        "Timeline",
        graph("case-graph", figures.build_figure(chart, height), label, height),
        key_to_trace(),
        html.P(html.A("Open in Trend", href=f"/trend?{urlencode(view)}")),
        aside=f"{unit(chart.unit)}, corrected; {_offset(q, chart)}",
    )


def _offset(q: Queries, chart: Chart) -> str:
    return f"local {offsets_in(chart.from_ns, chart.to_ns, q.room.timezone)}"


def _timeline_card(q: Queries, r: CaseRecord) -> Component:
    if not allowed(Act.READ_INSPECTIONS):
        return html.Div()
    zone = q.room.timezone
    rows = [[local(h.at_ns, zone), h.what, h.who] for h in desk(q).timeline(r)]
    day = local_offset(r.case.from_ns, zone)
    caption = f"Local time ({day[-6:]} at the start)"
    return card(
        "Sequence of events",
        table(["time", "what", "who"], rows, caption, figures=(0,)),
        aside=f"{len(rows)} events",
        folds=True,
    )


def _figures(q: Queries, records: list[CaseRecord]) -> list[Component]:
    """Hours lost by cause, what came back, what an action changed; then the alarms."""
    extent, now = q.source.extent(), q.now_ns()
    if extent is None:
        return [alarms_card(q)]
    lost, again = desk(q).figures(records, (extent[0], now), now)
    rows = [[c.cause, str(c.cases), _hours(c.lost_ns)] for c in lost.causes]
    rows += [["no case (settling after a gap)", "", _hours(lost.rest_ns)]] if lost.rest_ns else []
    rows.append(["all", str(sum(c.cases for c in lost.causes)), _hours(lost.not_stable_ns)])
    repeats = numbers_in_words([case.number for case in again if case.number is not None])
    return [
        card(
            "Time lost by cause",
            table(
                ["cause", "cases", "time not stable"],
                rows,
                "In hours of use; each minute counted once",
                figures=(1, 2),
            ),
            html.P(f"Same cause 3 times or more in 30 days: {repeats}.") if repeats else html.Div(),
            html.Div(
                [
                    field("action-day", "Corrective action, date", placeholder="2026-10-20"),
                    button("action-ask", "Compare 30 days before and after", quiet=True),
                    html.Div(id="action-answer"),
                ],
                className="form",
            ),
            folds=True,
        ),
        alarms_card(q),
    ]


def _hours(ns: int) -> str:
    minutes = round(ns / NS / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def register(app: Dash, q: Queries) -> None:
    """Drafts, texts, decisions, closing, before and after; and the way from the former address."""
    _drafting(app, q)
    _writing(app, q)
    _deciding(app, q)
    _closing(app, q)
    _reviewing(app, q)
    register_links(app, q, layout)
    _comparing(app, q)

    @needs(Act.READ)
    def former() -> Response:
        query = f"?{request.query_string.decode()}" if request.query_string else ""
        return redirect(PATH + query)  # type: ignore[return-value]

    app.server.add_url_rule("/excursions", view_func=former, endpoint="former_excursions")


def _number(text: str) -> int:
    if not text.isdecimal():
        raise Refused("Nothing was changed: this case has no number.")
    return int(text)


def _drafting(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("case-draft", "children"),
        Input({"case-text": ALL}, "value"),
        State("case-number", "children"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def save(_: list[str | None], number: str) -> Any:
        mine, changed = visitor(), ctx.triggered
        if mine is None or len(changed) != 1 or not isinstance(ctx.triggered_id, dict):
            return no_update
        name, text, now = str(ctx.triggered_id["case-text"]), changed[0]["value"] or "", q.now_ns()
        try:
            desk(q).save_draft(_number(number), name, mine.name, text=text, now_ns=now)
        except StillroomError as fault:
            return str(fault)
        return f"Draft of {local(now, q.room.timezone)}, not saved yet."


def _texts(values: list[str | None]) -> dict[str, str]:
    return {name: (text or "").strip() for (name, *_), text in zip(TEXTS, values, strict=True)}


def _drawn(q: Queries, number: str, act: Callable[[int], None]) -> tuple[Any, Any]:
    """The page anew after an act, or why it was refused."""
    try:
        act(_number(number))
    except StillroomError as refused:
        return no_update, refusal(str(refused))
    return layout(q, f"?case={number}"), no_update


def _writing(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("page", "children", allow_duplicate=True),
        Output("case-refusal", "children"),
        Input("case-write", "n_clicks"),
        State("case-number", "children"),
        State({"case-text": ALL}, "value"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def write(clicks: int, number: str, values: list[str | None]) -> tuple[Any, Any]:
        mine = visitor()
        if not clicks or mine is None:
            return no_update, no_update
        who, account = acting(Act.DECIDE), mine.name
        return _drawn(q, number, lambda n: desk(q).write(n, _texts(values), who, account, q.now_ns()))


def _deciding(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("page", "children", allow_duplicate=True),
        Output("decide-refusal", "children"),
        Input({"decide": "go", "key": ALL}, "n_clicks"),
        State("case-number", "children"),
        State({"decide": "decision", "key": ALL}, "value"),
        State({"decide": "customer", "key": ALL}, "value"),
        State({"decide": "reason", "key": ALL}, "value"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def decide(clicks: list[int], number: str, *values: list[str | None]) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        key = str(ctx.triggered_id["key"])
        place = [str(part["id"]["key"]) for part in ctx.inputs_list[0]].index(key)
        names = ("decision", "customer", "reason")
        words = {name: of[place] or "" for name, of in zip(names, values, strict=True)}
        who = acting(Act.DECIDE)
        return _drawn(q, number, lambda n: desk(q).decide(n, key, words, who, q.now_ns()))


def _closing(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("page", "children", allow_duplicate=True),
        Output("close-refusal", "children"),
        Output("case-password", "value"),
        Input("case-close", "n_clicks"),
        State("case-number", "children"),
        State({"case-text": ALL}, "value"),
        State("case-password", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def close(clicks: int, number: str, values: list[str | None], password: str) -> tuple[Any, Any, Any]:
        mine = visitor()
        if not clicks or mine is None:
            return no_update, no_update, no_update
        account = mine.name

        def shut(n: int) -> None:
            texts = {name: text for name, text in _texts(values).items() if text}
            if texts:
                desk(q).write(n, texts, acting(Act.DECIDE), account, q.now_ns())
            who = confirmed(guard_of(current_app), Act.DECIDE, password)
            desk(q).close(n, who, q.now_ns())

        page, fault = _drawn(q, number, shut)
        return page, fault, ""


def _reviewing(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("page", "children", allow_duplicate=True),
        Output("effect-refusal", "children"),
        Input("case-effect-write", "n_clicks"),
        State("case-number", "children"),
        State("case-effect", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def review(clicks: int, number: str, text: str | None) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        who = acting(Act.DECIDE)
        return _drawn(q, number, lambda n: desk(q).review_effect(n, text or "", who, q.now_ns()))


def _comparing(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("action-answer", "children"),
        Input("action-ask", "n_clicks"),
        State("action-day", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ)
    def effect(clicks: int, day: str) -> Any:
        if not clicks:
            return no_update
        try:
            at_ns = instant(day or "", q.room.timezone, wanted_in="Day")
        except StillroomError as refused:
            return refusal(str(refused))
        return [
            html.P(
                f"{q.zone(c.zone).name}, {c.days:.0f} days each side: cases {c.before} → {c.after}, hours "
                f"not stable in use {c.before_h:.1f} → {c.after_h:.1f}."
            )
            for c in desk(q).before_after(at_ns, q.now_ns())
        ]
