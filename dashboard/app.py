"""The web application: one process, everything served from here, nothing asked of another host.

create_app(folder) is the application, for a server (`serving.py`) or a test.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import unquote, urlencode, urlsplit

from dash import ClientsideFunction, Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component
from flask import Response, has_request_context, request

from logger import api
from logger.errors import StillroomError
from logger.model.roles import Act, required_roles
from logger.people import People
from logger.store.secret import secret_key

from . import drawing
from .access import administration, sign_in
from .access.guard import ROUTES, Guard, csrf_cookie, undeclared
from .access.needs import ANYONE, allowed, needs
from .access.shared_answers import SharedAnswers
from .data.preferences import fahrenheit
from .data.queries import Queries
from .data.source import Source
from .first_paint import loading
from .mount import Mount, own_path
from .pages import (
    campaigns,
    cases,
    gradients,
    health,
    help,
    imports,
    inspections,
    journal,
    limits,
    now,
    position,
    probes,
    records,
    soak,
    study,
    trend,
    wall,
)
from .pages import mail_link as by_mail
from .parts import alert, news
from .parts.components import refusal
from .shell import above, shell

ASSETS = "_dash_assets.static"
CACHED = frozenset(name for name, need in ROUTES.items() if need == ANYONE)  # files of the program
WITH_CHARTS = ("/", "/trend", "/gradients")
# Asked for before the programs of the page are there, so that the server works while they are read.
LAYOUT = '<link rel="preload" as="fetch" crossorigin="anonymous" href="/_dash-layout">'
# In the order of the navigation: what is now, what was, what is in the room, what stands behind it.
PAGES: tuple[ModuleType, ...] = (
    now,
    trend,
    gradients,
    cases,
    inspections,
    soak,
    probes,
    imports,
    limits,
    study,
    campaigns,
    records,
    journal,
    health,
    help,
    wall,
    position,
)


def create_app(
    store_folder: Path,
    *,
    source: Source | None = None,
    now_ns: Callable[[], int] = time.time_ns,
    tick_s: float = 5.0,
    names: Collection[str] = (),
    first: sign_in.First | None = None,
    tls: bool = False,
    mount: Mount | None = None,
) -> Dash:
    """The application for one data folder; pages ask for news every `tick_s`.

    `source` and `now_ns` let a test bring its own record and clock; `names` are host names, beside
    this machine's own, under which the pages may be asked for. `first` opens the way to the first
    administrator; with `tls` cookies travel over nothing else. `mount`: below a path, as a room of a group.
    Raises where a part of it declares no need.
    """
    _whole_imports()
    source = source or Source(store_folder)
    q = Queries(source, now_ns, tick_s)
    app = _empty_pages(source, mount)
    app.layout = lambda: shell(q, PAGES, *first_page(q))
    app.loading = lambda: loading(q, above(q, PAGES)) if allowed(now.NEEDS) else ""
    for page in PAGES:
        page.register(app, q)
    alert.register(app, q)
    rhythm = news.Rhythm()
    news.register(app, q, rhythm)
    drawing.install(app)
    _route(app, q)
    house = mount.house if mount else None
    guard = Guard(app, People(source.store), names, source.current.config.sessions, house)
    guard.install(tls=tls)
    sign_in.register(guard, first or sign_in.First(), lambda: q.room.name)
    by_mail.register(guard, q)
    administration.register(guard, lambda: q.room.name)
    interface = api.blueprint(source.current, guard.refusals)
    guard.csrf.exempt(interface)  # a token is no cookie: no page can send it along unseen
    app.server.register_blueprint(interface)
    api.problems.install(app.server)
    _harden(app, tls=tls)
    app.server.after_request(_say_missing)
    if mount:
        mount.install(app.server)
    _refuse_undeclared(app)
    shared = SharedAnswers(app.server.wsgi_app, lambda: app.callback_map, fahrenheit)
    shared.pulse(news.PATH, rhythm.count)
    shared.install(app.server)
    return app


def _empty_pages(source: Source, mount: Mount | None) -> Pages:
    """The application without a page: its assets, its language, the paths and the secret of its cookies."""
    app = Pages(
        __name__,
        use_async=False,
        update_title="",
        title="stillroom",
        suppress_callback_exceptions=True,
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_path_ignore=["drawing"],
        serve_locally=True,
        enable_mcp=False,
        csrf_token_name=csrf_cookie(source.store.key),
        requests_pathname_prefix=f"{mount.prefix}/" if mount else None,
        routes_pathname_prefix="/" if mount else None,
    )
    # A page has one language and one footer, and that is ours.
    index = app.index_string.replace("<html>", '<html lang="en">')
    app.index_string = index.replace("<footer>", "<div>").replace("</footer>", "</div>")
    app.server.config["SECRET_KEY"] = mount.house.secret if mount else secret_key(source.store.folder)
    return app


class Pages(Dash):
    """Dash whose pages ask at once for what a chart needs, and whose page Now says its verdicts at once."""

    loading: Callable[[], str] = staticmethod(lambda: "")

    def interpolate_index(self, metas: str = "", **parts: Any) -> str:  # type: ignore[override]
        """The page of an address; of one with charts, with the program that draws them fetched ahead."""
        metas += LAYOUT
        if request.path in WITH_CHARTS:
            metas += drawing.fetched_ahead()
        if request.path == "/" and (first := self.loading()):
            metas += drawing.theme_first(self.get_asset_url)
            parts["app_entry"] = f'<div id="react-entry-point">{first}</div>'
        page: str = super().interpolate_index(metas=metas, **parts)  # type: ignore[no-untyped-call]
        return page


def first_page(q: Queries) -> tuple[list[Component], list[str] | None]:
    """The page for which a browser asks for the frame, and its address; nothing where that cannot be told.

    It saves the browser one question before anything shows. Whose question it is stands in the Referer,
    which pages of ours always send; it decides on nothing but what is shown first.
    """
    if not has_request_context() or not request.referrer:
        return [], None
    asker = urlsplit(request.referrer)
    if asker.netloc != request.host:
        return [], None
    search, path = f"?{asker.query}" if asker.query else "", own_path(asker.path)
    return content_of(q, path, search), [path, search]


def content_of(q: Queries, path: str, search: str) -> list[Component]:
    """What stands in `#page` at an address."""
    return [page_of(q, path, search), *help.help_link(path)]


def _whole_imports() -> None:
    """pyarrow imports pandas where it is installed, at its first use; here, before there are threads.

    Plotly looks into pandas once it is known, and an answer that met a half-imported one failed.
    """
    with suppress(ImportError):
        import_module("pandas")


def _refuse_undeclared(app: Dash) -> None:
    open_ends = [*undeclared(app), *(page.__name__ for page in PAGES if not hasattr(page, "NEEDS"))]
    if open_ends:
        raise TypeError(f"These declare no need, see DEVELOPERS.md, Who may do what: {', '.join(open_ends)}")


def page_of(q: Queries, path: str, search: str) -> Component:
    """The page for an address; a fault that we raise ourselves is told in its place."""
    match, search = _page_and_question(path.rstrip("/") or "/", search)
    if match is None:
        return html.Div(
            [
                html.H1("Page not found", className="page"),
                html.P(["No page has this address. ", html.A("Go to Now", href="/")]),
            ]
        )
    if not allowed(match.NEEDS):
        return html.Div([html.H1(match.TITLE, className="page"), refusal(_not_yours(match.NEEDS))])
    try:
        drawn: Component = match.layout(q, search)
    except StillroomError as fault:
        drawn = html.Div([html.H1(match.TITLE, className="page"), refusal(str(fault))])
    return drawn


def _page_and_question(path: str, search: str) -> tuple[ModuleType | None, str]:
    """The page of an address, and what is asked of it; of /positions/KEY the end is a key."""
    for page in PAGES:
        if path == page.PATH:
            return page, search
        if getattr(page, "BELOW", False) and path.startswith(f"{page.PATH}/"):
            return page, urlencode({"key": unquote(path.removeprefix(f"{page.PATH}/"))})
    return None, search


def _not_yours(act: Act) -> str:
    return f"Your role does not allow this: {act}. Needed: {required_roles(act)}."


def _route(app: Dash, q: Queries) -> None:
    @app.callback(
        Output("page", "children"),
        Output("shown", "data"),
        Input("address", "pathname"),
        Input("address", "search"),
        State("shown", "data"),
    )
    @needs(Act.READ)
    def show(path: str | None, search: str | None, shown: list[str] | None) -> tuple[Any, Any]:
        address = [own_path(path), search or ""]
        if shown == address:  # it came with the frame
            return no_update, no_update
        return content_of(q, *address), address

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


def _harden(app: Dash, *, tls: bool) -> None:
    """Headers of every answer. Called when all callbacks stand."""
    app.server.after_request(headers_of(tls=tls, scripts=app.csp_hashes()))


def _say_missing(answer: Response) -> Response:
    """An address without a page is 404, also for a program; the browser shows the same words as before.

    Dash answers each address with the frame, since it is the browser that draws the page.
    """
    rule = request.url_rule
    if answer.status_code == 200 and rule is not None and rule.rule.endswith("<path:path>"):
        page, _ = _page_and_question(request.path.rstrip("/") or "/", "")
        if page is None:
            answer.status_code = 404
    return answer


def headers_of(*, tls: bool, scripts: Iterable[str] = ()) -> Callable[[Response], Response]:
    """What puts the headers on an answer; `scripts` are digests of scripts that stand in pages."""
    sources = " ".join(["'self'", *scripts])
    policy = (
        f"default-src 'self'; script-src {sources}; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; worker-src 'self' blob:; "
        "frame-ancestors 'none'; object-src 'none'; base-uri 'self'; form-action 'self'"
    )
    headers = {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "same-origin",  # with none, a browser names no origin for a form of ours
        "X-Frame-Options": "DENY",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    }
    if tls:
        headers["Strict-Transport-Security"] = "max-age=31536000"

    def harden(response: Response) -> Response:
        response.headers.update(headers)
        if request.blueprint == api.NAME:
            return response  # the interface says itself what a program may keep
        if request.endpoint not in CACHED:
            response.headers["Cache-Control"] = "no-store"  # what was shown stays on no shared machine
        elif request.endpoint in (ASSETS, "static") and "m" in request.args:
            response.headers["Cache-Control"] = "max-age=31536000, immutable"  # its address names its version
        return response

    return harden
