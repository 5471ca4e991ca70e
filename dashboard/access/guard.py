"""The door of the pages: each request is held against what its part declares; by default nobody gets in."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import quote

from dash.exceptions import DashException
from flask import Flask, Request, Response, abort, g, redirect, request, session
from flask.sessions import SecureCookieSession, SecureCookieSessionInterface, SessionMixin
from flask_login import LoginManager, UserMixin, current_user, login_user, logout_user
from flask_wtf.csrf import CSRFError, CSRFProtect, generate_csrf
from werkzeug.wrappers import Response as Answer

from logger.errors import StoreError
from logger.model import SessionPlan
from logger.model.roles import Act, required_roles
from logger.people import Account, People, Refusals, Sessions, Throttle, invented
from logger.store.origin import ORIGIN

from . import request_check
from .needs import ANYONE, Need, at_this_machine, known_host
from .outage import outage_answer

log = logging.getLogger(__name__)
CALLBACKS = request_check.PATH
PAGES = ("/", "/<path:path>")
API = "/api/"
# Routes of Dash and Flask that we did not write. Assets hold no data; the sign-in page needs them.
ROUTES: Mapping[str, Need] = {
    "static": ANYONE,
    "_dash_assets.static": ANYONE,
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": ANYONE,
    "/_favicon.ico": ANYONE,
    "/_dash-layout": Act.READ,
    "/_dash-dependencies": Act.READ,
    "/_reload-hash": Act.READ,
    "/": Act.READ,
    "/<path:path>": Act.READ,
}
FORM_BYTES, CALL_BYTES = 16 << 10, 1 << 20


class SignedIn(UserMixin):  # type: ignore[misc]  # without type information
    """What flask-login holds: the key of a session and whose it is."""

    def __init__(self, key: str, account: Account) -> None:
        self.id = key
        self.account = account


class PagesSession(SecureCookieSessionInterface):
    """Sessions are for pages: under /api/ none is read, set or asked for."""

    def open_session(self, app: Flask, request: Request) -> SecureCookieSession | None:
        if request.path.startswith(API):
            return SecureCookieSession()
        return super().open_session(app, request)

    def save_session(self, app: Flask, session: SessionMixin, response: Response) -> None:
        if not request.path.startswith(API):
            super().save_session(app, session, response)


class Guarded(Protocol):
    """An application with its routes and, where Dash made it, its callbacks."""

    @property
    def server(self) -> Any: ...

    @property
    def callback_map(self) -> Any: ...


@dataclass(frozen=True)
class House:
    """The group whose people sign in once for the pages of all its rooms: its cookie, key and sessions."""

    cookie: str
    secret: bytes
    sessions: Sessions


def guard_of(server: Flask) -> Guard:
    """The door of an application, for a callback that asks for a password."""
    guard: Guard = server.extensions[__name__]
    return guard


class Guard:
    """Sign-in and permission for one application.

    `house`, for a room of a group: the group knows who asks; what they may stands in the room's own record.
    """

    def __init__(
        self,
        app: Guarded,
        people: People,
        names: Collection[str] = (),
        plan: SessionPlan | None = None,
        house: House | None = None,
    ) -> None:
        self.app, self.people, self.simulated = app, people, people.store.simulated
        self.plan, self.house = plan or SessionPlan(), house
        self.sessions = house.sessions if house else Sessions(people, self.plan)
        # What a new password has to reach besides, with the account and by whom; says what it did not reach.
        self.after_password: Callable[[str, str], str] = lambda _name, _by: ""
        self.elsewhere: Collection[Act] = (Act.OVERVIEW,)  # what these pages have no part of
        self.refusals, self.throttle = Refusals(people.store), Throttle()
        self._names = {socket.gethostname(), *names}  # and none that a name server would have to be asked for
        self._csrf_cookie = csrf_cookie(people.store.key)
        if self.simulated:
            invented.settle(people)

    def install(self, *, tls: bool = False) -> None:
        """Put this door before every route of the application."""
        server = self.app.server
        server.extensions[__name__] = self
        server.session_interface = PagesSession()
        server.config.update(
            SESSION_COOKIE_NAME=self.house.cookie if self.house else session_cookie(self.people.store.key),
            SESSION_COOKIE_PATH="/",
            SESSION_COOKIE_HTTPONLY=True,
            SESSION_COOKIE_SAMESITE="Strict",
            SESSION_COOKIE_SECURE=tls,
            SESSION_REFRESH_EACH_REQUEST=False,
            PERMANENT_SESSION_LIFETIME=round(max(self.plan.reader_s, self.plan.longest_s)),
            WTF_CSRF_TIME_LIMIT=None,  # as long as the session, or an open page would die after an hour
            WTF_CSRF_SSL_STRICT=False,  # we send no referrer; the origin is checked below
            MAX_FORM_MEMORY_SIZE=FORM_BYTES,
        )
        login = LoginManager(server)
        login.session_protection = None  # tablets change their address; the key is what counts
        login.user_loader(self._load)
        server.before_request(self._stranger)
        server.before_request(self._account_of_request)
        server.before_request(self._permitted)
        self.csrf = CSRFProtect(server)
        server.after_request(self._csrf_token)
        server.teardown_request(lambda _: ORIGIN.set(None))
        server.register_error_handler(CSRFError, lambda fault: (f"{fault.description}\n", 400))
        server.register_error_handler(DashException, lambda _: ("Page not found.\n", 404))
        server.register_error_handler(StoreError, lambda fault: outage_answer(fault, self.simulated))
        if CALLBACKS in server.view_functions:
            server.view_functions[CALLBACKS] = request_check.answering(server.view_functions[CALLBACKS])

    # Who is it?

    def _load(self, key: str) -> SignedIn | None:
        used = self._by_a_person()
        account = self.sessions.account(str(key), used=used)
        if self.house is not None and account is not None:
            account = account_in_room(self.people, account)
        return None if account is None else SignedIn(key, account)

    @staticmethod
    def _by_a_person() -> bool:
        if request.endpoint == "news":
            return False
        return request.endpoint != CALLBACKS or not request_check.by_itself(request_check.body())

    def _account_of_request(self) -> None:
        """Whose request this is; who visits a demonstration here is an invented person at once."""
        if ROUTES.get(str(request.endpoint)) == ANYONE:
            return  # a file of the program: nobody has to be looked up in the record for it
        g.account = current_user.account if current_user.is_authenticated else None
        if g.account is None and self.welcomes() and request.method == "GET" and request.endpoint in PAGES:
            self.enter(self.people.account(invented.FIRST), remembered=True)
        if g.account is not None:
            ORIGIN.set({"at": "dashboard", "account": g.account.name})

    def welcomes(self) -> bool:
        """Whether this visitor may be any of the invented people."""
        return self.simulated and not self.house and at_this_machine() and "signed_out" not in session

    def enter(self, account: Account, *, remembered: bool = False) -> None:
        """A fresh session: nothing that was there before signing in goes on to hold."""
        if "_user_id" in session:
            self.sessions.end(str(session["_user_id"]))
        session.clear()
        session.permanent = remembered or account.only_reads
        login_user(SignedIn(self.sessions.begin(account.name), account))
        g.account = account
        g.pop("csrf_token", None)  # the token that was made for the session before

    def leave(self) -> None:
        """Sign out: the session ends here, and not only in the browser."""
        if "_user_id" in session:
            self.sessions.end(str(session["_user_id"]))
        logout_user()
        session.clear()
        g.account = None
        if self.simulated:
            session["signed_out"] = True  # else the demonstration would sign in again at once

    # May it?

    def _stranger(self) -> None:
        """No page of another origin, and no stranger's name for this machine."""
        g.account = None
        if not known_host(request.host, self._names):
            abort(421)
        if request.method in ("GET", "HEAD", "OPTIONS"):
            return
        origin = request.headers.get("Origin")
        foreign = origin and origin.partition("://")[2] != request.host
        if foreign or request.headers.get("Sec-Fetch-Site") in ("cross-site", "same-site"):
            abort(403)

    def _permitted(self) -> Answer | None:
        if request.endpoint is None or request.blueprint == "api":
            return None  # there is no such route, and Flask says so; or the interface has its own door
        bounded = not hasattr(self.app.server.view_functions[str(request.endpoint)], "takes_bodies")
        request.max_content_length = FORM_BYTES if bounded else None
        need = self.need()
        if need == ANYONE:
            return None
        who: Account | None = g.account
        if need is not None and who is not None and who.may(Act(need)):
            return None
        return self._refuse(need, who)

    def need(self) -> Need | None:
        """What the part that is asked for declares; None: nothing, and so nobody may."""
        endpoint = str(request.endpoint)
        if endpoint != CALLBACKS:
            return need_of(self.app, endpoint)
        if g.account is None:
            return Act.READ
        request.max_content_length = CALL_BYTES
        need: Need | None = getattr(request_check.callback_of(self.app, request_check.body()), "needs", None)
        return need

    def _refuse(self, need: Need | None, who: Account | None) -> Answer:
        page = request.method == "GET" and request.endpoint in PAGES
        if who is None:
            if page and request.headers.get("Sec-Fetch-Site") == "cross-site":
                return _again()
            if page:
                address = request.script_root + request.full_path.rstrip("?")
                return redirect("/sign-in" + ("" if address == "/" else f"?next={quote(address)}"))
            self.refusals.note("nobody", _attempt(), "not signed in", request.remote_addr or "")
            return Response("Sign in first.\n", 401, mimetype="text/plain")
        why = f"may not {need}" if need else "closed"
        self.refusals.note(who.person, _attempt(), why, request.remote_addr or "")
        return self._refusal(_refused(need))

    def _refusal(self, why: str) -> Response:
        """A page for a browser that wants one, else a line of text."""
        if request.method != "GET" or "text/html" not in request.headers.get("Accept", ""):
            return Response(why, 403, mimetype="text/plain")
        fields = {"title": "Not allowed", "room": "stillroom", "simulated": self.simulated, "refused": why}
        home = f"{request.script_root}/"
        return Response(
            self.app.server.jinja_env.get_template("refused.html").render(**fields, home=home), 403
        )

    def _csrf_token(self, response: Response) -> Response:
        """The token that Dash sends back with each call; told with the page, not with each tick."""
        if g.get("account") is not None and request.endpoint in PAGES and response.status_code == 200:
            tls = bool(self.app.server.config["SESSION_COOKIE_SECURE"])
            response.set_cookie(self._csrf_cookie, generate_csrf(), samesite="Strict", secure=tls)
        return response


def session_cookie(record: str) -> str:
    """The cookie of a session on one record; cookies do not tell ports apart, records do."""
    return f"stillroom-{record[:8]}"


def account_in_room(people: People, account: Account) -> Account | None:
    """The account in use that a person of a group has in a room; None: none, and so no rights there."""
    there = people.find(account.name)
    return there if there is not None and there.active and there.person == account.person else None


def csrf_cookie(record: str) -> str:
    """The cookie with the token against forged requests; cookies do not tell ports apart, records do."""
    return f"stillroom-csrf-{record[:8]}"


def need_of(app: Guarded, endpoint: str) -> Need | None:
    """What a route declares, by its own `@needs` or for Dash's in ROUTES."""
    view = app.server.view_functions[endpoint]
    if hasattr(view, "scope"):
        return ANYONE  # as a person; the interface's own door asks for a token with that scope
    need: Need | None = getattr(view, "needs", ROUTES.get(endpoint))
    return need


def undeclared(app: Guarded) -> list[str]:
    """Routes and callbacks that declare no need; there must be none."""
    routes = [r.endpoint for r in app.server.url_map.iter_rules() if need_of(app, r.endpoint) is None]
    callbacks = [
        getattr(declared["callback"], "__qualname__", output)
        for output, declared in app.callback_map.items()
        if "callback" in declared and not hasattr(declared["callback"], "needs")
    ]
    return [*(name for name in routes if name != CALLBACKS), *callbacks]


def _attempt() -> str:
    if request.endpoint != CALLBACKS or g.account is None:
        return f"{request.method} {request.path}"
    return f"callback {request_check.body()['output']}"


def _refused(need: Need | None) -> str:
    """That a role does not allow something, and which would."""
    needed = f" Needed: {required_roles(need)}." if isinstance(need, Act) else ""
    return f"Your role does not allow this.{needed}\n"


def _again() -> Response:
    """A link from elsewhere (a mail) brings no strict cookie; asked once more by our own page, it does."""
    again = '<!doctype html><html lang="en"><title>stillroom</title><meta http-equiv="refresh" content="0">'
    return Response(again + "<p>One moment.</p></html>", mimetype="text/html")
