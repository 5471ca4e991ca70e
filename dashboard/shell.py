"""What every page has: the alarm line, name of the room, navigation, and the ribbon of a demonstration.

The alarm line comes first, so that keyboard and screen reader meet it first; where it is seen is said in
assets/frame.css: below the head, on page Now below the verdicts, on a phone at the lower edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import ModuleType
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component
from flask import has_request_context, request

from .access.needs import allowed, visitor
from .data.preferences import fahrenheit
from .data.queries import Queries
from .parts import alert
from .parts.components import aria

# assets/sound.js keeps its word: what it says depends on what the browser allows.
_SOUND: dict[str, Any] = {"data-sound": "", "aria-pressed": "false"}
_PAGES: dict[str, Any] = {"aria-expanded": "false", "aria-controls": "pages"}
SIMULATED = "Simulated data – demonstration, invented people"
# Pages that begin a group: the work, the evidence of the instruments, the record.
BEGINS_GROUP = ("/excursions", "/cases", "/probes", "/study", "/records")


def shell(
    q: Queries,
    pages: Sequence[ModuleType],
    content: Sequence[Component] = (),
    shown: Sequence[str] | None = None,
) -> Component:
    """The frame around `#page`, which the address fills; `content` is that of the address `shown`."""
    body = html.Div(
        [
            alert.strip(q),
            html.A("Skip to content", href="#page", className="skip"),
            *above(q, pages),
            html.Main([*alert.frame(q), html.Div(list(content), id="page")], tabIndex=-1),
            html.Footer(_footer(q)),
            dcc.Location(id="address", refresh="callback-nav"),
            dcc.Store(id="path"),
            dcc.Store(id="shown", data=shown),
            dcc.Store(id="news"),  # assets/lost.js puts the number of the newest reading here
        ],
        className="shell whole" + (" simulated" if q.source.simulated else ""),
    )
    theme = {"respectReducedMotion": True, "fontFamily": "B612, sans-serif"}
    whole: Component = dmc.MantineProvider(body, id="mantine", theme=theme)
    return whole


def above(q: Queries, pages: Sequence[ModuleType]) -> list[Component]:
    """What is above every page: the ribbon of a demonstration, and the head."""
    ribbon = html.Div(html.Span(SIMULATED), className="ribbon", role="region", **aria("Simulated data"))
    head = html.Div(_head(q, pages), className="head", role="region", **aria("Room and pages"))
    return [ribbon, head] if q.source.simulated else [head]


def _head(q: Queries, pages: Sequence[ModuleType]) -> list[Component]:
    links = [
        html.A(
            page.TITLE,
            href=page.PATH,
            className="nav begins" if page.PATH in BEGINS_GROUP else "nav",
            id=f"nav-{page.PATH.strip('/') or 'now'}",
        )
        for page in pages
        if allowed(page.NEEDS) and getattr(page, "IN_NAV", True)
    ]
    if has_request_context() and request.script_root:  # one room of a group
        links.insert(0, html.A("Rooms", href="/rooms", className="nav", id="nav-rooms"))
    who = visitor()
    name = who.person if who else "Sign in"
    links.append(html.A(name, href="/account", className="nav account"))  # where the names are a menu
    menu = html.Button(
        [html.Span("Now", id="here"), " · all pages"], type="button", className="quiet all-pages", **_PAGES
    )
    return [
        html.Strong(q.room.name, className="room"),
        html.Nav(links, id="pages", **aria("Pages")),
        html.A(name, href="/account", className="who"),
        menu,
    ]


def _choices() -> list[Component]:
    """What a person chooses for this browser; each names its state, and is pressed to change it."""
    is_unit, other, name = ("°F", "°C", "degC") if fahrenheit() else ("°C", "°F", "degF")
    named: dict[str, Any] = {"data-unit": name}
    return [
        html.Button(
            f"Unit: {is_unit}",
            type="button",
            className="quiet",
            **named,
            **aria(f"Unit: {is_unit}; change to {other}"),
        ),
        html.Button("Sound: off", type="button", className="quiet", **_SOUND),
        html.Button("Theme: light", id="theme-toggle", type="button", className="quiet", n_clicks=0),
    ]


def _footer(q: Queries) -> list[Any]:
    setup = q.setup
    room = setup.room
    version = f"setup {setup.version}, {setup.digest[:12]}"
    wall = html.A("Wall view", href="/wall", className="nav", id="nav-wall")
    words = html.Span([f"{room.site}, {room.name} · {version} · custodian {room.custodian} · ", wall])
    return [words, html.Div(_choices(), className="choices")]
