"""Page Inspections: each job with its answer, the check of any interval, start and stop in two actions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qs, urlencode

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from logger.core.measurement.limit_derivation import scale_name
from logger.core.physics.expansion import IDEAL, MATERIALS
from logger.errors import StillroomError
from logger.instants import NS
from logger.model import Inspection
from logger.model.roles import Act

from ..access.needs import acting, needs
from ..data.queries import Queries
from ..data.words import field_text, instant, interval_text
from ..parts.check_answer import answer_card, minutes, question
from ..parts.components import button, card, choice, field, refusal, svg, table, verdict
from ..parts.share_scale import has_share, share_scale

TITLE = "Inspections"
PATH = "/inspections"
NEEDS = Act.READ_INSPECTIONS
WORSE = ("stable", "not shown", "not stable")
# Fields of the check, in their order on the page; an answer is one to all of them.
FIELDS = {
    "zone": "Zone",
    "from": "From, local",
    "to": "To, local",
    "pre": "Pre-window, min",
    "length": "Length, mm",
    "tolerance": "Tolerance, µm",
    "material": "Part material",
    "scale": "Scale material",
    "corrected": "Result",
}
ABOUT = ("length", "tolerance", "material", "scale", "corrected")
CORRECTED = {"no": "not corrected to 20 °C", "yes": "corrected to 20 °C"}
SHOWN, LOOKED_THROUGH = 60, 400  # jobs in the list; jobs that are judged to find those of one verdict
DAY_NS = 86_400 * NS
HEAD = [
    "no.",
    "inspection",
    "zone",
    "when, local",
    "verdict",
    "thermal error + U, of the tolerance",
    "decision",
]
NOTHING_YET = "No inspections yet."


def layout(q: Queries, search: str) -> Component:
    """The list, the form, and the answer that the address asks for."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    refused, answer = "", list[Component]()
    try:
        query = _with_inspection(q, query)
        answer = [answer_card(q, query)] if query.get("from") else []
    except StillroomError as fault:
        refused = str(fault)
    running = sum(job.to_ns is None for job in q.inspections())
    counts = f"{len(q.inspections()):,} in all, {running} running"
    jobs = card(
        "Inspections", _find_form(query), html.Div(_matches(q, query), id="inspection-list"), aside=counts
    )
    values = _check_values(q, query)
    form = [_check_form(q, values), refusal(refused)]
    ask = _asked_line(q, query, values, form) if answer else card("Check an interval", *form)
    start = card("Start an inspection", _start_form(q))
    return html.Div(
        [
            html.H1("Inspections", className="unseen" if answer else "page"),
            dcc.Store(id="check-asked", data=values if answer else None),
            html.Div(
                [
                    html.Div(
                        [
                            ask,
                            html.P(id="check-earlier", className="aside", role="status"),
                            html.Div(answer, id="check-result"),
                        ],
                        className="main-side",
                    ),
                    *([] if answer else [html.Div([start], className="other-side")]),
                ],
                className="answered" if answer else "two",
            ),
            html.Div([jobs, *([start] if answer else [])], className="below stack"),
        ]
    )


def _asked_line(
    q: Queries, query: Mapping[str, str], values: Mapping[str, str], form: list[Component]
) -> Component:
    """The question of the answer below in one line, and the form to change it."""
    title = f"{q.inspection(query['inspection']).title}: " if query.get("inspection") else ""
    about = [
        f"{values['length']} mm" if values["length"] else "",
        f"{values['material']} on {scale_name(values['scale'])}, {CORRECTED.get(values['corrected'], '')}"
        if values["material"]
        else "",
        f"tolerance {values['tolerance']} µm" if values["tolerance"] else "",
        f"pre-window {values['pre']} min",
    ]
    when = f"{values['from']} to {values['to']}"
    line = " · ".join([f"{title}{q.zone(values['zone']).name}", when, *filter(None, about)])
    change = html.Details([html.Summary("Change"), *form], id="check-change")
    return html.Div([html.P(line, id="check-question"), change], className="asked")


def _with_inspection(q: Queries, query: dict[str, str]) -> dict[str, str]:
    """An address that names an inspection stands for its zone and interval."""
    if not query.get("inspection"):
        return query
    job, zone = q.inspection(query["inspection"]), q.room.timezone
    return {
        **query,
        "zone": job.zone,
        "from": field_text(job.from_ns, zone),
        "to": field_text(job.to_ns or q.now_ns(), zone),
    }


def _check_values(q: Queries, query: Mapping[str, str]) -> dict[str, str]:
    """What stands in the form, by field: from the address, else as proposed."""
    chosen = str(query.get("zone") if query.get("zone") in q.setup.zones else next(iter(q.setup.zones)))
    now, room = q.now_ns(), q.room.timezone
    return {
        "zone": chosen,
        "from": query.get("from") or field_text(now - 7200 * NS, room),
        "to": query.get("to") or field_text(now - 600 * NS, room),
        "pre": query.get("pre") or f"{q.zone(chosen).pre_window_s // 60}",
        "length": query.get("length", ""),
        "tolerance": query.get("tolerance", ""),
        "material": query.get("material", ""),
        "scale": query.get("scale", "steel"),
        "corrected": query.get("corrected", "no"),
    }


def _check_form(q: Queries, values: Mapping[str, str]) -> Component:
    zones = {key: zone.name for key, zone in q.setup.zones.items()}
    return html.Div(
        [
            choice("check-zone", FIELDS["zone"], zones, values["zone"]),
            field("check-from", FIELDS["from"], values["from"]),
            field("check-to", FIELDS["to"], values["to"]),
            field("check-pre", FIELDS["pre"], values["pre"], narrow=True),
            field("check-length", FIELDS["length"], values["length"], narrow=True),
            field("check-tolerance", FIELDS["tolerance"], values["tolerance"], narrow=True),
            choice("check-material", FIELDS["material"], _materials(), values["material"]),
            choice("check-scale", FIELDS["scale"], _scales(), values["scale"]),
            choice("check-corrected", FIELDS["corrected"], CORRECTED, values["corrected"]),
            button("check-ask", "Check"),
            html.Div(id="check-refusal"),
        ],
        className="form",
    )


def _materials() -> dict[str, str]:
    return {"": "none (verdict only)"} | {name: name for name in MATERIALS}


def _scales() -> dict[str, str]:
    return {name: name for name in MATERIALS} | {IDEAL.name: "zero expansion"}


def _find_form(query: Mapping[str, str]) -> Component:
    words = {"": "any"} | {w: w for w in WORSE}
    return html.Div(
        [
            field("find-text", "Job, part, machine, person", query.get("find", "")),
            field("find-day", "Day", query.get("day", ""), placeholder="any"),
            choice("find-verdict", "Verdict", words, query.get("verdict", "")),
            button("find-go", "Find", quiet=True),
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
            *(html.P(line, className="aside") for line in q.readiness()),
        ],
        className="form",
    )


def _matches(q: Queries, query: Mapping[str, str]) -> list[Component]:
    try:
        return inspection_list(q, query)
    except StillroomError as fault:
        return [refusal(str(fault))]


def inspection_list(q: Queries, query: Mapping[str, str] | None = None) -> list[Component]:
    """Newest first, those that were looked for; each with the word that the record gives it."""
    query = query or {}
    jobs = [job for job in reversed(q.inspections()) if _fits(q, job, query)]
    judged = jobs[: LOOKED_THROUGH if query.get("verdict") else SHOWN]
    answers = q.answers(judged)
    rows = [(job, _verdict_of(job, a), a) for job, a in zip(judged, answers, strict=True)]
    matching = [row for row in rows if query.get("verdict") in (None, "", row[1][0])][:SHOWN]
    if not matching:
        return [html.P("No inspection matches." if any(query.values()) else NOTHING_YET)]
    decided = q.decided()
    cells = [
        _inspection_row(q, job, word, answer, decided.get(job.key, "")) for job, word, answer in matching
    ]
    drawn: list[Component] = [table(HEAD, cells, "Inspections, newest first", figures=(0, 3), stacks=True)]
    if len(jobs) > len(matching):
        note = f"Newest {len(matching)} of {len(jobs):,}. Search for a day, part or person."
        drawn.append(html.P(note, className="aside"))
    return drawn


def _fits(q: Queries, job: Inspection, filters: Mapping[str, str]) -> bool:
    """Whether every word stands in the job, and it touches the day."""
    words = filters.get("find", "").casefold().split()
    haystack = " ".join([job.key, job.title, job.part, job.machine, job.person, job.activity]).casefold()
    if not all(word in haystack for word in words):
        return False
    if not filters.get("day"):
        return True
    begin = instant(filters["day"], q.room.timezone, wanted_in="Day")
    return job.from_ns < begin + DAY_NS and (job.to_ns or q.now_ns()) > begin


def _inspection_row(
    q: Queries, job: Inspection, word: tuple[str, str], answer: Mapping[str, Any] | str, decided: str
) -> list[Any]:
    end: list[Any] = [decided or "none"]
    if job.to_ns is None:
        end = [button({"type": "stop", "inspection": job.key}, "Stop now", quiet=True)]
    thermal = None if isinstance(answer, str) else answer.get("thermal")
    return [
        job.key,
        html.A(job.title, href=f"/inspections?inspection={job.key}"),
        q.zone(job.zone).name,
        interval_text(job.from_ns, job.to_ns, q.room.timezone),
        verdict(*word),
        svg(share_scale(thermal)) if thermal and has_share(thermal) else "",
        html.Span(end),
    ]


def _verdict_of(job: Inspection, answer: Mapping[str, Any] | str) -> tuple[str, str]:
    if isinstance(answer, str):
        return "not shown", "less than one minute of readings" if job.to_ns is None else answer
    running = job.to_ns is None and answer["verdict"] != "stable"
    return str(answer["verdict"]), str(answer["reason"]) + (" so far" if running else "")


def register(app: Dash, q: Queries) -> None:
    """Callbacks of the page."""
    _register_staleness(app)
    _register_question(app, q)
    _register_list(app, q)


def _register_staleness(app: Dash) -> None:
    """An answer grows pale once an entry differs from those that it was given for."""
    in_browser: Any = app.clientside_callback  # without type information
    in_browser(
        ClientsideFunction("stillroom", "stale"),
        Output("check-earlier", "children", allow_duplicate=True),
        Output("check-result", "className", allow_duplicate=True),
        *(Input(f"check-{name}", "value") for name in FIELDS),
        State("check-asked", "data"),
        prevent_initial_call=True,
    )


def _register_question(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Output("check-refusal", "children"),
        Output("check-earlier", "children"),
        Output("check-result", "className"),
        Input("check-ask", "n_clicks"),
        State("check-zone", "value"),
        State("check-from", "value"),
        State("check-to", "value"),
        State("check-pre", "value"),
        State("check-length", "value"),
        State("check-tolerance", "value"),
        State("check-material", "value"),
        State("check-scale", "value"),
        State("check-corrected", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    @needs(Act.READ_INSPECTIONS)
    def ask(clicks: int, zone: str, first: str, last: str, pre: str, *rest: str) -> tuple[Any, ...]:
        if not clicks:
            return (no_update,) * 4
        about, address = rest[:-1], rest[-1] or ""
        try:
            room = q.room.timezone
            from_ns, to_ns = instant(first, room, wanted_in="From"), instant(last, room, wanted_in="To")
            entries = {k: v for k, v in zip(ABOUT, about, strict=True) if v}
            q.assess(question(q, zone, (from_ns, to_ns), minutes(pre), entries))
        except StillroomError as refused:
            return no_update, refusal(str(refused)), *earlier(address)
        search = "?" + urlencode({"zone": zone, "from": first, "to": last, "pre": pre} | entries)
        return search, refusal(""), "", ""


def _register_list(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("inspection-list", "children", allow_duplicate=True),
        Input("find-go", "n_clicks"),
        State("find-text", "value"),
        State("find-day", "value"),
        State("find-verdict", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ_INSPECTIONS)
    def find(clicks: int, text: str, day: str, word: str) -> Any:
        return (
            _matches(q, {"find": text or "", "day": day or "", "verdict": word or ""})
            if clicks
            else no_update
        )

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
            message = _start_or_stop(q, zone, title)
        except StillroomError as refused:
            return refusal(str(refused)), no_update, no_update, no_update
        return refusal(""), inspection_list(q), "", message


def earlier(address: str) -> tuple[str, str]:
    """What stands above an answer that is not the one to what was entered last, and its class."""
    query = {key: values[-1] for key, values in parse_qs(address.lstrip("?")).items()}
    if query.get("inspection"):
        return f"Below: the earlier answer, for inspection {query['inspection']}.", "earlier"
    if not query.get("from"):
        return "", ""
    return f"Below: the earlier answer, for {query['from']} to {query.get('to', '')}.", "earlier"


def _start_or_stop(q: Queries, zone: str, title: str) -> str:
    who = acting(Act.INSPECT)
    if isinstance(ctx.triggered_id, dict):
        return f"Inspection {q.stop_inspection(ctx.triggered_id['inspection'], who).title} stopped."
    return f"Inspection {q.start_inspection(zone, title or '', who).title} started."
