"""The rules of each zone as scales, for page Now."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from ..charts.scale import scale, worst_first
from ..data.queries import Queries
from ..data.statements import Statement
from .components import behind, card, svg


def scales(q: Queries, statements: Sequence[Statement]) -> list[Component]:
    """Each rule of each zone as a scale, the worst first."""
    r_of = {rule.key: rule.r for rule in q.setup.rules}
    return [
        card(
            f"{s.name} against its limits",
            *[svg(scale(state, r_of.get(state.rule, 1.0))) for state in worst_first(s.rules)]
            or [html.P("No verdict in the last minutes.", className="calm")],
            aside="worst first",
        )
        for s in statements
    ]


def other_scales(q: Queries, others: Sequence[Statement]) -> list[Component]:
    """One other zone is shown, several are folded."""
    if len(others) < 2:
        return scales(q, others)
    return [behind("Other zones against their limits", *scales(q, others))]
