"""Refusals as RFC 9457 asks for them: what is wrong, in a form that a program and a person can read."""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from flask import Flask, Response, current_app, request
from werkzeug.exceptions import HTTPException

from ..errors import IntervalError, Refused, StillroomError, UnknownName
from .problem_kinds import KINDS, OF_STATUS

log = logging.getLogger(__name__)
TYPE = "application/problem+json"
PREFIX = "/api/"
RETRY_S = 30
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
_OF_NAME = {
    **{kind: f"unknown-{kind}" for kind in ("zone", "channel", "inspection", "case", "node")},
    "channel of this node": "unknown-channel",
}


class RequestProblem(Refused):
    """A refusal of a request, of one of the kinds of `problem_kinds`, with members and headers of its own."""

    def __init__(
        self,
        kind: str,
        detail: str,
        members: Mapping[str, Any] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.kind, self.members, self.headers = kind, dict(members or {}), dict(headers or {})


def here(path: str) -> str:
    """A path of the interface as a program asks for it, where rooms are served together below the room."""
    return f"{request.script_root}{path}"


def problem(
    kind: str,
    detail: str,
    members: Mapping[str, Any] | None = None,
    headers: Mapping[str, str] | None = None,
    status: int | None = None,
) -> Response:
    """An answer of RFC 9457. `status`: where it is another one than that of the kind."""
    entry = KINDS[kind]
    code = status or entry.status
    body = {
        "type": here(entry.address),
        "title": entry.title,
        "status": code,
        "detail": detail,
        **(members or {}),
    }
    answer = Response(json.dumps(body, ensure_ascii=False), code, mimetype=TYPE)
    answer.headers["Cache-Control"] = "no-store"
    answer.headers.update(headers or {})
    return answer


def of(error: StillroomError) -> Response:
    """The problem that one of our own errors is to a program."""
    if isinstance(error, RequestProblem):
        return problem(error.kind, str(error), error.members, error.headers)
    if isinstance(error, UnknownName):
        return problem(_OF_NAME.get(error.kind, "refused"), str(error))
    if isinstance(error, IntervalError):
        return problem("interval-not-judgeable", str(error))
    if isinstance(error, Refused):
        return problem("refused", str(error))
    log.error("the record could not be used: %s", error)
    detail = "The record cannot be used just now; what was sent is not stored. Try again later."
    return problem("record-busy", detail, headers={"Retry-After": str(RETRY_S)})


def of_http(error: HTTPException) -> Response:
    """The problem that Flask or Werkzeug found before our own code ran."""
    code = error.code or 500
    answer = problem(
        OF_STATUS.get(code, "request-not-understood"), str(error.description or error.name), status=code
    )
    for name, value in error.get_headers():
        if name.lower() in ("allow", "www-authenticate", "retry-after"):
            answer.headers[name] = value
    return answer


def install(app: Flask) -> None:
    """Answer in this form what is wrong with a request under /api/ that no route took."""

    def answered(error: HTTPException) -> Response | HTTPException:
        return of_http(error) if request.path.startswith(PREFIX) else error

    for code in (400, 404, 413, 414, 421, 431):
        app.register_error_handler(code, answered)

    def other_method(error: HTTPException) -> Response | HTTPException:
        return _not_that_method() if request.path.startswith(PREFIX) else error

    app.register_error_handler(405, other_method)


def nothing_here(_: str = "") -> Response:
    """What a path under /api/ answers that no route takes by this method: pages never take it."""
    if _methods():
        return _not_that_method()
    return problem("nothing-here", f"There is nothing at {request.path[:200]}.")


def described(kind: str) -> dict[str, str | int]:
    """What a kind of problem means and what to do; RequestProblem where there is no such kind."""
    if kind not in KINDS:
        raise RequestProblem(
            "nothing-here", f"There is no kind of problem {kind[:60]!r}; see {', '.join(KINDS)}."
        )
    return KINDS[kind].to_dict() | {"type": here(KINDS[kind].address)}


def _not_that_method() -> Response:
    methods = _methods()
    allow = ", ".join(methods)
    detail = f"{request.method[:20]} is not for {request.path[:200]}, which takes {allow or 'nothing'}."
    return problem("method-not-allowed", detail, headers={"Allow": allow})


def _methods() -> list[str]:
    """The methods that the routes of the interface take at this path, as RFC 9110 wants them in `Allow`."""
    adapter, methods = current_app.url_map.bind(""), set()
    for method in METHODS:
        with suppress(HTTPException):
            endpoint, _ = adapter.match(request.path, method=method)
            view = current_app.view_functions[endpoint]
            if hasattr(view, "scope") and not getattr(view, "anything", False):
                methods |= {method}
    return sorted(methods | ({"HEAD"} if "GET" in methods else set()))


__all__ = ["RequestProblem", "described", "install", "nothing_here", "of", "of_http", "problem"]
