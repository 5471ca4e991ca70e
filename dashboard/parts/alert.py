"""The alert on every page: a banner for what awaits a person, and the question for a comment."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from logger.errors import StillroomError
from logger.model.roles import Act

from ..access.needs import acting, allowed, needs
from ..data.queries import Queries
from ..data.words import age, local_offset, sentence
from .components import button, digest, field, refusal
from .todo import acknowledge_button, alarm_words

POLITE: dict[str, Any] = {"aria-live": "polite"}


def frame(q: Queries) -> list[Component]:
    """Places that the callbacks fill; they stand from the start, so that a screen reader hears changes."""
    return [
        dcc.Interval(id="shell-tick", interval=q.tick_s * 1000),
        dcc.Store(id="shell-seen", data={}),
        dcc.Store(id="acted"),
        dcc.Store(id="acknowledging"),
        html.Div(id="polite", role="status", className="unseen", **POLITE),
        html.Div(id="lost", role="alert", className="lost", hidden=True),
        html.Div(id="silent", role="alert", className="lost", hidden=True),
        html.Div(id="alert", role="alert", className="alerts"),
        _dialog(),
    ]


def _dialog() -> Component:
    dialog: Component = dmc.Modal(
        id="acknowledge-dialog",
        title="Acknowledge the alarm",
        opened=False,
        centered=True,
        closeButtonProps={"aria-label": "Close"},
        transitionProps={"duration": 0},
        children=[
            html.P(id="acknowledge-what"),
            field("acknowledge-comment", "Comment: what you saw or did"),
            html.Div(id="acknowledge-refusal"),
            button("acknowledge-go", "Acknowledge"),
        ],
    )
    return dialog


def banner(q: Queries) -> list[Component]:
    """One line for each alarm that awaits a person: zone, rule, value, since when, what to do first."""
    lines: list[Component] = []
    for alarm in q.alarms():
        if not alarm.awaiting:
            continue
        what, since = alarm_words(alarm, q)
        lines.append(
            html.Div(
                [
                    html.Div(
                        [
                            html.Strong(what),
                            html.Span(f" {since}. "),
                            html.Span(sentence(alarm.spec.action), className="action"),
                        ]
                    ),
                    *([acknowledge_button(alarm)] if allowed(Act.ACKNOWLEDGE) else []),
                ],
                className="alert",
            )
        )
    return lines


def header_clock(q: Queries) -> list[Component]:
    """Server time with its offset, and how old the oldest reading is, in words when it is too old."""
    now = q.now_ns()
    oldest = q.oldest_reading_s()
    text = local_offset(now, q.room.timezone, seconds=True)
    if oldest is None:
        return [html.Span(text), html.Strong(" · no readings", className="stale")]
    if old := q.stale():
        channel, seconds = old[0]
        more = f" and {len(old) - 1} more" if len(old) > 1 else ""
        silence = f" · no value of {channel.partition('.')[0]} for {age(seconds)}{more}"
        return [html.Span(text), html.Strong(silence, className="stale")]
    return [html.Span(f"{text} · oldest reading {age(oldest)}")]


def register(app: Dash, q: Queries) -> None:
    """Callbacks of every page."""
    _ticking(app, q)
    _asking(app, q)
    _acknowledging(app, q)


def _ticking(app: Dash, q: Queries) -> None:
    """The banner, the clock of the header, and what a screen reader hears."""

    @app.callback(
        Output("alert", "children"),
        Output("clock", "children"),
        Output("polite", "children"),
        Output("shell-seen", "data"),
        Input("shell-tick", "n_intervals"),
        Input("acted", "data"),
        State("shell-seen", "data"),
    )
    @needs(Act.READ)
    def tick(_: Any, __: Any, seen: dict[str, Any]) -> tuple[Any, ...]:
        lines = banner(q)
        now = {"banner": digest(lines), "count": len(lines)}
        told = no_update if seen.get("count") == now["count"] else _count(len(lines))
        alert = no_update if seen.get("banner") == now["banner"] else lines
        return alert, header_clock(q), told, no_update if seen == now else now


def _asking(app: Dash, q: Queries) -> None:
    """A press on Acknowledge opens the question for a comment."""

    @app.callback(
        Output("acknowledge-dialog", "opened"),
        Output("acknowledge-what", "children"),
        Output("acknowledge-refusal", "children"),
        Input("acknowledging", "data"),
        prevent_initial_call=True,
    )
    @needs(Act.ACKNOWLEDGE)
    def open_dialog(pressed: dict[str, Any]) -> tuple[Any, ...]:
        known = {alarm.alarm.key: alarm for alarm in q.alarms()}
        if not pressed or pressed["alarm"] not in known:
            return (no_update,) * 3
        alarm = known[pressed["alarm"]]
        what, since = alarm_words(alarm, q)
        return True, f"{what}, {since}. {sentence(alarm.spec.consequence)}", refusal("")


def _acknowledging(app: Dash, q: Queries) -> None:
    """The answer is journalled; without a comment the question stays open and says why."""

    @app.callback(
        Output("acknowledge-dialog", "opened", allow_duplicate=True),
        Output("acknowledge-refusal", "children", allow_duplicate=True),
        Output("acknowledge-comment", "value"),
        Output("acted", "data"),
        Input("acknowledge-go", "n_clicks"),
        State("acknowledging", "data"),
        State("acknowledge-comment", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.ACKNOWLEDGE)
    def acknowledge(clicks: int, pressed: dict[str, Any], comment: str) -> tuple[Any, ...]:
        if not clicks or not pressed:
            return (no_update,) * 4
        try:
            q.acknowledge(pressed["alarm"], acting(Act.ACKNOWLEDGE), comment or "")
        except StillroomError as refused:
            return no_update, refusal(str(refused)), no_update, no_update
        return False, refusal(""), "", clicks


def _count(n: int) -> str:
    return "No alarm awaits you." if n == 0 else f"{n} alarm{'s' if n > 1 else ''} to acknowledge."
