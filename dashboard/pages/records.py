"""Page Records: what was so at an instant, records to issue, amend and take along, and reviews."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component
from flask import Response, abort, send_file

from logger.errors import Refused, StillroomError, you_entered
from logger.instants import parse_informal
from logger.model.roles import Act
from logger.record.act_times import acts_since
from logger.record.at_instant import state_at
from logger.record.issuance import issue
from logger.record.issues import RecordIssue, amend, issue_of, issues
from logger.record.names import person_text
from logger.record.record_months import refuse_overlapping
from logger.verdicts.current import Current

from ..access.needs import acting, allowed, needs
from ..data.preferences import temperature_unit
from ..data.queries import Queries
from ..data.words import figure, instant, interval_text, local, local_offset, plain, point
from ..data.words import moment as wall
from ..parts.components import behind, button, card, choice, field, refusal, slot, table, verdict
from ..parts.record_months import (
    current_of,
    month_ends,
    month_list,
    month_options,
    register_drafts,
    register_months,
)
from ..parts.reviews import register_reviews, reviews_card

TITLE = "Records"
PATH = "/records"
ALTHOUGH = "Issue although other records cover part of this time"
NEEDS = Act.READ_INSPECTIONS
FILES = "/records/files"
KINDS = {
    ".pdf": "PDF",
    "-readings.csv": "readings",
    ".json": "facts",
    ".sha256": "digests",
    ".sha256.sig": "signature",
}


def layout(q: Queries, search: str) -> Component:
    """Months and records, then reviews; the state at a time first where it was asked for."""
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    try:
        answer = _state_card(q, query) if query.get("at") else html.Div()
    except StillroomError as fault:
        answer = refusal(str(fault))
    at_time = card("State of the room at a given time", _date_form(q, query), answer)
    parts = [html.H1("Records", className="page"), *([at_time] if query.get("at") else [])]
    months = card("Months", html.Div(month_list(q), id="month-list"))
    issuing = [card("Issue a record", _issue_form(q, query))] if allowed(Act.ISSUE) else []
    parts += [*issuing, months] if query.get("issue") else [months, *issuing]
    parts += [card("Issued records", html.Div(record_list(q), id="record-list")), reviews_card(q)]
    parts += [] if query.get("at") else [at_time]
    return html.Div(parts, className="stack")


def _zones(q: Queries) -> dict[str, str]:
    return {key: zone.name for key, zone in q.setup.zones.items()}


def _date_form(q: Queries, query: Mapping[str, str]) -> Component:
    zones = _zones(q)
    zone = query["zone"] if query.get("zone") in zones else next(iter(zones))
    return html.Div(
        [
            choice("at-zone", "Zone", zones, zone),
            field("at-when", "Date and time (local)", query.get("at", "")),
            button("at-ask", "Show"),
        ],
        className="form",
    )


def _state_card(q: Queries, query: Mapping[str, str]) -> Component:
    current, zone = current_of(q), q.room.timezone
    at_ns = parse_informal(query["at"], ZoneInfo(zone), q.now_ns(), "When")
    with current.judging:
        state = state_at(current.store, current.verdicts, query.get("zone", ""), at_ns, q.now_ns())
    head = [verdict(state["verdict"], state["reason"])]
    by = "; ".join(f"{person_text(r, 'who')} ({r['period']})" for r in state["reviews"])
    version = state["setup"] or {"version": "none", "approver": "nobody"}
    words = f"{state['name']}, {local_offset(at_ns, zone)}. " + (
        f"Reviewed by {by}." if by else "Not reviewed."
    )
    approved = f" Setup version {version['version']}, approved by {person_text(version, 'approver')}."
    return html.Div(
        [
            html.H2(head, className="sentence"),
            html.P(words + approved, id="at-answer"),
            _reading_table(state),
            _trace_list(state),
            _limit_table(state),
        ],
        className="answer",
    )


def _reading_table(state: Mapping[str, Any]) -> Component:
    rows = [
        [
            r["channel"],
            r["position"],
            point(r["indication"], r["unit"]) if r.get("indication") is not None else "none",
            figure(r["corrected"], r["corrected_unit"], r["U"]) if r.get("corrected") is not None else "none",
            r["certificate"] or "none",
            ("valid" if r["confirmation"] == "confirmed" else r["confirmation"])
            + (f", {r['why']}" if r.get("why") else ""),
        ]
        for r in state["readings"]
    ]
    heads = ["channel", "position", "indication", "corrected", "certificate", "status"]
    return table(heads, rows, "Readings, each with its certificate", figures=(2, 3), stacks=True)


def _trace_list(state: Mapping[str, Any]) -> Component:
    """Correction and U of each reading, part by part."""
    lines = [f"{r['channel']}: {r['worked_out']['text']}" for r in state["readings"] if r.get("worked_out")]
    return behind("Parts of each correction and U", html.Ul([html.Li(line) for line in lines]))


def _limit_table(state: Mapping[str, Any]) -> Component:
    rows = [
        [
            r["name"],
            " to ".join(plain(v, r["unit"]) for v in (r["lower"], r["upper"]) if v is not None),
            figure(r["value"], r["unit"], r["U"]),
            r["conformity"],
            r["basis"],
        ]
        for r in state["limits"]
    ]
    return table(
        ["rule", "limits", "value", "result", "basis"],
        rows,
        "Limits in force then",
        figures=(1, 2),
        stacks=True,
    )


def _issue_form(q: Queries, query: Mapping[str, str]) -> Component:
    """Zone and interval of a record to issue; those of a month where the address names one."""
    zones, zone, now = _zones(q), q.room.timezone, q.now_ns()
    place = query["zone"] if query.get("zone") in zones else next(iter(zones))
    months = {o["value"]: o["label"] for o in month_options(q, place)}
    month = query["issue"] if query.get("issue") in months else ""
    if month:
        from_text, to_text = month_ends(q, place, month)
    else:
        to_text = wall(now, zone).strftime("%Y-%m-%d")
        from_text = wall(now, zone).replace(day=1).strftime("%Y-%m-%d")
    none = "choose, or enter From and To"
    return html.Div(
        [
            choice("issue-zone", "Zone", zones, place),
            choice("issue-month", "Month", months, month, wide=True, placeholder=none),
            field("issue-from", "From, local", from_text),
            field("issue-to", "To, local (not included)", to_text),
            html.Div(className="break"),
            button("issue-go", "Issue"),
            slot(dmc.Checkbox(id="issue-beside", label=ALTHOUGH, checked=False), "wide"),
            html.Div(className="break"),  # an amendment is another act, on a line of its own
            field("amend-number", "Amend record", narrow=True, placeholder="number"),
            field("amend-why", "Reason for the amendment"),
            button("amend-go", "Amend"),
            html.Div(id="issue-refusal", role="status"),
        ],
        className="form",
    )


def record_list(q: Queries) -> list[Component]:
    """Newest first, each with its files."""
    zone = q.room.timezone
    rows = [
        [
            issue.number,
            q.zone(issue.zone).name,
            interval_text(issue.from_ns, issue.to_ns, zone),
            f"{local(issue.at_ns, zone)} by {person_text(vars(issue), 'who')}",
            (f"replaces {issue.replaces}: {issue.why}. " if issue.replaces else "")
            + (f"Replaced by {issue.replaced_by}." if issue.replaced_by else _standing(q, issue)),
            html.Span([x for link in _links(issue.number, issue.files) for x in (link, " ")]),
        ]
        for issue in reversed(issues(q.source.store))
    ]
    if not rows:
        return [html.P("No records issued yet.")]
    heads = ["number", "zone", "interval, local", "issued", "standing", "files"]
    return [table(heads, rows, "Records, newest first", figures=(0, 2), stacks=True)]


def _standing(q: Queries, issue: RecordIssue) -> str:
    """That a record is in force, and what was done about its interval since, which it does not say."""
    acts = len(acts_since(q.source.store, issue))
    if not acts:
        return "In force."
    return f"In force; {acts} {'act' if acts == 1 else 'acts'} since: amend record {issue.number} to say so."


def _links(number: int, files: Mapping[str, str]) -> list[Component]:
    links = [(name, word) for end, word in KINDS.items() for name in files if name.endswith(end)]
    return [html.A(word, href=f"{FILES}/{number}/{name}", download=name) for name, word in links]


def register(app: Dash, q: Queries) -> None:
    """The question, issuing, amending, reviews, and the files."""
    _files(app, q)
    register_drafts(app, q)
    register_months(app, q)
    _asking(app)
    _issuing(app, q)
    _amending(app, q)
    register_reviews(app, q)


def _files(app: Dash, q: Queries) -> None:
    @needs(Act.READ_INSPECTIONS)
    def record_file(number: str, name: str) -> Response:
        try:
            record = issue_of(q.source.store, int(number) if number.isdecimal() else 0)
        except Refused:
            abort(404)
        if name not in record.files or not (record.folder / name).is_file():
            abort(404)
        return send_file((record.folder / name).resolve(), as_attachment=True, download_name=name)

    app.server.add_url_rule(f"{FILES}/<number>/<name>", view_func=record_file)


def _asking(app: Dash) -> None:
    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("at-ask", "n_clicks"),
        Input("at-when", "n_submit"),
        State("at-zone", "value"),
        State("at-when", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.READ_INSPECTIONS)
    def ask(clicks: int | None, submits: int | None, zone: str, when: str) -> Any:
        if not (clicks or submits) or not when:
            return no_update
        return "?" + urlencode({"zone": zone, "at": when})


def _listing() -> tuple[Output, Output]:
    """What changes when a record is issued: the list, and what is said beside the form."""
    return (
        Output("record-list", "children", allow_duplicate=True),
        Output("issue-refusal", "children", allow_duplicate=True),
    )


def _issuing(app: Dash, q: Queries) -> None:
    @app.callback(
        *_listing(),
        Input("issue-go", "n_clicks"),
        State("issue-zone", "value"),
        State("issue-from", "value"),
        State("issue-to", "value"),
        State("issue-beside", "checked"),
        prevent_initial_call=True,
    )
    @needs(Act.ISSUE)
    def put_out(clicks: int | None, zone: str, start: str, end: str, beside: bool) -> tuple[Any, Any]:
        def issue_interval(current: Current, out: Path) -> int:
            query = ((start, "From"), (end, "To"))
            span = [instant(text, q.room.timezone, wanted_in=name) for text, name in query]
            if not span[0] < span[1] <= q.now_ns():
                raise Refused("The interval must end in the past, after its start.")
            if not beside:
                way = f"tick “{ALTHOUGH}”"
                refuse_overlapping(current.store, current.setup, zone, (span[0], span[1]), way)
            ours = (current.store, current.verdicts, current.setup, zone)
            who, unit = acting(Act.ISSUE), temperature_unit()
            return issue(*ours, span[0], span[1], out, who, q.now_ns(), temperatures=unit).number

        return _issue_record(q, issue_interval) if clicks else (no_update, no_update)


def _amending(app: Dash, q: Queries) -> None:
    @app.callback(
        *_listing(),
        Input("amend-go", "n_clicks"),
        State("amend-number", "value"),
        State("amend-why", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.ISSUE)
    def put_right(clicks: int | None, number: str, why: str) -> tuple[Any, Any]:
        def issue_amended(current: Current, out: Path) -> int:
            if not number.strip().isdecimal():
                raise Refused(f"Amend record: enter its number, for example 3.{you_entered(number)}")
            ours = (current.store, current.verdicts, int(number), why)
            who, unit = acting(Act.ISSUE), temperature_unit()
            return amend(*ours, out, who, q.now_ns(), temperatures=unit).number

        return _issue_record(q, issue_amended) if clicks else (no_update, no_update)


def _issue_record(q: Queries, issue: Callable[[Current, Path], int]) -> tuple[Any, Any]:
    """Issue into the record itself; the copy beside it is of no use here."""
    try:
        current = current_of(q)
        with tempfile.TemporaryDirectory(prefix="stillroom-record-") as out, current.judging:
            number = issue(current, Path(out))
    except StillroomError as fault:
        return no_update, refusal(str(fault))
    return record_list(q), html.P(f"Record {number} issued.")
