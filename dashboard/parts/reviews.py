"""Reviews on page Records: what is missing, the look at a period before it is signed, and the signature."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component
from flask import current_app

from logger.errors import StillroomError, StoreError
from logger.instants import NS
from logger.model.roles import Act
from logger.record.reviews import Signer, label_of, missing, review, reviews
from logger.record.reviews import review_content as review_shown

from ..access.guard import guard_of
from ..access.needs import allowed, needs, visitor
from ..access.sign_in import confirmed, password_hint
from ..data.queries import Queries
from ..data.words import local
from ..data.words import moment as wall
from .components import button, card, field, refusal, slot, table
from .record_months import current_of

NAMED = 6  # so many missing reviews are named


def reviews_card(q: Queries) -> Component:
    """What is missing, the form to look at a period and sign it, and the newest fifty."""
    zone, store = q.room.timezone, q.source.store
    try:
        reviewed_periods = current_of(q).config.reviews
    except StoreError:
        reviewed_periods = ()
    late = missing(store, q.setup, reviewed_periods, q.now_ns())
    missing_text = _missing_reviews(late)
    rows = [
        [
            r.period,
            r.who,
            local(r.at_ns, zone),
            "signed with password" if r.signed else "name only",
            r.comment,
        ]
        for r in reversed(reviews(store))
    ]
    review_table = table(
        ["period", "who", "at, local", "signed", "comment"], rows[:50], "Reviews, newest first", stacks=True
    )
    form = [_review_form(q)] if allowed(Act.REVIEW) else []
    return card(
        "Reviews", html.P(missing_text, id="review-missing"), *form, html.Div(id="review-shown"), review_table
    )


def _review_form(q: Queries) -> Component:
    yesterday = wall(q.now_ns() - 86_400 * NS, q.room.timezone).date()
    return html.Div(
        [
            field("review-period", "Period: a day, 2026-W43 or 2026-10", label_of("daily", yesterday)),
            button("review-look", "Show"),
            field("review-comment", "Remarks"),
            slot(
                dmc.PasswordInput(
                    id="review-password",
                    label="Your password",
                    size="sm",
                    value="",
                    description=password_hint() or None,
                )
            ),
            button("review-sign", "Sign review"),
            html.Div(id="review-refusal", role="status"),
        ],
        className="form",
    )


def register_reviews(app: Dash, q: Queries) -> None:
    """The look at a period and the signature."""

    @app.callback(
        Output("review-shown", "children"),
        Input("review-look", "n_clicks"),
        State("review-period", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.REVIEW)
    def look(clicks: int | None, period: str) -> Any:
        try:
            return _review_card(q, period.strip()) if clicks else no_update
        except StillroomError as fault:
            return refusal(str(fault))

    @app.callback(
        Output("review-refusal", "children"),
        Output("review-missing", "children"),
        Output("review-password", "value"),
        Input("review-sign", "n_clicks"),
        State("review-period", "value"),
        State("review-comment", "value"),
        State("review-password", "value"),
        prevent_initial_call=True,
    )
    @needs(Act.REVIEW)
    def sign(clicks: int | None, period: str, comment: str, password: str) -> tuple[Any, Any, Any]:
        if not clicks:
            return no_update, no_update, no_update
        try:
            who, mine = confirmed(guard_of(current_app), Act.REVIEW, password), visitor()
            assert mine is not None  # noqa: S101 (who is confirmed is known)
            current = current_of(q)
            with current.judging:
                act = (period.strip(), who, comment, q.now_ns(), Signer(mine.name, password))
                review(current.store, current.verdicts, *act)
        except StillroomError as fault:
            return refusal(str(fault)), no_update, ""
        late = missing(current.store, q.setup, current.config.reviews, q.now_ns())
        missing_text = _missing_reviews(late)
        return html.P(f"{period} review signed by {who}."), missing_text, ""


def _review_card(q: Queries, period: str) -> Component:
    current = current_of(q)
    with current.judging:
        seen = review_shown(current.store, current.verdicts, period, q.now_ns())
    words = ("stable", "not stable", "not shown")
    rows = [
        [
            q.zone(z["zone"]).name,
            *(f"{z['seconds'][w] / 3600:.1f} h" for w in words),
            str(len(z["excursions"])),
        ]
        for z in seen["zones"]
    ]
    return table(["zone", *words, "excursions"], rows, f"To review: {period}", figures=(1, 2, 3, 4))


def _missing_reviews(late: Sequence[str]) -> str:
    """Which reviews are missing; of many their number and the newest."""
    many = f"{len(late)} reviews, the newest " if len(late) > NAMED else ""
    return f"Missing: {many}{', '.join(late[-NAMED:])}." if late else "No review is missing."
