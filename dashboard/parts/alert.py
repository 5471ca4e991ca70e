"""The alarm line of every page with its sheet, the clock beside it, and the acknowledgement."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from logger.errors import Refused, StillroomError
from logger.model.roles import Act

from ..access.needs import acting, allowed, needs
from ..access.shared_answers import shared
from ..data.queries import Queries
from ..data.words import age, local_offset
from . import alarm_line
from .components import aria, digest, field, refusal
from .todo import alarm_words

DOUBLE_MS = 700  # the second half of a double click comes within
LOUD: dict[str, Any] = {"aria-live": "assertive"}


def frame(q: Queries) -> list[Component]:
    """Places that the callbacks fill; they stand from the start, so that a screen reader hears changes."""
    return [
        dcc.Interval(id="shell-tick", interval=q.tick_s * 1000),
        dcc.Store(
            id="shell-seen", data=_digests(_parts(q)) | {"count": 0}
        ),  # the first tick draws nothing anew
        dcc.Store(id="acted"),
        dcc.Store(id="acknowledging"),
        html.Div(id="polite", role="alert", className="unseen", **LOUD),
    ]


def strip(q: Queries) -> Component:
    """The line of fixed height, and the sheet that opens below it without moving anything."""
    one_line = html.Div(
        [
            html.Div(alarm_line.line(q), id="alert", className="alerts"),
            html.Div(header_clock(q), id="clock", className="clock"),
            # The loss of the server or the service takes the place of the line: then nothing on it holds.
            html.Div(id="silent", role="alert", className="lost", hidden=True),
            html.Div(id="lost", role="alert", className="lost", hidden=True),
        ],
        className="strip",
    )
    return html.Div([one_line, _sheet(q)], className="alarm-line", role="region", **aria("Alarms"))


def _sheet(q: Queries) -> Component:
    comment = [
        field(
            "acknowledge-comment",
            "Comment: what you saw or did",
            persistence=True,
            persistence_type="session",  # what was typed survives a reload
        ),
        html.Div(alarm_line.acts(q), id="alarm-acts", className="alarm-acts"),
        html.Div(id="acknowledge-refusal"),
        html.P("An acknowledged alarm stays in the line, pale, until it is over.", className="aside"),
    ]
    return html.Div(
        [
            html.Div(alarm_line.rows(q), id="alarm-rows", className="alarm-rows"),
            html.Div(comment, className="alarm-comment", hidden=not allowed(Act.ACKNOWLEDGE)),
        ],
        id=alarm_line.SHEET,
        className="sheet",
        hidden=True,
        tabIndex=-1,
        role="group",
        **aria("Alarms in detail"),
    )


def header_clock(q: Queries) -> list[Component]:
    """Server time with its offset, and how old the oldest reading is, in words when it is too old."""
    now = q.now_ns()
    oldest = q.oldest_reading_s()
    day, _, text = local_offset(now, q.room.timezone, seconds=True).partition(" ")
    date = html.Span(f"{day} ", className="date")  # left out where an alarm needs the room
    if oldest is None:
        return [date, html.Span(text), html.Strong(" · no readings", className="stale")]
    if old := q.stale():
        channel, seconds = old[0]
        more = f" and {len(old) - 1} more" if len(old) > 1 else ""
        silence = f" · no value of {channel.partition('.')[0]} for {age(seconds)}{more}"
        return [date, html.Span(text), html.Strong(silence, className="stale")]
    return [date, html.Span(f"{text} · oldest reading {age(oldest)}")]


def register(app: Dash, q: Queries) -> None:
    """Callbacks of every page."""
    _ticking(app, q)
    _acknowledging(app, q)


def _ticking(app: Dash, q: Queries) -> None:
    """The line, its sheet, the clock beside it, and what a screen reader hears."""

    @app.callback(
        Output("alert", "children"),
        Output("alarm-rows", "children"),
        Output("alarm-acts", "children"),
        Output("clock", "children"),
        Output("polite", "children"),
        Output("shell-seen", "data"),
        Input("shell-tick", "n_intervals"),
        Input("acted", "data"),
        State("shell-seen", "data"),
    )
    @shared()
    @needs(Act.READ)
    def tick(_: Any, __: Any, seen: dict[str, Any]) -> tuple[Any, ...]:
        parts = _parts(q)
        waiting = alarm_line.by_priority([a for a in q.alarms() if a.awaiting])
        now = _digests(parts) | {"count": len(waiting)}
        announcement = no_update if seen.get("count", 0) == now["count"] else _announcement(q, waiting)
        changed = [no_update if seen.get(name) == now[name] else part for name, part in parts.items()]
        return *changed, header_clock(q), announcement, no_update if seen == now else now


def _parts(q: Queries) -> dict[str, list[Component]]:
    return {"line": alarm_line.line(q), "rows": alarm_line.rows(q), "acts": alarm_line.acts(q)}


def _digests(parts: dict[str, list[Component]]) -> dict[str, Any]:
    """What is on the screen, so that what reads the same is not drawn anew, and keeps its focus."""
    return {name: digest(part) for name, part in parts.items()}


def _announcement(q: Queries, waiting: list[Any]) -> str:
    """What a screen reader says when the number of alarms changes; never at each reading."""
    n = len(waiting)
    if n == 0:
        return "No unacknowledged alarms."
    first = waiting[0]
    highest = f"{first.spec.priority} priority, {alarm_words(first, q)[0].partition(',')[0]}"
    return f"{n} unacknowledged alarm{'s' if n > 1 else ''}. Highest: {highest}."


def _acknowledging(app: Dash, q: Queries) -> None:
    """A press on a button of the sheet is journalled; without a comment it says what is missing."""

    @app.callback(
        Output("acknowledge-refusal", "children"),
        Output("acknowledge-comment", "value"),
        Output("acted", "data"),
        Input("acknowledging", "data"),
        State("acknowledge-comment", "value"),
        State("acted", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.ACKNOWLEDGE)
    def acknowledge(pressed: Any, comment: str, acted_ms: Any) -> tuple[Any, ...]:
        if not pressed or (acted_ms and pressed["at"] - acted_ms < DOUBLE_MS):
            return (no_update,) * 3
        try:
            q.acknowledge(_alarms_of(pressed), acting(Act.ACKNOWLEDGE), comment or "")
        except StillroomError as refused:
            return refusal(str(refused)), no_update, no_update
        return refusal(""), "", pressed["at"]


def _alarms_of(pressed: Any) -> list[str]:
    """The alarms of the button that was pressed; Refused for what no button of ours holds."""
    keys = pressed.get("subject") if isinstance(pressed, dict) else None
    if not isinstance(keys, list) or not keys or not all(isinstance(key, str) for key in keys):
        raise Refused("Choose the alarms to acknowledge. Nothing was changed.")
    return keys
