"""The page of a position, for a phone that scanned the code there: may I measure here, in the first screen.

Verdict, act, value and the one button stand above everything else. No job is named: the page is read without
signing in wherever the wall view is.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, quote

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from logger.core.calibration.status import status
from logger.errors import UnknownName
from logger.model import Conformity, Position, RuleState
from logger.model.figures import decimals
from logger.model.roles import Act
from logger.model.words import medium_words

from ..access.needs import needs
from ..charts.scale import bare_scale
from ..data.deciding import near_limit
from ..data.queries import Queries
from ..data.statements import Statement
from ..data.words import age, difference_unit, figure, local, sentence, to_read_unit, unit
from ..parts.components import digest, svg
from ..parts.trail import trail

TITLE = "Position"
PATH = "/positions"
BELOW = True  # one page for every position: /positions/KEY
NEEDS = Act.READ
IN_NAV = False
HOURS = 8


def layout(q: Queries, search: str) -> Component:
    """The page of the position that the address names; without one a list of all."""
    key = parse_qs(search.lstrip("?")).get("key", [""])[-1]
    if not key:
        return _all(q)
    if key not in q.setup.positions:
        raise UnknownName("position", key, q.setup.positions)
    parts = drawn(q, q.setup.positions[key])
    return html.Div(
        [
            html.Div(parts, id="position-parts"),
            dcc.Interval(id="position-tick", interval=q.tick_s * 1000),
            dcc.Store(id="position-key", data=key),
            dcc.Store(id="position-seen", data=digest(parts)),
        ],
        className="position",
    )


def register(app: Dash, q: Queries) -> None:
    """What is new is drawn at each tick; nothing is sent where nothing is."""

    @app.callback(
        Output("position-parts", "children"),
        Output("position-seen", "data"),
        Input("position-tick", "n_intervals"),
        State("position-key", "data"),
        State("position-seen", "data"),
    )
    @needs(Act.READ)
    def tick(_: int | None, key: str, seen: str) -> tuple[Any, Any]:
        if key not in q.setup.positions:
            return no_update, no_update
        parts = drawn(q, q.setup.positions[key])
        mark = digest(parts)
        return (no_update, no_update) if mark == seen else (parts, mark)


def _all(q: Queries) -> Component:
    rows = [
        html.Li(html.A(f"{_zone(q, p)}, {p.name}", href=f"{PATH}/{quote(key)}"))
        for key, p in q.setup.positions.items()
    ]
    return html.Div([html.H1("Positions", className="page"), html.Ul(rows, className="position-list")])


def _place(q: Queries, position: Position) -> str:
    return f"{_zone(q, position)}, {position.name}"


def _zone(q: Queries, position: Position) -> str:
    return q.setup.zones[position.zone].name if position.zone in q.setup.zones else position.zone


def drawn(q: Queries, position: Position) -> list[Component]:
    """Everything on the page, the answer first."""
    statement = next((s for s in q.statements() if s.zone == position.zone), None)
    if statement is None:
        return [html.H1("Not shown."), html.P(f"Zone {position.zone} is not in use any more.")]
    channels = _channels(q, position)
    now = local(q.now_ns(), q.room.timezone)[11:]
    return [
        html.P(
            [html.Span(f"{q.room.name} · {_zone(q, position)}"), html.Span(now)], className="position-top"
        ),
        trail(q, position.zone, HOURS),
        html.H1(f"{statement.verdict[0].upper()}{statement.verdict[1:]}."),
        html.P(_act(q, statement), className="position-do"),
        *_value(q, position, statement, channels),
        html.A(*_button(statement), className="button position-button"),
        html.Ul([html.Li(row) for row in _rows(q, position, channels)], className="position-rows"),
    ]


def _channels(q: Queries, position: Position) -> list[str]:
    """Channels of the probe that is here now, temperature first."""
    here = [key for key in q.setup.channels if q.position_of(key) == position]
    return sorted(here, key=lambda key: (q.setup.channels[key].quantity != "temperature", key))


def _act(q: Queries, statement: Statement) -> list[Any]:
    first = {"stable": "Measure.", "not stable": "Stop measuring."}.get(statement.verdict, "Do not begin.")
    rest = statement.when(q.now_ns(), q.room.timezone) if statement.verdict == "stable" else ""
    more = sentence(rest) or statement.next_step
    more = more.replace(f"{first.rstrip('.')} in this zone.", "").replace(first, "", 1)
    return [html.Strong(first), f" {more.strip()}" if more.strip() else ""]


def _value(q: Queries, position: Position, statement: Statement, channels: list[str]) -> list[Component]:
    """The newest value here with its U and age, against the limit of the zone."""
    if not channels:
        return [html.P("No probe is here now.", className="position-probe")]
    channel = q.setup.channels[channels[0]]
    value, U, seconds = q.newest_corrected(channel.key)
    if value is None or seconds > channel.stale_after_s:
        since = f" for {age(seconds)}" if value is not None else ""
        return [
            html.P(f"{channel.probe}, {position.name}", className="position-probe"),
            html.P(f"No reading{since}.", className="position-value position-none"),
        ]
    state = _state(statement, channel.quantity, value, U)
    limit = None if state is None else near_limit(state)
    number, _, rest = figure(value, _unit_of(channel.quantity), U, limit).partition(" ")
    out = state is not None and _beyond(state)
    parts: list[Component] = [
        html.P(f"{channel.probe}, {position.name} · {age(seconds)} ago", className="position-probe"),
        html.P(
            [html.Strong(number), html.Small(f" {rest}")],
            className="position-value" + (" out" if out else ""),
        ),
    ]
    if state is not None:
        rule = next((r for r in q.setup.rules if r.key == state.rule), None)
        parts.append(html.P([html.Span(state.name), html.Span(_room_left(state))], className="position-left"))
        parts.append(svg(bare_scale(state, rule.r if rule else 1.0)))
    return parts


def _unit_of(quantity: str) -> str:
    from logger.units import quantity as named

    return named(quantity).unit


def _state(statement: Statement, quantity: str, value: float, U: float | None) -> RuleState | None:
    """The zone's limit on this quantity with the value from here; None where there is none in force."""
    from dataclasses import replace

    for state in statement.rules:
        if state.unit == _unit_of(quantity) and (state.lower is not None or state.upper is not None):
            here = replace(state, value=value, U=U)
            return replace(here, conformity=Conformity.NONCONFORMING) if _beyond(here) else here
    return None


def _beyond(state: RuleState) -> bool:
    value = state.value or 0.0
    above = state.upper is not None and value > state.upper
    return above or (state.lower is not None and value < state.lower)


def _room_left(state: RuleState) -> str:
    limit, value = near_limit(state), state.value
    if limit is None or value is None:
        return ""
    difference = abs(to_read_unit(value, state.unit)[0] - to_read_unit(limit, state.unit)[0])
    places = 2 if state.U is None else max(decimals(state.U), 2)
    words = f"{difference:.{places}f} {difference_unit(state.unit)}"
    if not _beyond(state):
        return f"{words} to the limit"
    side = "above" if value > limit else "below"
    return f"{words} {side} {to_read_unit(limit, state.unit)[0]:.1f} {unit(state.unit)}"


def _button(statement: Statement) -> tuple[str, str]:
    if statement.verdict == "stable":
        return "Start an inspection", "/inspections"
    return "Running inspections", "/inspections"


def _rows(q: Queries, position: Position, channels: list[str]) -> list[list[Any]]:
    """What else is known here: the probe and its due day, the other channels, the limits, the trend."""
    rows: list[list[Any]] = []
    at_ns = q.now_ns()
    for key in channels:
        confirmation = status(q.setup, key, at_ns)
        probe = q.setup.probes[q.setup.channels[key].probe]
        value, U, seconds = q.newest_corrected(key)
        quantity = q.setup.channels[key].quantity
        fresh = value is not None and seconds <= q.setup.channels[key].stale_after_s
        text = figure(value, _unit_of(quantity), U) if fresh else "no reading"
        day = f"due {confirmation.due}" if confirmation.due else confirmation.status
        whose = html.Small(f"{probe.key}, serial {probe.serial}")
        rows.append([html.Span([f"{quantity.replace('_', ' ')} {text}", whose]), html.Span(day)])
    place = " / ".join(f"{v:g}" for v in position.xyz_m)
    rows += [
        [html.Span([position.name, html.Small(f"{place} m, {medium_words(position.medium)}")]), ""],
        [html.Span("Limits here"), html.A("all", href="/limits")],
        [html.Span("Last hours"), html.A("trend", href=f"/trend?zone={quote(position.zone)}")],
        [html.Span(f"Call {q.room.custodian}, custodian"), ""],
    ]
    return rows
