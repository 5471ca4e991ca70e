"""The routes of the first setup: a question a page, a summary, and the act."""

from __future__ import annotations

import hmac
import secrets
import shutil
import tempfile
import threading
import time
from http import HTTPStatus
from pathlib import Path, PurePath
from typing import Any
from zoneinfo import ZoneInfo

from flask import Flask, Response, abort, redirect, render_template, request, send_from_directory, session
from flask_wtf.csrf import CSRFProtect
from werkzeug.wrappers import Response as Answer

from logger.errors import Refused, StillroomError
from logger.first_room.draft import Draft, Field, save_draft
from logger.first_room.force import Plan, describe, draft_path, plan, preview, put_in_force
from logger.first_room.outlook import corrected_text, next_steps
from logger.first_room.questions import QUESTIONS, Question
from logger.first_room.trial import try_probe
from logger.instants import wall
from logger.model.roles import Role
from logger.people import People
from logger.people.passwords import checked_password
from logger.store import Store

from ..access.needs import at_this_machine, known_host

HERE = Path(__file__).parent
LONGEST = 4000  # letters of one answer
LARGEST = 64 << 20  # bytes of a logger's file
TRY = "reach"


class Desk:
    """The draft of one person, with what was tried; requests come one after the other."""

    def __init__(self, folder: Path, data: Path, draft: Draft, *, starts: bool = True) -> None:
        self.folder, self.data, self.draft, self.starts = folder, data, draft, starts
        self.code = secrets.token_urlsafe(18)
        self.in_force = threading.Event()
        self.lock = threading.Lock()
        self.files = Path(tempfile.mkdtemp(prefix="stillroom-first-"))

    def keep(self, draft: Draft) -> None:
        """Take over a draft and keep it on disk, so that it survives a reload and a restart."""
        self.draft = draft
        save_draft(draft_path(self.folder), draft)

    def fill(self, question: Question) -> list[Field]:
        """Take over the answers that were sent; gives the fields that came up through them."""
        draft, sent = self.draft, dict(request.form.items())
        while True:
            fields = question.fields(draft)
            new = {
                f.key: sent[f.key][:LONGEST]
                for f in fields
                if f.key in sent and sent[f.key] != draft.values.get(f.key)
            }
            new |= self._uploads(fields)
            if not new:
                self.keep(draft)
                return [f for f in fields if f.key not in sent and f.kind != "file"]
            draft = draft.with_values(new)
            sent |= new

    def _uploads(self, fields: tuple[Field, ...]) -> dict[str, str]:
        sent = {f.key: request.files[f.key] for f in fields if f.kind == "file" and f.key in request.files}
        uploads = {
            key: self.put(file.filename or "", file.read()) for key, file in sent.items() if file.filename
        }
        return {key: path for key, path in uploads.items() if path != self.draft.values.get(key)}

    def put(self, name: str, content: bytes) -> str:
        """Keep a file that the browser sent, under its own name; gives its path."""
        plain = "".join(c for c in PurePath(name.replace("\\", "/")).name if c.isprintable())[:120] or "file"
        path = self.files / plain
        if not path.exists() or path.read_bytes() != content:
            path.write_bytes(content)
        return str(path)

    def place(self) -> int:
        """The number of the first question without an answer that can be used; 9: all are answered."""
        for number, question in enumerate(QUESTIONS, 1):
            try:
                question.check(self.draft)
            except Refused:
                return number
            if question.key == TRY and self.draft.described is None and not self.draft.text("line"):
                return number
        return len(QUESTIONS) + 1


def create_app(desk: Desk) -> Flask:
    """The application for one desk: open to nobody without the code that the terminal shows."""
    app = Flask(__name__, template_folder=str(HERE / "templates"), static_folder=None)
    app.config.update(
        SECRET_KEY=secrets.token_bytes(32),
        SESSION_COOKIE_NAME="stillroom-first",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        MAX_CONTENT_LENGTH=LARGEST,
        MAX_FORM_MEMORY_SIZE=1 << 20,
        WTF_CSRF_TIME_LIMIT=None,
        WTF_CSRF_SSL_STRICT=False,
    )
    CSRFProtect(app)
    app.before_request(lambda: _admit(desk))
    app.after_request(_harden)
    _files(app)
    _questions(app, desk)
    _act(app, desk)
    return app


def _admit(desk: Desk) -> Answer | None:
    if not known_host(request.host, ()) or not at_this_machine():
        abort(421)
    if request.endpoint == "asset" or session.get("in"):
        return None
    if hmac.compare_digest(request.args.get("code", "").encode(), desk.code.encode()):
        session["in"] = True
        return redirect("/")
    return Response("Open the address shown in the terminal.\n", 403, mimetype="text/plain")


def _harden(response: Response) -> Response:
    policy = (
        "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; object-src 'none'; "
        "base-uri 'self'; form-action 'self'"
    )
    response.headers["Content-Security-Policy"] = policy
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Cache-Control"] = "no-store"
    return response


def _files(app: Flask) -> None:
    @app.get("/assets/<path:name>")
    def asset(name: str) -> Response:
        own = name in ("first_room.css", "first_room.js")
        return send_from_directory(HERE / "static" if own else HERE.parent / "assets", name)


def _questions(app: Flask, desk: Desk) -> None:
    @app.get("/")
    def start() -> Answer:
        place = desk.place()
        return redirect("/summary" if place > len(QUESTIONS) else f"/{place}")

    @app.get("/<int:place>")
    def ask(place: int) -> Response:
        return _page(desk, _number(place))

    @app.post("/<int:place>")
    def answer(place: int) -> Answer:
        with desk.lock:
            return _answered(desk, _number(place))

    @app.post("/file")
    def file() -> Answer:
        with desk.lock:
            return _from_file(desk)


def _number(place: int) -> int:
    if not 1 <= place <= len(QUESTIONS):
        abort(404)
    return place


def _answered(desk: Desk, place: int) -> Answer:
    """Keep what was sent; the next question where it can be used, else this one with what to enter."""
    question, do = QUESTIONS[place - 1], request.form.get("do", "next")
    brought = desk.fill(question)
    if do == "save":
        return Response(status=HTTPStatus.NO_CONTENT)
    if do == "back":
        return redirect(f"/{max(1, place - 1)}")
    if do == "update" or brought:
        return redirect(f"/{place}")
    try:
        question.check(desk.draft)
        if question.key == TRY and desk.draft.described is None:
            desk.keep(
                desk.draft.with_values({"line": try_probe(desk.draft).line, "tried": str(time.time_ns())})
            )
    except Refused as refused:
        return _page(desk, place, refused=str(refused), status=HTTPStatus.BAD_REQUEST)
    if do == "try":
        return redirect(f"/{place}")
    later = desk.place()
    onward = place + 1 if later > place else later
    return redirect("/summary" if onward > len(QUESTIONS) or later > len(QUESTIONS) else f"/{onward}")


def _from_file(desk: Desk) -> Answer:
    """Begin from a logger's file that was chosen or dropped; or, without one, from a live probe again."""
    sent = request.files.get("file")
    path = desk.put(sent.filename or "", sent.read()) if sent and sent.filename else ""
    try:
        desk.keep(describe(Draft(desk.draft.with_values({"from": path}).values)))
    except StillroomError as refused:
        return _page(desk, 1, refused=str(refused), status=HTTPStatus.BAD_REQUEST)
    return redirect("/")


def _page(desk: Desk, place: int, *, refused: str = "", status: int = HTTPStatus.OK) -> Response:
    draft, question = desk.draft, QUESTIONS[place - 1]
    question_text, hint = question.words(draft)
    fields = [
        (field, draft.values.get(field.key, field.value) or field.value) for field in question.fields(draft)
    ]
    tries = question.key == TRY and draft.described is None
    text = render_template(
        "question.html",
        **_frame(desk, place),
        question=question,
        ask=question_text,
        hint=hint,
        fields=fields,
        tries=tries,
        uploads=any(field.kind == "file" for field, _ in fields),
        refused=refused,
        before=QUESTIONS[place - 2].title.lower() if place > 1 else "",
        after=QUESTIONS[place].title.lower() if place < len(QUESTIONS) else "everything at a glance",
    )
    return Response(text, status)


def _frame(desk: Desk, place: int) -> dict[str, Any]:
    """What stands around each question: the list of answers, and what the page will say."""
    draft, now_ns, open_at = desk.draft, time.time_ns(), desk.place()
    answered = [
        {
            "number": number,
            "title": question.title,
            "summary": question.summary(draft) if number < open_at else "",
            "here": number == place,
        }
        for number, question in enumerate(QUESTIONS, 1)
    ]
    setup = preview(draft, now_ns)
    steps: list[tuple[str, str]] = []
    outlook = ""
    if setup is not None:
        clock = ZoneInfo(setup.room.timezone)
        zone = next(iter(setup.zones.values()))
        outlook = corrected_text(draft, setup, now_ns)
        for step in next_steps(setup, zone, now_ns):
            steps.append(("missing" if step.at_ns is None else wall(step.at_ns, clock)[11:16], step.text))
    return {
        "place": place,
        "answered": answered,
        "room": draft.text("room") or "First room",
        "zone": draft.text("zone"),
        "steps": steps,
        "outlook": outlook,
        "line": draft.text("line") if draft.described is None else "",
        "asked": draft.text("ask"),
        "file": PurePath(draft.text("from")).name,
        "channels": [(channel.words, channel.unit_text) for channel in draft.channels]
        if draft.described
        else [],
    }


def _act(app: Flask, desk: Desk) -> None:
    @app.get("/summary")
    def summary() -> Answer:
        place = desk.place()
        return redirect(f"/{place}") if place <= len(QUESTIONS) else _summary(desk)

    @app.post("/force")
    def force() -> Answer:
        with desk.lock:
            return _force(desk)


def _summary(desk: Desk, *, refused: str = "", status: int = HTTPStatus.OK) -> Response:
    fault, prepared = "", None
    try:
        prepared = plan(desk.draft, time.time_ns())
    except StillroomError as wrong:
        fault = str(wrong)
    text = render_template(
        "summary.html",
        **_frame(desk, len(QUESTIONS) + 1),
        notes=prepared.notes if prepared else (),
        files=_short_files(prepared),
        fault=fault,
        refused=refused,
        custodian=desk.draft.text("custodian"),
        given=request.form,
        roles=[role.value for role in Role if role is not Role.ADMINISTRATOR],
        chosen=request.form.getlist("role") or ["operator", "metrologist"],
    )
    return Response(text, status)


def _short_files(prepared: Plan | None) -> list[tuple[str, str]]:
    return (
        [(name, text) for name, text in prepared.texts.items() if name.endswith(".toml")] if prepared else []
    )


def _force(desk: Desk) -> Answer:
    """Put the setup in force and make the first account; refused while anything is left to mend."""
    if desk.in_force.is_set():
        return _finished_page(desk, "")
    form, custodian = request.form, desk.draft.text("custodian")
    name, password = form.get("name", "").strip(), form.get("new", "")
    try:
        if not name:
            raise Refused("Short name: enter the name to sign in by, such as gholm.")
        if password != form.get("again", ""):
            raise Refused("The two passwords are not the same.")
        checked_password(password, name, custodian)
        put_in_force(desk.draft, desk.folder, desk.data, time.time_ns())
    except StillroomError as refused:
        return _summary(desk, refused=str(refused), status=HTTPStatus.BAD_REQUEST)
    roles = {Role(role) for role in form.getlist("role") if role in set(Role)} | {Role.ADMINISTRATOR}
    message = _first_account(desk.data, name, custodian, roles, password)
    shutil.rmtree(desk.files, ignore_errors=True)
    desk.in_force.set()
    return _finished_page(desk, message)


def _first_account(data: Path, name: str, person: str, roles: set[Role], password: str) -> str:
    """Make it; what to do where it cannot be made: the setup is in force already."""
    try:
        with Store.open(data) as store:
            People(store).add(name, person, roles, password, person)
    except Refused as refused:
        return f"No account was created: {refused} Create it at the address shown in the terminal."
    return ""


def _finished_page(desk: Desk, message: str) -> Response:
    text = render_template(
        "done.html",
        room=desk.draft.text("room"),
        said=message,
        starts=desk.starts,
        folder=desk.folder,
        data=desk.data,
    )
    return Response(text)
