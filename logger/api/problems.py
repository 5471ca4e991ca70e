"""Refusals as RFC 9457 asks for them: what is wrong, in a form that a program and a person can read."""

from __future__ import annotations

import json
import logging
from contextlib import suppress
from http import HTTPStatus

from flask import Flask, Response, current_app, request
from werkzeug.exceptions import HTTPException

from ..errors import Refused, StillroomError, UnknownName

log = logging.getLogger(__name__)
TYPE = "application/problem+json"
PREFIX = "/api/"
RETRY_S = 30
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")


def problem(status: int, detail: str, **headers: str) -> Response:
    """An answer of RFC 9457; the type is that of its status (about:blank)."""
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    answer = Response(json.dumps(body, ensure_ascii=False), status, mimetype=TYPE)
    for name, value in headers.items():
        answer.headers[name.replace("_", "-")] = value
    return answer


def of(error: StillroomError) -> Response:
    """The problem that one of our own errors is to a program."""
    if isinstance(error, UnknownName):
        return problem(HTTPStatus.NOT_FOUND, str(error))
    if isinstance(error, Refused):
        return problem(HTTPStatus.UNPROCESSABLE_ENTITY, str(error))
    log.error("the record could not be used: %s", error)
    told = "The record cannot be used just now; what was sent is not stored. Try again later."
    return problem(HTTPStatus.SERVICE_UNAVAILABLE, told, Retry_After=str(RETRY_S))


def of_http(error: HTTPException) -> Response:
    """The problem that Flask or Werkzeug found before our own code ran."""
    answer = problem(error.code or 500, str(error.description or error.name))
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
    return problem(HTTPStatus.NOT_FOUND, f"There is nothing at {request.path[:200]}.")


def _not_that_method() -> Response:
    methods = _methods()
    allow = ", ".join(methods)
    detail = f"{request.method[:20]} is not for {request.path[:200]}, which takes {allow or 'nothing'}."
    return problem(HTTPStatus.METHOD_NOT_ALLOWED, detail, Allow=allow)


def _methods() -> list[str]:
    """The methods that the routes of the interface take at this path, as RFC 9110 wants them in `Allow`."""
    adapter, found = current_app.url_map.bind(""), set()
    for method in METHODS:
        with suppress(HTTPException):
            endpoint, _ = adapter.match(request.path, method=method)
            view = current_app.view_functions[endpoint]
            if hasattr(view, "scope") and not getattr(view, "anything", False):
                found |= {method}
    return sorted(found | ({"HEAD"} if "GET" in found else set()))
