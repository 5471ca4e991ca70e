"""Joining two cases of one cause, parting one in two, and undoing a join, on the page of a case."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component

from logger.errors import Refused, StillroomError, you_entered
from logger.inspections.case_record import CaseRecord
from logger.model.roles import Act

from ..access.needs import acting, allowed, needs
from ..data.case_desk import desk
from ..data.queries import Queries
from ..data.words import field_text, instant
from .components import behind, button, card, field, refusal

Layout = Callable[[Queries, str], Any]
LinkAct = Callable[[Queries, int, str, str, str], int]


def links_card(q: Queries, record: CaseRecord) -> Component:
    """The forms, closed until they are asked for; nothing for who may not decide."""
    if not allowed(Act.DECIDE) or record.number is None:
        return html.Div()
    later = max(run.from_ns for run in record.case.runs)
    join = [
        field("join-other", "Case with the same cause", narrow=True, placeholder="number"),
        button("join-go", "Join", quiet=True),
    ]
    example = field_text(later, q.room.timezone)
    part = [
        field("part-at", "Excursions from this time on become another case, local", placeholder=example),
        button("part-go", "Split", quiet=True),
    ]
    undo = [
        field("undo-number", "Number that was joined", narrow=True, placeholder="number"),
        button("undo-go", "Undo join", quiet=True),
    ]
    joined = record.case.continued
    form = [
        field("links-why", "Reason, for all three"),
        *join,
        *part,
        *(undo if joined else [html.Div([field("undo-number", ""), button("undo-go", "")], hidden=True)]),
        html.Div(id="links-refusal", role="status"),
    ]
    words = "Two cases of one cause, or one case of two causes"
    return card("Join or split", behind(words, html.Div(form, className="form")))


def register_links(app: Dash, q: Queries, layout: Layout) -> None:
    """The three acts; `layout` draws the page of a case anew."""
    for go, value, act in (
        ("join-go", "join-other", _join),
        ("part-go", "part-at", _part),
        ("undo-go", "undo-number", _undo),
    ):
        _listen(app, q, layout, go, value, act)


def _listen(  # noqa: PLR0917 (a button, its field, its act, and the page)
    app: Dash, q: Queries, layout: Layout, go: str, value: str, act: LinkAct
) -> None:
    @app.callback(
        Output("page", "children", allow_duplicate=True),
        Output("links-refusal", "children", allow_duplicate=True),
        Input(go, "n_clicks"),
        State("case-number", "children"),
        State(value, "value"),
        State("links-why", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.DECIDE)
    def answer(clicks: int | None, number: str, text: str, why: str) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        try:
            shown = act(q, _number(number), text, acting(Act.DECIDE), why)
        except StillroomError as refused:
            return no_update, refusal(str(refused))
        return layout(q, f"?case={shown}"), no_update


def _join(q: Queries, number: int, other: str, who: str, why: str) -> int:
    return desk(q).join(number, _number(other), who, why, q.now_ns())


def _part(q: Queries, number: int, at: str, who: str, why: str) -> int:
    at_ns = instant(at, q.room.timezone, wanted_in="Excursions from this time on")
    return desk(q).part(number, number, at_ns, who=who, why=why, now_ns=q.now_ns())


def _undo(q: Queries, number: int, joined: str, who: str, why: str) -> int:
    return desk(q).part(number, _number(joined), None, who=who, why=why, now_ns=q.now_ns())


def _number(text: str) -> int:
    if not text.strip().isdecimal():
        raise Refused(f"Case: enter a number such as 12.{you_entered(text)} Nothing was changed.")
    return int(text)
