"""Page Health: service, judging, probes and record; every figure with the instant at which it was true."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import Dash, Input, Output, html
from dash.development.base_component import Component

from logger.instants import NS
from logger.model.figures import number_of
from logger.model.roles import Act

from ..access.needs import needs
from ..data.queries import Queries
from ..data.words import age, local
from ..parts.components import behind, card, swatch, table

if TYPE_CHECKING:
    from logger.service.health import HealthFigure

LONG = 8  # from so many lines on, a group without a fault is folded
SAID = 3  # of what needs a look, in the first sentence
TITLE = "Health"
PATH = "/health"
NEEDS = Act.READ


def layout(q: Queries, _: str) -> Component:
    """The page, with what needs a look in its first sentence."""
    return html.Div(
        [
            html.H1("Health", className="page"),
            html.Div(drawn(q), id="health-figures", className="health stack"),
        ]
    )


def drawn(q: Queries) -> list[Component]:
    """A sentence, then a table for each group; a long one without a fault is folded."""
    now = q.now_ns()
    figures = q.source.keeping.health(now)
    faults = [f for f in figures if f.fault]
    groups = {
        name: [f for f in figures if f.group == name] for name in dict.fromkeys(f.group for f in figures)
    }
    return [_sentence(faults), *(_group(q, name, group, now) for name, group in groups.items())]


def _group(q: Queries, name: str, group: list[HealthFigure], now: int) -> Component:
    bad, drawn = sum(bool(f.fault) for f in group), _table(q, name, group, now)
    summary = f"{bad} to check" if bad else "no faults found"
    if bad or len(group) < LONG:
        return card(name, drawn, aside=summary, folds=not bad)
    return card(name, behind(number_of(len(group), "value"), drawn), aside=summary)


def _sentence(faults: list[HealthFigure]) -> Component:
    if not faults:
        return html.P([swatch("conforming"), "No faults found."], className="health-word")
    named = ", ".join(f.what for f in faults[:SAID])
    more = f" and {len(faults) - SAID} more" if len(faults) > SAID else ""
    todo = [html.Li([html.Strong(f.what), f": {f.fault}"]) for f in faults]
    return html.Div(
        [
            html.P([swatch("nonconforming"), f"Check: {named}{more}."], className="health-word"),
            html.Ul(todo, className="health-todo"),
        ]
    )


def _table(q: Queries, name: str, figures: list[HealthFigure], now: int) -> Component:
    zone = q.room.timezone
    rows = [
        [
            f.what,
            f.value,
            html.Span([swatch("nonconforming" if f.fault else "conforming"), f.word]),
            "never" if f.at_ns is None else local(f.at_ns, zone, seconds=True),
            "" if f.at_ns is None else age((now - f.at_ns) / NS),
        ]
        for f in figures
    ]
    head = ["item", "value", "state", "as of, local", "age"]
    return table(head, rows, f"{name}: value, state, and the time it was taken", figures=(3, 4), stacks=True)


def register(app: Dash, q: Queries) -> None:
    """The figures follow while the page is open."""

    @app.callback(
        Output("health-figures", "children"), Input("shell-tick", "n_intervals"), prevent_initial_call=True
    )
    @needs(Act.READ)
    def follow(_: int) -> list[Component]:
        return drawn(q)
