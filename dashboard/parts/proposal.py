"""A form that changes the setup: its effect first, then a proposal that a second person approves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component

from logger.errors import StillroomError
from logger.model.roles import Act

from ..access.needs import acting, needs
from ..data.queries import Queries
from .components import button, refusal
from .setup_effect import effect_of_texts

# From what stands in the fields, in their order, the files as they would be; Refused says what to enter.
TextsOf = Callable[[Sequence[Any]], dict[str, str]]
EffectOf = Callable[[Sequence[Any], Mapping[str, str]], Sequence[Component]]


def register_proposal(
    app: Dash,
    q: Queries,
    form: str,
    fields: Sequence[State],
    texts_of: TextsOf,
    *,
    also: EffectOf | None = None,
) -> None:
    """The callbacks of a form: its parts are FORM-look, -effect, -propose, -why and -said.

    also: what is shown above the effect. Who proposes is an account, never a name from the browser.
    """

    @app.callback(
        Output(f"{form}-effect", "children"),
        Input(f"{form}-look", "n_clicks"),
        *fields,
        running=[(Output(f"{form}-look", "disabled"), True, False)],
        prevent_initial_call=True,
    )
    @needs(Act.PROPOSE)
    def look(clicks: int, *entries: Any) -> Any:
        if not clicks:
            return no_update
        try:
            texts = texts_of(entries)
            shown = [*(also(entries, texts) if also else ()), *effect_of_texts(q, texts)]
        except StillroomError as fault:
            return refusal(str(fault))
        return [*shown, button(f"{form}-propose", "Propose"), html.Div(id=f"{form}-said", role="status")]

    @app.callback(
        Output(f"{form}-said", "children"),
        Input(f"{form}-propose", "n_clicks"),
        State(f"{form}-why", "value"),
        *fields,
        running=[(Output(f"{form}-propose", "disabled"), True, False)],
        prevent_initial_call=True,
    )
    @needs(Act.PROPOSE)
    def propose(clicks: int, why: str, *entries: Any) -> Any:
        if not clicks:
            return no_update
        try:
            texts = texts_of(entries)
            number = q.source.keeping.propose(texts, acting(Act.PROPOSE), why or "", q.now_ns())
        except StillroomError as fault:
            return refusal(str(fault))
        return proposed_link(number)


def proposed_link(number: int) -> Component:
    """Where the second person finds a proposal that was just made."""
    link = html.A("its effect, and approval", href=f"/limits?proposal={number}")
    return html.P([f"Proposal {number} sent for approval: ", link, "."], className="done")
