"""Signing in and out, one's own account, and the first administrator: plain pages that need no script."""

from __future__ import annotations

import hmac
import re
import secrets
import time
from collections.abc import Callable
from http import HTTPStatus
from pathlib import Path
from typing import Any

from flask import (
    Blueprint,
    Response,
    current_app,
    g,
    has_request_context,
    redirect,
    render_template,
    request,
    session,
)
from werkzeug.wrappers import Response as Answer

from logger.errors import Refused
from logger.model.roles import SIGNED_BY, Act, Role
from logger.people import Kind, People, TooOften, invented
from logger.store import Store
from logger.store.origin import ORIGIN

from . import known_browser
from .guard import Guard, guard_of
from .needs import ANYONE, acting, at_this_machine, needs, visitor

_OWN_PATH = re.compile(r"/(?![/\\])[\w\-./?=&%:+~]*")
FIRST_S = 3600.0  # how long the code for the first administrator opens


class First:
    """The code by which the first administrator is made: told on the server's terminal, once, for an hour."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.code, self._clock = secrets.token_urlsafe(18), clock
        self._until = clock() + FIRST_S

    def opens(self, code: str) -> bool:
        """Whether this is the code, in time, and asked from this machine."""
        same = hmac.compare_digest(code.encode(), self.code.encode())
        return same and self._clock() < self._until and at_this_machine()


def wanted_first(folder: Path) -> bool:
    """Whether nobody could sign in to this data folder yet."""
    with Store.open(folder) as store:
        return not People(store).all()


def register(guard: Guard, first: First, room: Callable[[], str]) -> None:
    """The routes of this module on the guarded application."""
    routes = Blueprint("people", __name__, template_folder="templates")
    _sign_in_routes(routes, guard, room)
    _guest_routes(routes, guard, room)
    _own_account(routes, guard, room)
    _first(routes, guard, first, room)
    guard.app.server.register_blueprint(routes)


def page(template: str, guard: Guard, room: Callable[[], str], status: int = 200, **more: Any) -> Response:
    """A plain page of ours, told who reads it and which room it is."""
    fields = {"room": room(), "simulated": guard.simulated, "refused": "", **more}
    return Response(render_template(template, **fields), status)


def _sign_in_form(guard: Guard, room: Callable[[], str], status: int = 200, **more: Any) -> Response:
    guests = invented.PEOPLE if guard.simulated and at_this_machine() else ()
    fields = {"name": "", "next": _next(), "guests": guests, "password": invented.PASSWORD, **more}
    fields["empty"] = not guard.people.all()
    return page("sign_in.html", guard, room, status, **fields)


def _sign_in_routes(routes: Blueprint, guard: Guard, room: Callable[[], str]) -> None:
    @routes.get("/sign-in")
    @needs(ANYONE)
    def sign_in() -> Response:
        return _sign_in_form(guard, room)

    @routes.post("/sign-in")
    @needs(ANYONE)
    def signing_in() -> Answer:
        name, password = request.form.get("name", "")[:200], request.form.get("password", "")
        address = request.remote_addr or ""
        try:
            mark = known_browser.mark_of(guard.app.server, name)
            guard.throttle.admit(name, address, mark)
        except TooOften as often:
            _refused_sign_in(guard, name, "too many tries")
            answer = _sign_in_form(guard, room, HTTPStatus.TOO_MANY_REQUESTS, refused=str(often), name=name)
            answer.headers["Retry-After"] = str(often.wait_s)
            return answer
        account = guard.people.authenticate(name, password)
        if account is None or (invented.is_invented(guard.people, account) and not at_this_machine()):
            _refused_sign_in(guard, name, "wrong name or password")
            return _sign_in_form(
                guard, room, HTTPStatus.UNAUTHORIZED, refused="Name or password is wrong.", name=name
            )
        guard.throttle.note_success(name, address, mark)
        guard.enter(account)
        what = {"act": "sign-in", "account": account.name, "address": address}
        guard.people.store.journal.append("account", account.person, what)
        onward = redirect(_next())
        known_browser.remember(guard.app.server, onward, account.name)
        return onward


def _guest_routes(routes: Blueprint, guard: Guard, room: Callable[[], str]) -> None:
    @routes.post("/as/<name>")
    @needs(ANYONE)
    def guest(name: str) -> Answer:
        """Go on as one of the invented people of a demonstration."""
        account = guard.people.find(name)
        if account is None or not invented.is_invented(guard.people, account) or not at_this_machine():
            return _sign_in_form(
                guard,
                room,
                HTTPStatus.FORBIDDEN,
                refused="Only the demo's invented people can sign in without a password.",
            )
        guard.enter(account, remembered=True)
        return redirect(_next())

    @routes.post("/sign-out")
    @needs(ANYONE)
    def sign_out() -> Answer:
        guard.leave()
        return redirect("/sign-in")


def _refused_sign_in(guard: Guard, name: str, why: str) -> None:
    """For the journal: whose account was tried. Names that are none are one attempt together."""
    account = guard.people.find(name)
    who = f"sign-in as {account.name}" if account else "sign-in by a name that has no account"
    guard.refusals.note("nobody", who, f"{why}, {name[:64]!r}", request.remote_addr or "", Kind.SIGN_IN)


def _session_key() -> str:
    return str(session.get("_user_id", ""))


def _own_account(routes: Blueprint, guard: Guard, room: Callable[[], str]) -> None:
    def form(status: int = 200, **more: Any) -> Response:
        who = visitor()
        guests = invented.PEOPLE if guard.simulated and at_this_machine() else ()
        roles = [role.value for role in Role if who and role in who.roles]
        mays = [act.value for act in Act if who and who.may(act) and act not in guard.elsewhere]
        onward = _next() if "next" in request.values else "/account"
        fields = {"who": who, "roles": roles, "mays": mays, "guests": guests, "next": onward, **more}
        return page("account.html", guard, room, status, **fields)

    @routes.get("/account")
    @needs(Act.READ)
    def account() -> Response:
        return form()

    @routes.post("/account/password")
    @needs(Act.READ)
    def password() -> Answer:
        mine, address, key = g.account, request.remote_addr or "", _session_key()
        try:
            guard.throttle.admit_signature(mine.name, key)
            if invented.is_invented(guard.people, mine):
                raise Refused("The password of an invented person is on the sign-in page and stays.")
            if guard.people.authenticate(mine.name, request.form.get("password", "")) is None:
                guard.refusals.note(
                    mine.person, "change of password", "wrong password", address, Kind.SIGNATURE
                )
                raise Refused("Current password is wrong. Nothing was changed.")
            guard.people.set_password(mine.name, twice(), mine.person)
        except Refused as refused:
            return form(HTTPStatus.BAD_REQUEST, refused=str(refused))
        guard.throttle.note_signature(mine.name, key)
        guard.enter(mine)
        more = guard.after_password(mine.name, mine.person)
        message = "Password changed. Your other sessions ended."
        return form(said=f"{message} {more}".strip())


def _first(routes: Blueprint, guard: Guard, first: First, room: Callable[[], str]) -> None:
    def form(status: int = 200, **more: Any) -> Response:
        others = [role.value for role in Role if role is not Role.ADMINISTRATOR]
        return page("first.html", guard, room, status, others=others, code=_code(), **more)

    def closed() -> Response | None:
        """Why no first administrator can be made now; None: one can."""
        if guard.people.all():
            return form(HTTPStatus.GONE, closed="Accounts exist already. An administrator can create more.")
        address = request.remote_addr or ""
        if not first.opens(_code()):
            guard.refusals.note("nobody", "first account", "no code of this start", address, Kind.SIGN_IN)
            return form(
                HTTPStatus.FORBIDDEN,
                closed="Enter the code shown in the server's terminal. It is valid for 1 h after the start.",
            )
        return None

    @routes.get("/first")
    @needs(ANYONE)
    def opening() -> Response:
        return closed() or form()

    @routes.post("/first")
    @needs(ANYONE)
    def making() -> Answer:
        if (shut := closed()) is not None:
            return shut
        fields = request.form
        try:
            roles = [Role(role) for role in fields.getlist("role") if role in set(Role)]
            person = fields.get("person", "")
            account = guard.people.add(
                fields.get("name", ""), person, {*roles, Role.ADMINISTRATOR}, twice(), person.strip()
            )
        except Refused as refused:
            return form(HTTPStatus.BAD_REQUEST, refused=str(refused), given=fields)
        guard.enter(account)
        return redirect("/")


def twice() -> str:
    """The new password of a form, which was typed twice."""
    first, again = request.form.get("new", ""), request.form.get("again", "")
    if first != again:
        raise Refused("The two new passwords differ. Nothing was changed.")
    return first


def _code() -> str:
    return request.values.get("code", "")[:100]


def _next() -> str:
    """Where to go on: a path of ours, never another host."""
    address = request.values.get("next", "/")
    return address if _OWN_PATH.fullmatch(address) else "/"


def password_hint() -> str:
    """What stands beside a field for a password: in a demonstration the password itself, else nothing."""
    mine = visitor() if has_request_context() else None
    if mine is None or not at_this_machine():
        return ""
    is_shown = invented.is_invented(guard_of(current_app).people, mine)
    return f"{mine.person} is invented; the password is “{invented.PASSWORD}”." if is_shown else ""


def confirmed(guard: Guard, act: Act, password: str) -> str:
    """The visitor once more by password, for a signature; gives the name, Refused otherwise.

    The journal's entries of this call then say that they are signed, and with what meaning.
    """
    name, mine, address = acting(act), visitor(), request.remote_addr or ""
    assert mine is not None  # noqa: S101 (acting would have refused)
    guard.throttle.admit_signature(mine.name, _session_key())
    if guard.people.authenticate(mine.name, password) is None:
        guard.refusals.note(name, act.value, "wrong password", address, Kind.SIGNATURE)
        raise Refused("The password is wrong. Nothing was signed.")
    guard.throttle.note_signature(mine.name, _session_key())
    meaning = next((m.value for m, takes in SIGNED_BY.items() if takes is act), "confirmed")
    ORIGIN.set({"at": "dashboard", "account": mine.name, "signed": meaning})
    return name
