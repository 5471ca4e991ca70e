"""Page Inspections: each job with its answer, the check of any interval, start and stop in two actions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update
from dash.development.base_component import Component

from logger.accounts import Act
from logger.errors import StillroomError
from logger.model import NS, VERDICT_OF, Inspection

from .. import figures
from ..access import acting, needs
from ..components import (
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
    table,
    verdict,
)
from ..queries import Queries
from ..wording import between, figure, instant, parsed, plain, sentence, unit, written

TITLE = "Inspections"
PATH = "/inspections"
NEEDS = Act.READ_JOBS
WORSE = ("stable", "not shown", "not stable")


def layout(q: Queries, search: str) -> Component:
    """The list, the form, and the answer that the address asks for."""
    asked = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    refused, answer = "", list[Component]()
    try:
        asked = _filled(q, asked)
        answer = [answered(q, asked)] if asked.get("from") else []
    except StillroomError as fault:
        refused = str(fault)
    jobs = card("Inspections", html.Div(listed(q), id="inspection-list"))
    return html.Div(
        [
            html.H1("Inspections", className="page"),
            html.Div(
                [
                    html.Div(
                        [
                            card("Check an interval", _check_form(q, asked), refusal(refused)),
                            *(answer or [jobs]),
                        ],
                        className="main-side",
                    ),
                    html.Div(
                        [card("Start an inspection", _start_form(q)), *([jobs] if answer else [])],
                        className="other-side",
                    ),
                ],
                className="two",
            ),
        ]
    )


def _filled(q: Queries, asked: dict[str, str]) -> dict[str, str]:
    """An address that names an inspection stands for its zone and interval."""
    if not asked.get("inspection"):
        return asked
    job, zone = q.inspection(asked["inspection"]), q.room.timezone
    return {
        **asked,
        "zone": job.zone,
        "from": written(job.from_ns, zone),
        "to": written(job.to_ns or q.now_ns(), zone),
    }


def _check_form(q: Queries, asked: Mapping[str, str]) -> Component:
    zones = {key: zone.name for key, zone in q.setup.zones.items()}
    chosen = asked.get("zone") if asked.get("zone") in zones else next(iter(zones))
    now, room = q.now_ns(), q.room.timezone
    pre = asked.get("pre") or f"{q.zone(str(chosen)).pre_window_s // 60}"
    return html.Div(
        [
            choice("check-zone", "Zone", zones, str(chosen)),
            field("check-from", "From, local", asked.get("from") or written(now - 7200 * NS, room)),
            field("check-to", "To, local", asked.get("to") or written(now - 600 * NS, room)),
            field("check-pre", "Pre-window, min", pre, narrow=True),
            button("check-ask", "Check"),
            html.Div(id="check-refusal"),
        ],
        className="form",
    )


def _start_form(q: Queries) -> Component:
    zones = {key: zone.name for key, zone in q.setup.zones.items()}
    return html.Div(
        [
            choice("start-zone", "Zone", zones, next(iter(zones))),
            field("start-title", "What is measured"),
            button("start-go", "Start now"),
            html.Div(id="start-refusal"),
        ],
        className="form",
    )


def listed(q: Queries) -> list[Component]:
    """Newest first; each with the word that the record gives it."""
    found = [_job(q, job) for job in reversed(q.inspections())]
    return found or [html.P("No inspection has been registered yet.")]


def _job(q: Queries, job: Inspection) -> Component:
    word, reason = verdict_of(q, job)
    zone = q.room.timezone
    end: list[Component] = [verdict(word, reason, apart=True)]
    if job.to_ns is None:
        end.append(button({"type": "stop", "inspection": job.key}, "Stop now"))
    return html.Div(
        [
            html.Span(html.A(job.title, href=f"/inspections?inspection={job.key}"), className="what"),
            html.Span(
                [html.Span(q.zone(job.zone).name), html.Span(between(job.from_ns, job.to_ns, zone))],
                className="since",
            ),
            html.Span(end, className="end"),
        ],
        className="hand",
    )


def verdict_of(q: Queries, job: Inspection) -> tuple[str, str]:
    """The verdict of a job and the reason that leads; a running one is judged up to now."""
    try:
        found = q.check(job.zone, job.from_ns, job.to_ns or q.now_ns(), activity=job.activity)
    except StillroomError as refused:
        return "not shown", "no complete minute yet" if job.to_ns is None else str(refused)
    leading = leading_reason(found["reasons"])
    word = str(leading["reason"]) if leading else "conforming"
    return str(found["verdict"]), word + (" so far" if job.to_ns is None and leading else "")


def answered(q: Queries, asked: Mapping[str, str]) -> Component:
    """The answer for one interval: a sentence, the reasons, the statistics, the chart around it."""
    zone, room = q.zone(asked.get("zone", "")), q.room.timezone
    from_ns, to_ns = (
        instant(asked["from"], room, wanted_in="From"),
        instant(asked["to"], room, wanted_in="To"),
    )
    pre_window_s = minutes(asked.get("pre", ""))
    activity = q.inspection(asked["inspection"]).activity if asked.get("inspection") else ""
    found = q.check(zone.key, from_ns, to_ns, pre_window_s, activity)
    to_ns = min(to_ns, parsed(found["to"]))
    return html.Div(
        [
            _words(q, zone.name, found, asked),
            _chart(q, zone.key, from_ns, to_ns, int(found["pre_window_s"])),
            _tables(q, found),
        ]
    )


def minutes(text: str) -> int | None:
    """Seconds of a pre-window written in minutes; empty: the zone's own."""
    from logger.errors import IntervalError

    if not text.strip():
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise IntervalError(f"Pre-window: wanted minutes such as 120, found {text!r}.") from None
    if not 0 <= value <= 7 * 1440:
        raise IntervalError(f"Pre-window: wanted 0 to 10080 minutes, found {text}.")
    return round(value * 60)


def _words(q: Queries, name: str, found: Mapping[str, Any], asked: Mapping[str, str]) -> Component:
    room = q.room.timezone
    from_ns, to_ns = parsed(found["from"]), parsed(found["to"])
    title = f"{q.inspection(asked['inspection']).title}: " if asked.get("inspection") else ""
    leading = leading_reason(found["reasons"])
    return html.Section(
        [
            html.H2(
                [verdict(str(found["verdict"]), leading["reason"] if leading else "conforming")],
                className="sentence",
            ),
            html.P(
                f"{title}{name}, {between(from_ns, to_ns, room)}. {_because(q, leading)}",
                className="next-step",
                id="check-answer",
            ),
            html.P(
                f"{sentence(str(found['decision_rule']))} Pre-window {found['pre_window_s'] // 60} min."
                + (" Provisional: the newest minutes may still change." if found.get("provisional") else ""),
                className="aside",
            ),
        ],
        className="answer",
    )


def leading_reason(reasons: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """Of the runs with the deciding reason, the one furthest beyond its limit.

    What was so inside the interval decides before what was so in its pre-window.
    """
    if not reasons:
        return None
    deciding = [r for r in reasons if VERDICT_OF[r["reason"]] == VERDICT_OF[reasons[0]["reason"]]]
    first = min(deciding, key=lambda r: bool(r.get("pre_window")))

    def rank(r: Mapping[str, Any]) -> tuple[bool, float]:
        known = r.get("worst") is not None and r.get("limit") is not None
        return not r.get("pre_window"), abs(r["worst"] - r["limit"]) if known else 0.0

    return max((r for r in deciding if r["reason"] == first["reason"]), key=rank)


def _because(q: Queries, leading: Mapping[str, Any] | None) -> str:
    if leading is None:
        return "Every rule was met, with room for the uncertainty of the probes."
    rule = _rule_name(q, leading["rule"])
    where = f" on {leading['probe']}" if leading.get("probe") else ""
    value = (
        f": {figure(leading['worst'], leading['unit'], leading['U'])}"
        if leading.get("worst") is not None
        else ""
    )
    limit = f", limit {plain(leading['limit'], leading['unit'])}" if leading.get("limit") is not None else ""
    why = f" ({leading['why']})" if leading.get("why") else ""
    return sentence(f"{leading['reason']}: {rule}{where}{value}{limit}{why}")


def _chart(q: Queries, zone: str, from_ns: int, to_ns: int, pre_window_s: int) -> Component:
    """The interval with its pre-window and a quarter more on either side."""
    start = from_ns - pre_window_s * NS
    margin = max((to_ns - start) // 4, 1800 * NS)
    chart = q.chart(zone, "temperature", start - margin, min(to_ns + margin, q.now_ns()), marks=True)
    chart = figures.Chart(
        **{**chart.__dict__, "notes": [(start, "pre-window"), (from_ns, "start"), (to_ns, "end")]}
    )
    label = "Temperature around the interval, with limits and verdict trace; tables follow."
    return html.Div(
        [
            card(
                "Around the interval",
                graph("check-graph", figures.build(chart, 420), label, 420),
                aside=f"{unit('degC')}, corrected; {at_offset(to_ns, q.room.timezone)}",
            ),
            key_to_trace(),
            behind("Periods", period_table(q.periods(zone, chart.from_ns, chart.to_ns), q.room.timezone)),
        ]
    )


def _tables(q: Queries, found: Mapping[str, Any]) -> Component:
    room = q.room.timezone
    reasons = [
        [
            r["reason"] + (", pre-window" if r.get("pre_window") else ""),
            _rule_name(q, r["rule"]),
            r["probe"],
            between(parsed(r["from"]), parsed(r["to"]), room),
            figure(r["worst"], r["unit"], r["U"]) if r["worst"] is not None else "",
            plain(r["limit"], r["unit"]) if r["limit"] is not None else "",
            "yes" if r["proven"] else "no",
            r.get("why", ""),
        ]
        for r in found["reasons"]
    ]
    head = ["reason", "rule", "probe", "when", "worst", "limit", "proven", "why"]
    return html.Div(
        [
            table(head, reasons, "Reasons", figures=(3, 4, 5)),
            *_bases(q, found["reasons"]),
            _statistics(q, found["statistics"]),
            html.P(
                f"Digest {found['digest']} · setup {found['setup']} · software {found['software']}",
                className="provenance",
            ),
        ]
    )


def _bases(q: Queries, reasons: Sequence[Mapping[str, Any]]) -> list[Component]:
    """Where the numbers of the limits come from, each rule once."""
    bases = {_rule_name(q, r["rule"]): r["basis"] for r in reasons if r["basis"]}
    return [html.P(f"Basis of {name}: {basis}", className="aside") for name, basis in bases.items()]


def _rule_name(q: Queries, key: str) -> str:
    return next((r.name for r in q.setup.rules if r.key == key), key)


def _statistics(q: Queries, found: Any) -> Component:
    rows = []
    each = found.items() if isinstance(found, Mapping) else ((s["channel"], s) for s in found)
    for channel, s in each:
        share = s.get("share_conforming")
        name = q.probe_label(channel.partition(".")[0])
        quantity = s.get("quantity", channel.partition(".")[2]).replace("_", " ")
        span_unit = "K" if s["unit"] == "degC" else s["unit"]
        rows.append(
            [
                name,
                quantity,
                *(plain(s[k], s["unit"]) for k in ("min", "max", "mean")),
                plain(s["span"], span_unit),
                "–" if share is None else f"{100 * share:.1f} %",
            ]
        )
    return table(
        ["probe", "quantity", "least", "greatest", "mean", "span", "conforming"],
        rows,
        "Statistics of the interval",
        figures=range(2, 7),
    )


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("check-refusal", "children"),
        Input("check-ask", "n_clicks"),
        State("check-zone", "value"),
        State("check-from", "value"),
        State("check-to", "value"),
        State("check-pre", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ_JOBS)
    def ask(clicks: int, zone: str, first: str, last: str, pre: str) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        try:
            room = q.room.timezone
            from_ns, to_ns = instant(first, room, wanted_in="From"), instant(last, room, wanted_in="To")
            minutes(pre)
            q.check(zone, from_ns, to_ns, minutes(pre))
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        return "?" + urlencode({"zone": zone, "from": first, "to": last, "pre": pre}), refusal("")

    @app.callback(
        Output("start-refusal", "children"),
        Output("inspection-list", "children"),
        Output("start-title", "value"),
        Output("polite", "children", allow_duplicate=True),
        Input("start-go", "n_clicks"),
        Input({"type": "stop", "inspection": ALL}, "n_clicks"),
        State("start-zone", "value"),
        State("start-title", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.INSPECT)
    def act(_: int, __: list[int], zone: str, title: str) -> tuple[Any, ...]:
        if not ctx.triggered or not ctx.triggered[0]["value"]:
            return (no_update,) * 4
        try:
            said = _acted(q, zone, title)
        except StillroomError as refused:
            return refusal(str(refused)), no_update, no_update, no_update
        return refusal(""), listed(q), "", said


def _acted(q: Queries, zone: str, title: str) -> str:
    who = acting(Act.INSPECT)
    if isinstance(ctx.triggered_id, dict):
        return f"Inspection {q.stop_inspection(ctx.triggered_id['inspection'], who).title} stopped."
    return f"Inspection {q.start_inspection(zone, title or '', who).title} started."
