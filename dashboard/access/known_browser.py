"""Browsers that signed in to an account before, by a signed cookie: tries of strangers do not count there.

The mark opens nothing. It only tells the throttle of tries whose tries these are (OWASP calls it a device
cookie), so that nobody can lock others out by guessing at their accounts.
"""

from __future__ import annotations

import secrets
from typing import Any

from flask import Flask, request
from itsdangerous import BadData, URLSafeTimedSerializer
from werkzeug.wrappers import Response

LASTS_S = 180 * 86400
_MOST = 5  # accounts that one browser is known by


def mark_of(app: Flask, name: str) -> str:
    """The mark of this browser for the account of that name; empty where it has none."""
    return str(_marks(app).get(name.strip().casefold(), ""))


def remember(app: Flask, answer: Response, name: str) -> None:
    """Let the browser be known by this account from now on."""
    marks = [*(entry for entry in _marks(app).items() if entry[0] != name), (name, secrets.token_hex(8))]
    answer.set_cookie(
        _cookie(app),
        str(_signer(app).dumps(dict(marks[-_MOST:]))),
        max_age=LASTS_S,
        httponly=True,
        samesite="Strict",
        secure=bool(app.config["SESSION_COOKIE_SECURE"]),
        path="/sign-in",
    )


def _marks(app: Flask) -> dict[str, Any]:
    try:
        marks = _signer(app).loads(request.cookies.get(_cookie(app), ""), max_age=LASTS_S)
    except BadData:
        return {}
    return marks if isinstance(marks, dict) else {}


def _cookie(app: Flask) -> str:
    return f"{app.config['SESSION_COOKIE_NAME']}-known"


def _signer(app: Flask) -> URLSafeTimedSerializer:
    return URLSafeTimedSerializer(app.config["SECRET_KEY"], salt="known browser")
