"""The web application: one process, everything served from here, nothing asked of another host.

create_app(folder)   the application, for a server or a test
serve(folder)        the application behind waitress, on loopback unless told otherwise
"""

from __future__ import annotations

import logging
import secrets
import socket
import time
from collections.abc import Callable, Collection
from pathlib import Path
from types import ModuleType
from typing import Any, Protocol

from dash import ClientsideFunction, Dash, Input, Output, State, html
from dash.development.base_component import Component
from flask import Response, abort, request

from logger.errors import StillroomError

from . import alert, asked, news
from .access import known_host
from .components import refusal
from .pages import excursions, inspections, now, trend
from .queries import Queries
from .shell import shell
from .source import Source, StoreSource

log = logging.getLogger(__name__)
# In the order of the navigation: what is now, what was, what is in the room, what stands behind it.
PAGES: tuple[ModuleType, ...] = (
    now,
    trend,
    excursions,
    inspections,
)


class Server(Protocol):
    """A bound server: `run` blocks until `close`."""

    def run(self) -> None: ...

    def close(self) -> None: ...


def create_app(
    store_folder: Path,
    *,
    source: Source | None = None,
    now_ns: Callable[[], int] = time.time_ns,
    tick_s: float = 5.0,
    names: Collection[str] = (),
) -> Dash:
    """The application for one data folder; pages ask for news every `tick_s`.

    `source` and `now_ns` let a test bring its own record and clock; `names` are host names, beside
    this machine's own, under which the pages may be asked for.
    """
    q = Queries(source or StoreSource(store_folder), now_ns, tick_s)
    app = Dash(
        __name__,
        use_async=False,
        update_title="",
        title="stillroom",
        suppress_callback_exceptions=True,
        assets_folder=str(Path(__file__).parent / "assets"),
        serve_locally=True,
        enable_mcp=False,
    )
    # A page has one language and one footer, and that is ours.
    index = app.index_string.replace("<html>", '<html lang="en">')
    app.index_string = index.replace("<footer>", "<div>").replace("</footer>", "</div>")
    app.server.config["SECRET_KEY"] = secrets.token_bytes(32)
    app.layout = lambda: shell(q, PAGES)
    for page in PAGES:
        page.register(app, q)
    alert.register(app, q)
    news.register(app, q)
    _route(app, q)
    _secure(app, {socket.gethostname(), socket.getfqdn(), *names})
    asked.guard(app)
    return app


def page_of(q: Queries, path: str, search: str) -> Component:
    """The page for an address; a fault that we raise ourselves is told in its place."""
    found = next((page for page in PAGES if (path.rstrip("/") or "/") == page.PATH), None)
    if found is None:
        return html.Div(
            [html.H1("There is no such page", className="page"), html.P(html.A("Go to Now", href="/"))]
        )
    try:
        drawn: Component = found.layout(q, search)
    except StillroomError as fault:
        drawn = html.Div([html.H1(found.TITLE, className="page"), refusal(str(fault))])
    return drawn


def _route(app: Dash, q: Queries) -> None:
    @app.callback(Output("page", "children"), Input("address", "pathname"), Input("address", "search"))
    def show(path: str | None, search: str | None) -> Component:
        return page_of(q, path or "/", search or "")

    in_browser: Any = app.clientside_callback  # without type information
    in_browser(
        ClientsideFunction("stillroom", "theme"),
        Output("mantine", "forceColorScheme"),
        Output("theme-toggle", "children"),
        Input("theme-toggle", "n_clicks"),
    )
    in_browser(
        ClientsideFunction("stillroom", "place"),
        Output("path", "data"),
        Input("address", "pathname"),
        State("path", "data"),
    )


def _secure(app: Dash, names: Collection[str]) -> None:
    """Headers of every answer; no request from a page of another origin. Called when all callbacks stand."""
    scripts = " ".join(["'self'", *app.csp_hashes()])
    policy = (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; worker-src 'self' blob:; "
        "frame-ancestors 'none'; object-src 'none'; base-uri 'self'; form-action 'self'"
    )
    headers = {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "X-Frame-Options": "DENY",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    }

    def same_origin() -> None:
        if not known_host(request.host, names):
            abort(421)
        origin = request.headers.get("Origin")
        if request.method != "GET" and origin and origin.partition("://")[2] != request.host:
            abort(403)

    def harden(response: Response) -> Response:
        response.headers.update(headers)
        return response

    app.server.before_request(same_origin)
    app.server.after_request(harden)


def bind(folder: Path, host: str = "127.0.0.1", port: int = 8060, **more: Any) -> Server:
    """A server that holds its port but does not run yet; OSError when the port is taken."""
    from waitress import create_server

    app = create_app(folder, **more)
    server: Server = create_server(
        app.server, host=host, port=port, threads=8, ident=None, clear_untrusted_proxy_headers=True
    )
    return server


def serve(
    folder: Path,
    host: str = "127.0.0.1",
    port: int = 8060,
    on_ready: Callable[[str], None] | None = None,
    *,
    names: Collection[str] = (),
) -> None:
    """Serve until interrupted. TLS is for a proxy in front; beyond loopback a real record takes no acts."""
    server = bind(folder, host, port, names=names)
    address = f"http://{host}:{port}/"
    log.info("serving %s at %s", folder, address)
    if on_ready is not None:
        on_ready(address)
    try:
        server.run()
    except KeyboardInterrupt:
        server.close()
