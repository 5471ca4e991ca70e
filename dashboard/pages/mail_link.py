"""Acknowledging from a mail: the link shows what it is about, and asks before it acts. Opening it never acts.

Mail programs and scanners open links by themselves; hence a form. Who holds the link needs no account: it was
signed for one person, one alarm and one notice, and the record says that it came by mail.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from flask import Blueprint, Response, render_template, request

from logger.acts.alarms import acknowledge_by_mail, comment_of, refuse_used_link
from logger.errors import StillroomError
from logger.notify.links import Permit, read_permit
from logger.store.origin import ORIGIN

from ..access.guard import Guard
from ..access.needs import ANYONE, needs
from ..data.queries import Queries
from ..data.words import sentence
from ..parts.todo import alarm_words

LONGEST_COMMENT = 4000


def register(guard: Guard, q: Queries) -> None:
    """The routes of this module on the guarded application."""
    routes = Blueprint("by_mail", __name__, template_folder="templates")

    def page(status: int = HTTPStatus.OK, **more: Any) -> Response:
        context = {
            "room": q.room.name,
            "simulated": guard.simulated,
            "refused": "",
            "permit": None,
            "typed": "",
            **more,
        }
        return Response(render_template("acknowledge.html", **context), status)

    def permit_of(token: str) -> Permit:
        permit = read_permit(q.source.store.folder, token, q.now_ns())
        refuse_used_link(guard.people.store, permit)
        return permit

    @routes.get("/acknowledge/<token>")
    @needs(ANYONE)
    def show(token: str) -> Response:
        try:
            permit = permit_of(token)
        except StillroomError as refused:
            return page(HTTPStatus.GONE, refused=str(refused))
        return page(permit=permit, **_words(q, permit))

    @routes.post("/acknowledge/<token>")
    @needs(ANYONE)
    def act(token: str) -> Response:
        typed = request.form.get("comment", "")[:LONGEST_COMMENT]
        try:
            permit = permit_of(token)
        except StillroomError as refused:
            return page(HTTPStatus.CONFLICT, refused=str(refused))
        try:
            comment_of(typed)
        except StillroomError as refused:  # the link still holds, and the form comes again
            return page(
                HTTPStatus.BAD_REQUEST, permit=permit, typed=typed, refused=str(refused), **_words(q, permit)
            )
        try:
            ORIGIN.set({"at": "link in a mail"})
            acknowledge_by_mail(guard.people.store, permit, typed, q.now_ns())
        except StillroomError as refused:
            return page(HTTPStatus.CONFLICT, refused=str(refused))
        return page(done=permit)

    guard.app.server.register_blueprint(routes)


def _words(q: Queries, permit: Permit) -> dict[str, Any]:
    alarm = next((a for a in q.alarms() if a.alarm.key == permit.alarm), None)
    if alarm is None:
        return {"what": permit.alarm, "since": "", "action": ""}
    what, since = alarm_words(alarm, q)
    return {"what": what, "since": since, "action": sentence(alarm.spec.action)}
