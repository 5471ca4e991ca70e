"""Who may ask what over HTTP, and how often: a bearer token (RFC 6750) with the scope of the route."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable
from typing import Any, TypeVar

from flask import Response, current_app, g, request

from ..model.roles import Scope
from ..people import Kind, Refusals, Token, Tokens
from ..store.origin import ORIGIN
from .problems import problem
from .rates import Rates

Function = TypeVar("Function", bound=Callable[..., Any])
OPEN = "open"  # for the description and the kinds of problems
LARGEST = 1_000_000  # bytes of a request
LOOPBACK = ("127.", "::1")


def scope(needed: Scope | str) -> Callable[[Function], Function]:
    """Declare the scope of a route; one without is closed to everybody."""

    def declared(function: Function) -> Function:
        function.scope = needed  # type: ignore[attr-defined]
        return function

    return declared


class Door:
    """Stands before every route of the interface."""

    def __init__(self, tokens: Tokens, refusals: Refusals, rates: Rates) -> None:
        self._tokens, self._refusals, self._rates = tokens, refusals, rates

    def check(self) -> Response | None:
        """The refusal of this request, or None: it may go on, and `g.token` is whose it is."""
        request.max_content_length = LARGEST
        needed = getattr(current_app.view_functions[str(request.endpoint)], "scope", None)
        if needed == OPEN:
            return None
        token = self._tokens.find(_token_text(needed))
        if token is None:
            return self._unknown(needed)
        if needed is None or needed not in token.scopes:
            why = f"This token has not the scope {needed or 'that it takes'}."
            challenge = {"WWW-Authenticate": 'Bearer error="insufficient_scope"'}
            return self._refused(token.name, why, "scope-missing", challenge)
        g.token = token
        ORIGIN.set({"at": "http", "token": token.id})
        # A node that catches up after its link was away must not be slowed down.
        return None if needed == Scope.READINGS else self._counted(token)

    def _counted(self, token: Token) -> Response | None:
        state = self._rates.take(token.id)
        g.rate_headers = self._rates.headers(state)
        if state.allowed:
            return None
        detail = f"This token asks more often than it may; ask again in {state.wait_s} s."
        return problem("too-many-requests", detail, headers={"Retry-After": str(state.wait_s)})

    def _unknown(self, needed: Scope | str | None) -> Response:
        if needed == Scope.CALENDAR:
            why = "A token of this record is expected, over TLS also as the password of the token's name."
            challenge = 'Basic realm="stillroom", charset="UTF-8", Bearer realm="stillroom"'
        else:
            why, challenge = "A bearer token of this record is expected.", 'Bearer realm="stillroom"'
        return self._refused("nobody", why, "token-missing", {"WWW-Authenticate": challenge})

    def _refused(self, who: str, why: str, kind: str, headers: dict[str, str]) -> Response:
        attempt = f"{request.method} {request.path}"
        self._refusals.note(who, attempt, why, request.remote_addr or "", Kind.TOKEN)
        return problem(kind, why, headers=headers)


def token_in(header: str, *, by_password: bool = False) -> str:
    """The token in a header Authorization; by_password: also as the password of its name (RFC 7617)."""
    kind, _, text = header.partition(" ")
    if kind.lower() == "bearer":
        return text.strip()
    if kind.lower() != "basic" or not by_password:
        return ""
    try:
        name, _, password = base64.b64decode(text.strip(), validate=True).decode("utf-8").partition(":")
    except (binascii.Error, ValueError):
        return ""
    return password if name else ""


def _token_text(needed: Scope | str | None) -> str:
    """The token of the request. Calendar programs send it as a password, and that over TLS alone."""
    header = request.headers.get("Authorization", "")
    return token_in(header, by_password=needed == Scope.CALENDAR and _unheard())


def _unheard() -> bool:
    """Whether nobody on the way can read a password: TLS, here or at a proxy, or from this machine itself."""
    secure = request.is_secure or bool(current_app.config.get("SESSION_COOKIE_SECURE"))
    return secure or (request.remote_addr or "").startswith(LOOPBACK)


def count_headers(response: Response) -> Response:
    """The answer with what is left of the token's requests."""
    response.headers.update(g.pop("rate_headers", {}))
    return response


def token() -> Token:
    """Whose request this is; behind the door only."""
    sent_token: Token = g.token
    return sent_token


__all__ = ["OPEN", "Door", "count_headers", "scope", "token", "token_in"]
