"""Who may ask what over HTTP: a bearer token (RFC 6750) with the scope that the route names."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any, TypeVar

from flask import Response, current_app, g, request

from ..model.roles import Scope
from ..people import Kind, Refusals, Token, Tokens
from ..store.origin import ORIGIN
from .problems import problem

Function = TypeVar("Function", bound=Callable[..., Any])
OPEN = "open"  # for the description alone
LARGEST = 1_000_000  # bytes of a request


def scope(needed: Scope | str) -> Callable[[Function], Function]:
    """Declare the scope of a route; one without is closed to everybody."""

    def declared(function: Function) -> Function:
        function.scope = needed  # type: ignore[attr-defined]
        return function

    return declared


class Door:
    """Stands before every route of the interface."""

    def __init__(self, tokens: Tokens, refusals: Refusals) -> None:
        self._tokens, self._refusals = tokens, refusals

    def check(self) -> Response | None:
        """The refusal of this request, or None: it may go on, and `g.token` is whose it is."""
        request.max_content_length = LARGEST
        needed = getattr(current_app.view_functions[str(request.endpoint)], "scope", None)
        if needed == OPEN:
            return None
        kind, _, text = request.headers.get("Authorization", "").partition(" ")
        token = self._tokens.find(text.strip()) if kind.lower() == "bearer" else None
        if token is None:
            return self._refused(
                HTTPStatus.UNAUTHORIZED, "nobody", "A bearer token of this record is required."
            )
        if needed is None or needed not in token.scopes:
            return self._refused(
                HTTPStatus.FORBIDDEN, token.name, f"This token has not the scope {needed or 'that it takes'}."
            )
        g.token = token
        ORIGIN.set({"at": "http", "token": token.id})
        return None

    def _refused(self, status: HTTPStatus, who: str, why: str) -> Response:
        attempt = f"{request.method} {request.path}"
        self._refusals.note(who, attempt, why, request.remote_addr or "", Kind.TOKEN)
        if status is HTTPStatus.UNAUTHORIZED:
            return problem(status, why, WWW_Authenticate='Bearer realm="stillroom"')
        return problem(status, why, WWW_Authenticate='Bearer error="insufficient_scope"')


def token() -> Token:
    """Whose request this is; behind the door only."""
    found: Token = g.token
    return found
