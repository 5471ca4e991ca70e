"""The accounts of others, for an administrator: made, given roles, disabled, given a new password.

Each act takes the administrator's own password and is journalled under the own name.
"""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus

from flask import Blueprint, Response, request

from logger.errors import Refused
from logger.model.roles import Act, Role, roles_of
from logger.people import Account, People, invented

from .guard import Guard
from .needs import needs
from .sign_in import confirmed, page, password_hint, twice


def register(guard: Guard, room: Callable[[], str]) -> None:
    """The routes of this module on the guarded application."""
    routes = Blueprint("administration", __name__, template_folder="templates")

    def form(status: int = HTTPStatus.OK, **more: object) -> Response:
        fields = {"accounts": guard.people.all(), "every_role": [role.value for role in Role]}
        fields |= {"hint": password_hint(), **more}
        return page("accounts.html", guard, room, status, **fields)

    @routes.get("/accounts")
    @needs(Act.ADMINISTER)
    def accounts() -> Response:
        return form()

    @routes.post("/accounts")
    @needs(Act.ADMINISTER)
    def change() -> Response:
        try:
            by = confirmed(guard, Act.ADMINISTER, request.form.get("own", ""))
            act = request.form.get("act", "")
            message = _carry_out(guard.people, act, by)
            if act == "password":
                message = f"{message} {guard.after_password(request.form.get('name', ''), by)}".strip()
        except Refused as refused:
            return form(HTTPStatus.BAD_REQUEST, refused=str(refused), given=request.form)
        return form(said=message)

    guard.app.server.register_blueprint(routes)


def _carry_out(people: People, act: str, by: str) -> str:
    """Do one act; gives what is said of it."""
    name, roles = request.form.get("name", ""), request.form.getlist("role")
    if act == "add":
        created = people.add(name, request.form.get("person", ""), roles_of(roles), twice(), by)
        return f"{created.person} signs in as {created.name}: {_roles(created)}."
    account = people.account(name)
    if invented.is_invented(people, account):
        raise Refused("The demo's invented people cannot be changed. Create another account.")
    if act == "roles":
        return f"{account.person}: {_roles(people.set_roles(name, roles_of(roles), by))}."
    if act == "password":
        people.set_password(name, twice(), by)
        return f"Password of {account.person} changed; all their sessions ended."
    if act in ("disable", "enable"):
        people.set_active(name, act == "enable", by)
        return f"The account of {account.person} is {'in use again' if act == 'enable' else 'disabled'}."
    raise Refused("Unknown action; nothing was changed.")


def _roles(account: Account) -> str:
    return ", ".join(role.value for role in Role if role in account.roles)
