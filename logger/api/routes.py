"""The routes of the HTTP interface. What is stored is stored when the answer goes out."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from flask import Blueprint, Flask, Response
from werkzeug.exceptions import HTTPException

from ..errors import StillroomError
from ..model.roles import Scope
from ..people import Refusals, Tokens
from ..store import Store
from ..store.origin import ORIGIN
from ..verdicts.current import Current
from . import inputs, problems
from .access import RecordAccess
from .answers import conditional, json_answer
from .channels import ChannelRoutes
from .condition import ConditionRoutes
from .description import VERSION, description
from .door import OPEN, Door, count_headers, scope
from .inspections import InspectionRoutes
from .nodes import NodeRoutes
from .rates import Rates
from .stream import StreamRoutes, VerdictFeed
from .zones import ZoneRoutes

NAME = "api"
FEED = "stillroom verdict feed"  # among the application's extensions, so that its server can end it
View = Callable[..., Response]


def blueprint(
    current: Current,
    refusals: Refusals | None = None,
    now_ns: Callable[[], int] = time.time_ns,
    rates: Rates | None = None,
) -> Blueprint:
    """The routes on one record, each behind the door. `rates`: without them those of the setup in force."""
    routes, access = Blueprint(NAME, __name__), RecordAccess(current, now_ns)
    stream = StreamRoutes(access)
    rates = rates or Rates(current.config.api)
    door = Door(Tokens(current.store, now_ns), refusals or Refusals(current.store), rates)
    routes.before_request(door.check)
    routes.after_request(conditional)
    routes.after_request(count_headers)
    routes.teardown_request(_forget_way)
    routes.register_error_handler(StillroomError, problems.of)
    routes.register_error_handler(HTTPException, problems.of_http)
    routes.record_once(lambda state: _know_feed(state.app, stream.feed))
    for method, path, needed, view in _table(access, stream):
        # No OPTIONS: it would be answered by every path, and no program asks for it without CORS.
        function = _scoped(needed, view)
        address = f"{problems.PREFIX}{VERSION}{path}"
        routes.add_url_rule(address, view_func=function, methods=[method], provide_automatic_options=False)
    _take_everything(routes)
    return routes


def _table(access: RecordAccess, stream: StreamRoutes) -> list[tuple[str, str, Scope | str, View]]:
    """Method, path, scope and view of every route."""
    zones, channels, jobs = ZoneRoutes(access), ChannelRoutes(access), InspectionRoutes(access)
    nodes, condition = NodeRoutes(access), ConditionRoutes(access)
    return [
        ("POST", "/nodes/<node>/messages/<seq>", Scope.READINGS, nodes.push),
        ("POST", "/nodes/<node>/rows", Scope.READINGS, nodes.rows),
        ("GET", "/zones", Scope.VERDICTS, zones.zones),
        ("GET", "/zones/<zone>", Scope.VERDICTS, zones.zone),
        ("GET", "/zones/<zone>/verdict", Scope.VERDICTS, zones.verdict),
        ("GET", "/zones/<zone>/readiness", Scope.INSPECTIONS, zones.readiness),
        ("GET", "/channels", Scope.VERDICTS, channels.channels),
        ("GET", "/channels/<channel>", Scope.VERDICTS, channels.channel),
        ("GET", "/channels/<channel>/readings", Scope.VERDICTS, channels.readings),
        ("GET", "/excursions", Scope.VERDICTS, zones.excursions),
        ("GET", "/cases", Scope.VERDICTS, zones.cases),
        ("GET", "/cases/<number>", Scope.VERDICTS, zones.case),
        ("GET", "/inspections", Scope.INSPECTIONS, jobs.inspections),
        ("POST", "/inspections", Scope.INSPECTIONS, jobs.start),
        ("GET", "/inspections/<key>", Scope.INSPECTIONS, jobs.inspection),
        ("GET", "/inspections/<key>/conditions", Scope.INSPECTIONS, jobs.conditions),
        ("POST", "/inspections/<key>/stop", Scope.INSPECTIONS, jobs.stop),
        ("GET", "/events", Scope.VERDICTS, stream.events),
        ("GET", "/health", Scope.HEALTH, condition.health),
        ("GET", "/metrics", Scope.HEALTH, condition.metrics),
        ("GET", "/calendar.ics", Scope.CALENDAR, condition.calendar),
        ("GET", "/problems/<kind>", OPEN, _problem),
        ("GET", "/openapi.json", OPEN, _described),
    ]


def _take_everything(routes: Blueprint) -> None:
    """Every other path under /api/: 404, or 405 with the methods that there are; pages never take one."""
    anything = _scoped(OPEN, problems.nothing_here)
    anything.anything = True  # type: ignore[attr-defined]
    for path in (problems.PREFIX, f"{problems.PREFIX}<path:_>"):
        every = [*problems.METHODS, "OPTIONS"]
        routes.add_url_rule(path, view_func=anything, methods=every, provide_automatic_options=False)


def _know_feed(app: Any, feed: VerdictFeed) -> None:
    app.extensions[FEED] = feed


def end_streams(app: Flask) -> None:
    """End every event stream of an application, so that its server can stop."""
    if FEED in app.extensions:
        app.extensions[FEED].close()


def _forget_way(_: BaseException | None) -> None:
    """Threads serve one request after the other."""
    ORIGIN.set(None)


def _described() -> Response:
    return json_answer(description())


def _problem(kind: str) -> Response:
    inputs.parameters()
    return json_answer(problems.described(kind))


def _scoped(needed: Scope | str, view: View) -> View:
    """The view as a function of its own, on which its scope can stand."""

    def called(**parts: str) -> Response:
        return view(**parts)

    owner = type(getattr(view, "__self__", None)).__name__
    called.__name__ = f"{owner}_{view.__name__}".replace("NoneType_", "").strip("_")
    return scope(needed)(called)


def create_api(store: Store, now_ns: Callable[[], int] = time.time_ns, rates: Rates | None = None) -> Flask:
    """The interface alone, without any page."""
    app = Flask("stillroom")
    app.config["MAX_CONTENT_LENGTH"] = 1_000_000
    app.register_blueprint(blueprint(Current(store), now_ns=now_ns, rates=rates))
    problems.install(app)
    return app
