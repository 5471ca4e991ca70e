"""The routes of the HTTP interface. What is stored is stored when the answer goes out."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, replace
from http import HTTPStatus
from typing import Any
from zoneinfo import ZoneInfo

from flask import Blueprint, Flask, Response, request
from werkzeug.exceptions import Forbidden, HTTPException, UnsupportedMediaType

from .. import __version__
from ..acts import inspections as actions
from ..errors import Refused, StillroomError
from ..inspections.assess import Question, assess
from ..inspections.cases import case_of, cases_in
from ..inspections.readiness import begin
from ..inspections.revisions import revise_assessment
from ..instants import NS, rfc3339
from ..model import Inspection, PushedLine
from ..model.roles import Scope
from ..people import Refusals, Tokens
from ..service.health import HealthFigure, health
from ..service.incoming import Duplicate, push, take_rows
from ..store import Store
from ..store.origin import ORIGIN
from ..verdicts.current import Current
from . import asked, problems
from .description import VERSION, description
from .door import OPEN, Door, scope, token

NAME = "api"
MOST_EXCURSIONS = 1000
SENT_AGAIN_NS = 600 * NS  # how long a program may go on sending what had no answer
BODIES = ("application/json", "application/senml+json")


class Interface:
    """What the routes do, on one record."""

    def __init__(self, current: Current, now_ns: Callable[[], int]) -> None:
        self._current, self._now_ns = current, now_ns
        self._store = current.store
        self._starting = threading.Lock()

    @property
    def _zone(self) -> ZoneInfo:
        return ZoneInfo(self._current.setup.room.timezone)

    def push(self, node: str, seq: str) -> Response:
        """Store one message of a node; on the disk when this answers."""
        if request.mimetype not in BODIES:
            raise UnsupportedMediaType(f"The body is expected as {' or '.join(BODIES)}.")
        self._of_token(node)
        number = asked.number(seq)
        try:
            taken = push(self._store, self._current.config, node, number, request.get_data(), self._now_ns())
        except Duplicate as known:
            return problems.problem(HTTPStatus.CONFLICT, str(known))
        return _json(asdict(taken))

    def rows(self, node: str) -> Response:
        """Store rows of another stillroom; tells the number that is wanted next."""
        given = asked.body(asked.Rows)
        self._of_token(node)
        what = (given.record, given.first, given.rows)
        return _json({"next": take_rows(self._store, self._current.config, node, *what, self._now_ns())})

    def _of_token(self, node: str) -> None:
        """A token speaks for the node of its own name, and for the probes that it names."""
        mine = token()
        lines = [ln for ln in self._current.config.lines if isinstance(ln, PushedLine) and ln.node == node]
        foreign = [ln.probe for ln in lines if mine.probes and ln.probe not in mine.probes]
        if node != mine.name or foreign:
            raise Forbidden(f"This token is for the node {mine.name!r} and its own probes.")

    def verdict(self, zone: str) -> Response:
        """The check of an interval, as `stillroom check --json` answers it."""
        given, now_ns = asked.parameters("from", "to", "pre_window_s", "activity"), self._now_ns()
        self._current.setup.zone(zone)
        from_ns, to_ns = asked.interval(given, self._zone, now_ns)
        pre_window_s = asked.whole_number(given, "pre_window_s", 7 * 86400)
        activity = given.get("activity", "")
        self._known_activity(zone, activity)
        question = Question(zone, from_ns, to_ns, pre_window_s, activity)
        with self._current.judging:
            found = assess(self._current.verdicts, question, now_ns)
            revise_assessment(self._current.verdicts, found, now_ns, "http")
        notices = self._current.setup_notices
        return _json(found.to_dict() | ({"setup_notices": notices} if notices else {}))

    def _known_activity(self, zone: str, activity: str) -> None:
        """A misspelt activity would be judged by the general limits, which may be wider."""
        setups = self._current.setup.by_settings()
        known = {r.activity for s in setups for r in s.rules if r.zone == zone and r.activity}
        if activity and activity not in known:
            raise Refused(f"No rule of zone {zone!r} is for the activity {activity[:80]!r}.")

    def excursions(self) -> Response:
        """Runs of a rule that was not met, oldest first."""
        given, now_ns = asked.parameters("zone", "from", "to"), self._now_ns()
        zone = given.get("zone")
        if zone is not None:
            self._current.setup.zone(zone)
        from_ns, to_ns = asked.interval(given, self._zone, now_ns)
        with self._current.judging:
            found = self._current.verdicts.excursions(zone, from_ns, to_ns, now_ns)
        if len(found) > MOST_EXCURSIONS:
            raise Refused(f"There are {len(found)} excursions in it; ask for a shorter interval.")
        return _json({"excursions": [one.to_dict() for one in found]})

    def cases(self) -> Response:
        """Excursions gathered by event, oldest first; no text of a person and no inspection."""
        given, now_ns = asked.parameters("zone", "from", "to"), self._now_ns()
        zone = given.get("zone")
        if zone is not None:
            self._current.setup.zone(zone)
        span = asked.interval(given, self._zone, now_ns)
        with self._current.judging:
            records = cases_in(self._current.verdicts, zone, *span, now_ns)
        if len(records) > MOST_EXCURSIONS:
            raise Refused(f"There are {len(records)} cases in it; ask for a shorter interval.")
        return _json({"cases": [record.summary() for record in records]})

    def case(self, number: str) -> Response:
        """One case by its number."""
        asked.parameters()
        with self._current.judging:
            record = case_of(self._current.verdicts, asked.number(number), self._now_ns())
        return _json(record.summary())

    def start(self) -> Response:
        """Register a job that begins now."""
        wanted, now_ns = asked.body(asked.Start), self._now_ns()
        given = wanted.model_dump(exclude={"key"})
        job = Inspection(key=wanted.key or "", from_ns=now_ns, to_ns=None, **given)
        with self._starting:
            known = {one.key: one for one in actions.inspections(self._store)}
            if not job.key and (same := self._sent_again(job, known.values())):
                return _json(_job(same))
            if job.key in known:
                return problems.problem(HTTPStatus.CONFLICT, f"There is an inspection {job.key!r} already.")
            made = begin(self._store, self._current.setup, job, token().name, now_ns)
        return _json(_job(made), HTTPStatus.CREATED)

    def _sent_again(self, job: Inspection, known: Iterable[Inspection]) -> Inspection | None:
        """The inspection that this request began when it came before; its answer was lost on the way.

        Nobody begins the same inspection twice while it runs: what says the same of one that this machine
        began within the last minutes is that one.
        """
        alike = [
            one
            for one in known
            if one.to_ns is None
            and 0 <= job.from_ns - one.from_ns <= SENT_AGAIN_NS
            and one == replace(job, key=one.key, from_ns=one.from_ns)
        ]
        mine = {
            str(entry.what["inspection"])
            for entry in (self._store.journal.entries(kind="inspection") if alike else ())
            if entry.who == token().name and entry.what["act"] == "add"
        }
        return next((one for one in alike if one.key in mine), None)

    def stop(self, key: str) -> Response:
        """End a running job now."""
        if request.get_data():
            raise Refused("Send no body: the inspection ends now.")
        known = {one.key: one for one in actions.inspections(self._store)}
        if key in known and known[key].to_ns is not None:
            return problems.problem(HTTPStatus.CONFLICT, f"Inspection {key!r} was over before.")
        return _json(_job(actions.stop_inspection(self._store, key, token().name, self._now_ns())))

    def health(self) -> Response:
        """Every figure of page Health, and the journal's head, which proves the record from elsewhere."""
        asked.parameters()
        now_ns = self._now_ns()
        figures = health(self._store, self._current.setup, now_ns)
        number, sha256 = self._store.journal.head()
        told = {
            "status": "to be looked at" if any(one.fault for one in figures) else "in order",
            "at": rfc3339(now_ns // NS * NS),
            "figures": [_figure(one) for one in figures],
            "journal": {"number": number, "sha256": sha256},
            "software": f"stillroom {__version__}",
        }
        return _json(told)


def _figure(one: HealthFigure) -> dict[str, Any]:
    at = None if one.at_ns is None else rfc3339(one.at_ns)
    return {"group": one.group, "what": one.what, "value": one.value, "at": at, "word": one.word}


def _job(one: Inspection) -> dict[str, Any]:
    end = None if one.to_ns is None else rfc3339(one.to_ns)
    return {"key": one.key, "zone": one.zone, "title": one.title, "from": rfc3339(one.from_ns), "to": end}


def _json(told: Any, status: int = 200) -> Response:
    return Response(
        json.dumps(told, ensure_ascii=False, allow_nan=False), status, mimetype="application/json"
    )


def blueprint(
    current: Current, refusals: Refusals | None = None, now_ns: Callable[[], int] = time.time_ns
) -> Blueprint:
    """The routes on one record, each behind the door."""
    made, does, store = Blueprint(NAME, __name__), Interface(current, now_ns), current.store
    door = Door(Tokens(store, now_ns), refusals or Refusals(store))
    made.before_request(door.check)
    made.teardown_request(_forget_way)
    made.register_error_handler(StillroomError, problems.of)
    made.register_error_handler(HTTPException, problems.of_http)
    prefix = f"{problems.PREFIX}{VERSION}"
    for method, path, scoped, view in (
        ("POST", "/nodes/<node>/messages/<seq>", Scope.READINGS, does.push),
        ("POST", "/nodes/<node>/rows", Scope.READINGS, does.rows),
        ("GET", "/zones/<zone>/verdict", Scope.VERDICTS, does.verdict),
        ("GET", "/excursions", Scope.VERDICTS, does.excursions),
        ("GET", "/cases", Scope.VERDICTS, does.cases),
        ("GET", "/cases/<number>", Scope.VERDICTS, does.case),
        ("POST", "/inspections", Scope.INSPECTIONS, does.start),
        ("POST", "/inspections/<key>/stop", Scope.INSPECTIONS, does.stop),
        ("GET", "/health", Scope.HEALTH, does.health),
        ("GET", "/openapi.json", OPEN, _described),
    ):
        # No OPTIONS: it would be answered by every path, and no program asks for it without CORS.
        function = _scoped(scoped, view)
        made.add_url_rule(
            prefix + path, view_func=function, methods=[method], provide_automatic_options=False
        )
    anything = _scoped(OPEN, problems.nothing_here)
    anything.anything = True  # type: ignore[attr-defined]
    for path in (problems.PREFIX, f"{problems.PREFIX}<path:_>"):
        every = [*problems.METHODS, "OPTIONS"]
        made.add_url_rule(path, view_func=anything, methods=every, provide_automatic_options=False)
    return made


def _forget_way(_: BaseException | None) -> None:
    """Threads serve one request after the other."""
    ORIGIN.set(None)


def _described() -> Response:
    return _json(description())


def _scoped(needed: Scope | str, view: Callable[..., Response]) -> Callable[..., Response]:
    """The view as a function of its own, on which its scope can stand."""

    def called(**parts: str) -> Response:
        return view(**parts)

    called.__name__ = view.__name__.strip("_")
    return scope(needed)(called)


def create_api(store: Store, now_ns: Callable[[], int] = time.time_ns) -> Flask:
    """The interface alone, without any page."""
    app = Flask("stillroom")
    app.config["MAX_CONTENT_LENGTH"] = 1_000_000
    app.register_blueprint(blueprint(Current(store), now_ns=now_ns))
    problems.install(app)
    return app
