"""The group's own pages: Rooms, signing in once for all rooms, accounts; and the way into each room.

A request for "/hall-3/…" goes to the pages of that room where the person has an account in that room's
record. For everybody else, and for a room that there is not, the group answers, in the same words.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from pkgutil import get_data
from typing import Any

from dash import Dash
from flask import Blueprint, Flask, Response, render_template, request
from flask.sessions import SecureCookieSession

from logger.api import end_streams
from logger.api.door import token_in
from logger.api.problems import problem
from logger.errors import StillroomError
from logger.model.roles import Act
from logger.people import Account, Kind, People, Tokens
from logger.rooms import registry as listed
from logger.rooms.receipts import Receipts, SummaryRejected
from logger.rooms.registry import Registry, RoomEntry
from logger.rooms.roles import centre_of, refuse_older, spread_password
from logger.rooms.sightings import RoomState, Sightings
from logger.service.centre_post import PATH as SUMMARY
from logger.store import Store
from logger.store.secret import secret_key

from ..access import administration, sign_in
from ..access.guard import Guard, House, account_in_room, guard_of, session_cookie, undeclared
from ..access.needs import ANYONE, EXPECTED_BODIES, needs, visitor
from ..app import create_app, headers_of
from ..mount import Mount
from .overview import Choice, overview

NAME = "All rooms"
KEPT_S = 1.0  # one look at the summaries serves everybody for so long


@dataclass(frozen=True)
class GroupPages:
    """The group's application, in the shape that the guard wants."""

    server: Flask
    callback_map: dict[str, Any]


@needs(ANYONE)
def icon() -> Response:
    return Response(get_data("dash", "favicon.ico") or b"", mimetype="image/x-icon")


class Group:
    """The WSGI application for all rooms of a list."""

    def __init__(
        self,
        file: Path,
        *,
        names: Collection[str] = (),
        first: sign_in.First | None = None,
        tls: bool = False,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._file, self._names, self._tls, self._now_ns = file, names, tls, now_ns
        self._registry, self._stamp = listed.read(file), file.stat().st_mtime_ns
        with centre_of(self._registry, simulated=None):
            pass  # made where there is none
        self.store = Store.open(self._registry.accounts)
        self._sightings = Sightings(self._registry.centre)
        self._rooms: dict[str, Dash] = {}
        self._opening = threading.Lock()
        self._looking = threading.Lock()
        self._looked: tuple[float, list[RoomState]] = (-KEPT_S, [])
        self.server = self._create(first or sign_in.First())
        self.house = House(
            session_cookie(self.store.key), secret_key(self.store.folder), self._guard.sessions
        )
        self.extensions = {EXPECTED_BODIES: self}

    def end_streams(self) -> None:
        """End the event streams of every room, so that the server can stop."""
        for pages in tuple(self._rooms.values()):
            end_streams(pages.server)

    def close(self) -> None:
        """Let go of the group's record."""
        self.store.close()

    @property
    def registry(self) -> Registry:
        """The list of rooms as its file has it now; a file with a fault leaves the last good one."""
        stamp = self._file.stat().st_mtime_ns if self._file.exists() else self._stamp
        if stamp != self._stamp:
            try:
                self._registry, self._stamp = listed.read(self._file), stamp
            except StillroomError:
                return self._registry
        return self._registry

    def states(self) -> list[RoomState]:
        """Every room as it is now, the worst first."""
        with self._looking:
            now_s = time.monotonic()
            if now_s - self._looked[0] >= KEPT_S:
                self._looked = (now_s, self._sightings.look(self.registry, self._now_ns()))
            return self._looked[1]

    def claim(self, ticket: str, size: int) -> Any:
        """The buffer for a large body that a page of one of the rooms announced; None: nobody did."""
        for app in list(self._rooms.values()):
            bodies = app.server.extensions.get(EXPECTED_BODIES)
            buffer = bodies.claim(ticket, size) if bodies is not None else None
            if buffer is not None:
                return buffer
        return None

    def __call__(self, environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        """Answer a request: by the room that it is for, where the person may; else by the group."""
        key, slash, rest = environ.get("PATH_INFO", "/").lstrip("/").partition("/")
        entry = self.registry.rooms.get(key)
        if entry is None or not self._may_enter(environ, entry, rest):
            return self.server(environ, start)
        if not slash:
            return Response("", HTTPStatus.MOVED_PERMANENTLY, {"Location": f"/{key}/"})(environ, start)
        below = {**environ, "SCRIPT_NAME": f"/{key}", "PATH_INFO": f"/{rest}"}
        return self._room(entry)(below, start)

    def _may_enter(self, environ: dict[str, Any], entry: RoomEntry, rest: str) -> bool:
        """Whether the room answers: to its machines, to who holds a link of its mails, and to its people."""
        try:
            if rest.startswith("api/"):
                return self._holds_token(entry, environ.get("HTTP_AUTHORIZATION", ""))
            if rest.startswith("acknowledge/"):
                return self._holds_link(entry, rest.partition("/")[2])
            account = self._account(environ)
            if account is None or rest.partition("/")[0] in ("sign-in", "account", "accounts", "first", "as"):
                return False
            return account_in_room(guard_of(self._room(entry)).people, account) is not None
        except (StillroomError, OSError):
            return False

    def _holds_token(self, entry: RoomEntry, header: str) -> bool:
        """Whether a token of the room is in the header; the room's own door says for what and how."""
        tokens = Tokens(guard_of(self._room(entry)).people.store)
        return tokens.find(token_in(header, by_password=True)) is not None

    def _holds_link(self, entry: RoomEntry, token: str) -> bool:
        from logger.notify.links import read_permit

        read_permit(entry.data, token, self._now_ns())
        return bool(self._room(entry))

    def _account(self, environ: dict[str, Any]) -> Account | None:
        """Who has signed in to the group; None: nobody."""
        group_request = self.server.request_class(environ)
        held = self.server.session_interface.open_session(self.server, group_request)
        key = held.get("_user_id") if isinstance(held, SecureCookieSession) else None
        return self._guard.sessions.account(str(key), used=False) if key else None

    def room_pages(self, key: str) -> Dash:
        """The pages of a room, made when they are first asked for."""
        entry = self.registry.room(key)
        with self._opening:
            if key not in self._rooms:
                refuse_older(entry)
                mount = Mount(f"/{key}", self.house)
                self._rooms[key] = create_app(entry.data, names=self._names, tls=self._tls, mount=mount)
            return self._rooms[key]

    def _room(self, entry: RoomEntry) -> Flask:
        pages: Flask = self.room_pages(entry.key).server
        return pages

    def _create(self, first: sign_in.First) -> Flask:
        server = Flask("dashboard", static_folder="assets", static_url_path="/assets")
        server.config["SECRET_KEY"] = secret_key(self.store.folder)
        pages = GroupPages(server, {})
        self._add_pages(server)
        self._guard = Guard(pages, People(self.store), self._names)
        self._guard.elsewhere = tuple(act for act in Act if act not in (Act.OVERVIEW, Act.ADMINISTER))
        self._guard.install(tls=self._tls)
        self._guard.csrf.exempt(server.view_functions["no_machine"])
        self._guard.csrf.exempt(server.view_functions["no_machine_root"])
        self._guard.csrf.exempt(server.view_functions["summary"])
        self._guard.after_password = self._spread
        sign_in.register(self._guard, first, lambda: NAME)
        administration.register(self._guard, lambda: NAME)
        server.after_request(headers_of(tls=self._tls))
        if open_ends := undeclared(pages):
            raise TypeError(f"These declare no need: {', '.join(open_ends)}")
        return server

    def _spread(self, name: str, by: str) -> str:
        """Give the rooms the new password of an account; says where that did not go."""
        spread = spread_password(self.registry, self._guard.people, name, by)
        away = ", ".join(key for key, _ in spread.failed)
        return f"Not reached, and so with the old password still: {away}." if away else ""

    def _add_pages(self, server: Flask) -> None:
        """The group's own pages; each view says what it needs."""
        methods = ["GET", "POST", "PUT", "PATCH", "DELETE"]
        server.add_url_rule("/_favicon.ico", "icon", icon)
        server.add_url_rule("/", "/", self._page)
        server.add_url_rule("/rooms", "rooms", self._page)  # by which a room's pages lead back
        server.add_url_rule("/_rooms", "news", self._news)
        server.add_url_rule(SUMMARY, "summary", self._take_summary, methods=["POST"])
        server.add_url_rule("/<path:path>", "/<path:path>", self._nowhere)
        server.add_url_rule("/<path>/api/", "no_machine_root", self._no_machine, methods=methods)
        server.add_url_rule("/<path>/api/<path:rest>", "no_machine", self._no_machine, methods=methods)
        server.register_blueprint(Blueprint("group", __name__, template_folder="templates"))

    @needs(Act.OVERVIEW)
    def _page(self) -> Response:
        return Response(render_template("rooms.html", **self._context()))

    @needs(Act.OVERVIEW)
    def _news(self) -> Response:
        return Response(render_template("rooms_list.html", **self._context()))

    @needs(Act.OVERVIEW)
    def _nowhere(self, path: str) -> Response:  # noqa: ARG002 (it is the same whatever was asked for)
        page = render_template("nowhere.html", room=NAME, simulated=self.store.simulated)
        return Response(page, HTTPStatus.NOT_FOUND)

    _nowhere.takes_bodies = True  # type: ignore[attr-defined]  # it reads none, and says the same of all

    @needs(ANYONE)
    def _no_machine(self, path: str, rest: str = "") -> Response:  # noqa: ARG002
        """A request to the interface of a room without a token of that room."""
        why = "A bearer token of this record is expected."
        attempt = f"{request.method} {request.path}"
        self._guard.refusals.note("nobody", attempt, why, request.remote_addr or "", Kind.TOKEN)
        return problem("token-missing", why, headers={"WWW-Authenticate": 'Bearer realm="stillroom"'})

    @needs(ANYONE)
    def _take_summary(self) -> Response:
        """A room brings its signed summary: the signature is all that is asked for."""
        try:
            content = request.get_data(cache=False)
            listed_key = Receipts(self.registry.centre).take(content, self.registry, self._now_ns())
        except SummaryRejected as error:
            return Response(f"{error}\n", HTTPStatus.CONFLICT, mimetype="text/plain")
        return Response("", HTTPStatus.NO_CONTENT if listed_key else HTTPStatus.ACCEPTED)

    def _context(self) -> dict[str, Any]:
        filters = (request.args.get(name, "")[:120].strip() for name in ("q", "site", "custodian"))
        choice, now_ns = Choice(*filters), self._now_ns()
        page = overview(self.states(), choice, now_ns)
        who = visitor()
        name = who.person if who else ""
        waiting = [r.summary for r in Receipts(self.registry.centre).unlisted(self.registry)]
        unconfirmed = [(str(s.body["name"])[:60], s.key_name) for s in waiting]
        facts = {"page": page, "choice": choice, "who": name, "unconfirmed": unconfirmed}
        return {**facts, "simulated": self.store.simulated, "room": NAME}
