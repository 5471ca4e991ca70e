"""Months with their records: the list, the choice of one, and the draft of a record to look at first."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from logger.errors import Refused, StillroomError
from logger.model import Zone
from logger.model.roles import Act
from logger.record.draft import draft
from logger.record.interval import Interval
from logger.record.record_months import RecordMonth, month_of, record_months
from logger.verdicts.current import Current

from ..access.needs import allowed, needs, visitor
from ..data.preferences import temperature_unit
from ..data.queries import Queries
from ..data.words import field_text, local
from .components import aria, table
from .month_ruler import CAPTION, DRAFT, draft_href, month_ruler

MONTHS = 13


def current_of(q: Queries) -> Current:
    """What judges: that of the pages where they have one, so that nothing is judged twice at a time."""
    current: Current | None = getattr(q.source, "current", None)
    return current or Current(q.source.store)


def month_list(q: Queries) -> list[Component]:
    """The newest months of each zone with their record, and a draft of each to look at."""
    zone, store, now = q.room.timezone, q.source.store, q.now_ns()
    of_zones = [(place, record_months(store, q.setup, place.key, now)) for place in q.setup.zones_now()]
    rows = [
        [
            month.label,
            place.name,
            _part(month, zone),
            month.state[0].upper() + month.state[1:],
            _links(place, month),
        ]
        for place, months in of_zones
        for month in months[:MONTHS]
    ]
    if not rows:
        return [html.P("There are no readings yet.")]
    return [
        *(month_ruler(q, place, months) for place, months in of_zones if months),
        html.P(CAPTION, className="study-remark"),
        table(
            ["month", "zone", "part", "record", "draft"],
            rows,
            "Each zone, newest first",
            stacks=True,
        ),
    ]


def _links(place: Zone, month: RecordMonth) -> Component:
    """The draft of a month; and the way to issue it, for whoever may, where it is over and not issued."""
    preview = html.A(
        "Preview",
        href=draft_href(place, month),
        target="_blank",
        **aria(f"Preview of {month.label}, {place.name}"),
    )
    if not month.state.startswith("not issued") or not allowed(Act.ISSUE):
        return preview
    issue = html.A(
        "Issue",
        href=f"/records?{urlencode({'zone': place.key, 'issue': month.label})}",
        **aria(f"Issue {month.label}, {place.name}"),
    )
    return html.Span([preview, " · ", issue])


def _part(month: RecordMonth, zone: str) -> str:
    """How much of a month a record of it would hold."""
    begin, end = local(month.from_ns, zone), local(month.to_ns, zone)
    if month.begins_with_data:
        return f"from {begin}, where the data begin" + (f", to {end}" if month.running else "")
    return f"to {end}" if month.running else "whole month"


def month_options(q: Queries, zone: str) -> list[dict[str, str]]:
    """Months of a zone that are over, for a list to choose from."""
    months = record_months(q.source.store, q.setup, zone, q.now_ns())
    over = [m for m in months if not m.running]
    return [{"value": m.label, "label": f"{m.label}: {m.state}"} for m in over]


def month_ends(q: Queries, zone: str, month: str) -> tuple[str, str]:
    """Start and end of a month, as fields have them; of its readings where they begin inside it."""
    chosen = month_of(q.source.store, q.setup, zone, month, q.now_ns())
    return field_text(chosen.from_ns, q.room.timezone), field_text(chosen.to_ns, q.room.timezone)


def register_drafts(app: Dash, q: Queries) -> None:
    """The draft of a record as PDF, for whoever may read inspections."""

    @needs(Act.READ_INSPECTIONS)
    def record_draft() -> Response:
        query = request.args
        try:
            q.zone(query.get("zone", ""))
            ends = int(query.get("from", "")), int(query.get("to", ""))
            current = current_of(q)
            span = Interval(query["zone"], *ends, q.now_ns())
            if not ends[0] < ends[1] <= q.now_ns():
                raise Refused("The interval must end in the past, after its start.")
            seen_by = visitor()
            with current.judging:
                who = seen_by.person if seen_by else "nobody signed in"
                ours = current.store, current.verdicts, current.setup
                pdf = draft(*ours, span, who, temperatures=temperature_unit())
        except (StillroomError, ValueError) as fault:
            return Response(str(fault), HTTPStatus.BAD_REQUEST, mimetype="text/plain")
        return Response(pdf, mimetype="application/pdf")

    app.server.add_url_rule(DRAFT, view_func=record_draft)


def register_months(app: Dash, q: Queries) -> None:
    """A chosen month fills in its ends."""

    @app.callback(
        Output("issue-month", "data"),
        Output("issue-month", "value"),
        Input("issue-zone", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.ISSUE)
    def offer(zone: str) -> tuple[list[dict[str, str]], str]:
        return month_options(q, zone), ""

    @app.callback(
        Output("issue-from", "value"),
        Output("issue-to", "value"),
        Input("issue-month", "value"),
        State("issue-zone", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.ISSUE)
    def choose(month: str, zone: str) -> tuple[Any, Any]:
        if not month:
            return no_update, no_update
        return month_ends(q, zone, month)
