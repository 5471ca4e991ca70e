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

    @routes.get("/acknowledge/<token>")
    @needs(ANYONE)
    def show(token: str) -> Response:
        try:
            permit = _permit_of(guard, q, token)
        except StillroomError as refused:
            return _page(guard, q, HTTPStatus.GONE, refused=str(refused))
        return _page(guard, q, permit=permit, **_words(q, permit))

    @routes.post("/acknowledge/<token>")
    @needs(ANYONE)
    def act(token: str) -> Response:
        return _acknowledged(guard, q, token, request.form.get("comment", "")[:LONGEST_COMMENT])

    guard.app.server.register_blueprint(routes)


def _acknowledged(guard: Guard, q: Queries, token: str, comment: str) -> Response:
    """The page after the form was sent; without a comment the link still holds, and the form comes again."""
    try:
        permit = _permit_of(guard, q, token)
    except StillroomError as refused:
        return _page(guard, q, HTTPStatus.CONFLICT, refused=str(refused))
    try:
        comment_of(comment)
    except StillroomError as refused:
        words = _words(q, permit)
        status = HTTPStatus.BAD_REQUEST
        return _page(guard, q, status, permit=permit, typed=comment, refused=str(refused), **words)
    try:
        ORIGIN.set({"at": "link in a mail"})
        acknowledge_by_mail(guard.people.store, permit, comment, q.now_ns())
    except StillroomError as refused:
        return _page(guard, q, HTTPStatus.CONFLICT, refused=str(refused))
    return _page(guard, q, done=permit)


def _permit_of(guard: Guard, q: Queries, token: str) -> Permit:
    """The permit of a link; Refused where it is not one of ours, is over, or was used."""
    permit = read_permit(q.source.store.folder, token, q.now_ns())
    refuse_used_link(guard.people.store, permit)
    return permit


def _page(guard: Guard, q: Queries, status: int = HTTPStatus.OK, **more: Any) -> Response:
    context = {
        "room": q.room.name,
        "simulated": guard.simulated,
        "refused": "",
        "permit": None,
        "typed": "",
        **more,
    }
    return Response(render_template("acknowledge.html", **context), status)


def _words(q: Queries, permit: Permit) -> dict[str, Any]:
    alarm = next((a for a in q.alarms() if a.alarm.key == permit.alarm), None)
    if alarm is None:
        return {"what": permit.alarm, "since": "", "action": ""}
    what, since = alarm_words(alarm, q)
    return {"what": what, "since": since, "action": sentence(alarm.spec.action)}
