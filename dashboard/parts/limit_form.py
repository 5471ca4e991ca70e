"""Other limits for a rule, or another basis: the effect first, then a proposal for two people."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component

from logger.config.limit_edits import LimitTable, limit_tables, with_limit
from logger.errors import Refused, you_entered
from logger.model.roles import Act

from ..access.needs import allowed, needs
from ..data.queries import Queries
from .components import behind, button, card, choice, draft_of_setup, field
from .proposal import register_proposal

UNITS = {"degC": "°C", "degF": "°F", "percent_RH": "% RH", "K_per_m": "K/m", "K_per_h": "K/h", "um": "µm"}


def limit_form(q: Queries) -> list[Component]:
    """The card, for those who may propose; what is typed survives a reload until the setup changes."""
    tables = _tables(q)
    if not allowed(Act.PROPOSE) or not tables:
        return []
    draft, first = draft_of_setup(q), next(iter(tables))
    names = {key: f"{q.zone(t.zone).name}: {_rule_name(q, key)}" for key, t in tables.items()}
    form = html.Div(
        [
            choice("limit-rule", "Rule", names, first, wide=True, **draft),
            html.Div(_fields(q, first, tables[first]), id="limit-fields", className="in-form"),
            field("limit-why", "Reason for the change", "", placeholder="room study of October", **draft),
            button("limit-look", "Show the effect"),
            html.Div(id="limit-effect", className="break", role="status"),
        ],
        className="form",
    )
    return [card("Propose other limits", behind("Choose a rule and enter its limits", form), aside=_BY_TWO)]


_BY_TWO = "a second person approves it"


def _tables(q: Queries) -> dict[str, LimitTable]:
    """Rules of zones that there are now, by name."""
    zones = {zone.key for zone in q.setup.zones_now()}
    texts = q.source.keeping.versions()[-1].texts if q.source.keeping.versions() else {}
    return {key: t for key, t in limit_tables(texts).items() if t.zone in zones and t.limits}


def _rule_name(q: Queries, key: str) -> str:
    return q.setup.rule_names.get(key, key.partition(".")[2])


def unit_of(key: str) -> str:
    """The unit that a key of a limit ends with, as people write it.

    >>> unit_of("lower_degC"), unit_of("span_24h_K"), unit_of("gradient_pair_K_per_m"), unit_of("upper_hPa")
    ('°C', 'K', 'K/m', 'hPa')
    """
    unit = next((printed for name, printed in UNITS.items() if key.endswith(name)), "")
    return unit or key.rpartition("_")[2]


def _fields(q: Queries, rule: str, table: LimitTable) -> list[Component]:
    """Limits and basis of a rule; the browser keeps what is typed for each rule by itself."""
    draft = draft_of_setup(q)
    draft["persistence"] += f"-{rule}"

    def end(ident: str, word: str, key: str) -> Component:
        label, value = (f"{word}, {unit_of(key)}", f"{table.limits[key]:g}") if key else (word, "")
        return field(ident, label, value, disabled=not key, narrow=True, **draft)

    return [
        end("limit-lower", "Lower limit", table.lower),
        end("limit-upper", "Upper limit", table.upper),
        field("limit-basis", "Basis: where the numbers come from", table.basis, wide=True, **draft),
    ]


def _number(label: str, text: str) -> float:
    try:
        return float((text or "").strip().replace("−", "-"))
    except ValueError:
        raise Refused(f"{label}: enter a number, for example 20.5.{you_entered(text)}") from None


def texts_with_limit(q: Queries, rule: str, lower: str, upper: str, basis: str) -> dict[str, str]:
    """The files in force with other limits; Refused says what to enter."""
    table = _tables(q).get(rule)
    if table is None:
        raise Refused("Rule: choose one from the list.")
    if not (basis or "").strip():
        raise Refused("Basis: enter where the numbers come from, such as machine specification, annex B.")
    ends = (("Lower limit", table.lower, lower), ("Upper limit", table.upper, upper))
    limits = {key: _number(label, text) for label, key, text in ends if key}
    if len(limits) == len(ends) and limits[table.lower] >= limits[table.upper]:
        raise Refused(f"Upper limit: enter one above {limits[table.lower]:g}. You entered “{upper}”.")
    return with_limit(q.source.keeping.versions()[-1].texts, rule, limits, basis.strip())


def register(app: Dash, q: Queries) -> None:
    """The limits of the chosen rule, the effect of others, and the proposal, by an account."""
    fields = [State(f"limit-{name}", "value") for name in ("rule", "lower", "upper", "basis")]

    @app.callback(
        Output("limit-fields", "children"),
        Input("limit-rule", "value"),  # on loading, too: the browser may have kept another rule
    )
    @needs(Act.PROPOSE)
    def choose(rule: str) -> Any:
        table = _tables(q).get(rule)
        return no_update if table is None else _fields(q, rule, table)

    register_proposal(app, q, "limit", fields, lambda entries: texts_with_limit(q, *entries))
