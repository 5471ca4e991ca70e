"""What every page has: name of the room, navigation, clock, alert, and the ribbon of a demonstration."""

from __future__ import annotations

from collections.abc import Sequence
from types import ModuleType
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from .access.needs import allowed, visitor
from .data.preferences import fahrenheit
from .data.queries import Queries
from .parts import alert
from .parts.components import aria

# assets/sound.js keeps its word: what it says depends on what the browser allows.
_SOUND: dict[str, Any] = {"data-sound": "", "aria-pressed": "false"}
SIMULATED = "Simulated data – demonstration, invented people"


def shell(q: Queries, pages: Sequence[ModuleType]) -> Component:
    """The frame around `#page`, which the address fills."""
    body = html.Div(
        [
            html.A("Skip to the page", href="#page", className="skip"),
            html.Div(_head(q, pages), className="head", role="region", **aria("Room and pages")),
            html.Main([*alert.frame(q), html.Div(id="page")], tabIndex=-1),
            html.Footer(_footer(q)),
            dcc.Location(id="address", refresh="callback-nav"),
            dcc.Store(id="path"),
            dcc.Store(id="news"),  # assets/pulse.js puts the number of the newest reading here
        ],
        className="shell" + (" simulated" if q.source.simulated else ""),
    )
    theme = {"respectReducedMotion": True, "fontFamily": "B612, sans-serif"}
    whole: Component = dmc.MantineProvider(body, id="mantine", theme=theme)
    return whole


def _head(q: Queries, pages: Sequence[ModuleType]) -> list[Component]:
    links = [
        html.A(p.TITLE, href=p.PATH, className="nav", id=f"nav-{p.PATH.strip('/') or 'now'}")
        for p in pages
        if allowed(p.NEEDS) and getattr(p, "IN_NAV", True)
    ]
    who = visitor()
    account = html.A(who.person if who else "Sign in", href="/account", className="who")
    ribbon = html.Div(html.Span(SIMULATED), className="ribbon", role="note", **aria("Simulated data"))
    return [
        *([ribbon] if q.source.simulated else []),
        html.Div([html.Strong(q.room.name), html.Span(q.room.site, className="site")], className="room"),
        html.Div(id="clock", className="clock"),
        html.Div([account, *_choices()], className="choices"),
        html.Nav(links, **aria("Pages")),
    ]


def _choices() -> list[Component]:
    """What a person chooses for this browser: the unit of temperature, light or dark."""
    other, name = ("°C", "degC") if fahrenheit() else ("°F", "degF")
    named: dict[str, Any] = {"data-unit": name}
    return [
        html.Button(other, type="button", className="quiet", **named, **aria(f"Temperatures in {other}")),
        html.Button("Sound off", type="button", className="quiet", **_SOUND),
        html.Button("Dark", id="theme-toggle", type="button", className="quiet", n_clicks=0),
    ]


def _footer(q: Queries) -> list[Any]:
    setup = q.setup
    room = setup.room
    version = f"setup {setup.version}, {setup.digest[:12]}"
    wall = html.A("Wall view", href="/wall", className="nav", id="nav-wall")
    return [f"{room.site}, {room.name} · {version} · custodian {room.custodian} · ", wall]
