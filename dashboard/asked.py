"""What a browser may ask of a callback: the shape of a request is checked before anything runs.

Dash itself answers an unknown callback or a missing part with an error of the server; a request that
no page of ours can have sent is the sender's fault, and is told so with 400.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from typing import Any

from dash import Dash
from flask import Response, abort, request

log = logging.getLogger(__name__)
PATH = "/_dash-update-component"
OF_THE_VALUES = (TypeError, ValueError, LookupError, AttributeError)


def guard(app: Dash) -> None:
    """Refuse malformed requests of callbacks with 400; call it once, when the server stands."""

    def sound() -> None:
        if request.path == PATH:
            fault = fault_of(request.get_json(silent=True), app.callback_map)
            if fault:
                abort(Response(fault, 400, mimetype="text/plain"))

    def unreadable(fault: Exception) -> Response:
        if request.path != PATH:
            raise fault
        log.warning("a callback could not use what it was sent", exc_info=fault)
        return Response("The values of this request cannot be used.", 400, mimetype="text/plain")

    app.server.before_request(sound)
    for kind in OF_THE_VALUES:
        app.server.register_error_handler(kind, unreadable)


def fault_of(body: Any, known: Mapping[str, Mapping[str, Any]]) -> str:
    """What is wrong with the body of a request, or nothing.

    >>> fault_of([], {}), fault_of({"output": "a.b"}, {})
    ('wanted a JSON object', 'there is no such callback')
    """
    if not isinstance(body, dict):
        return "wanted a JSON object"
    output = body.get("output")
    callback = known.get(output) if isinstance(output, str) else None
    if callback is None:
        return "there is no such callback"
    for part in ("inputs", "state"):
        fault = _differs(body.get(part, []), callback[part], part)
        if fault:
            return fault
    changed, outputs = body.get("changedPropIds", []), body.get("outputs", [])
    if not isinstance(changed, list) or not all(isinstance(one, str) for one in changed):
        return "changedPropIds: wanted a list of names"
    return "" if isinstance(outputs, dict | list) and outputs else "outputs: wanted what is to be changed"


def _differs(given: Any, wanted: Sequence[Mapping[str, Any]], part: str) -> str:
    if not isinstance(given, list) or len(given) != len(wanted):
        return f"{part}: wanted a list of {len(wanted)}"
    for one, spec in zip(given, wanted, strict=True):
        for each in one if isinstance(one, list) else [one]:
            if not _fits(each, spec):
                return f"{part}: wanted {spec['id']}.{spec['property']}"
    return ""


def _fits(given: Any, spec: Mapping[str, Any]) -> bool:
    """Whether this is the property that the callback declared; a pattern fits any id with its keys."""
    if not isinstance(given, dict) or given.get("property") != spec["property"]:
        return False
    wanted, found = str(spec["id"]), given.get("id")
    if not wanted.startswith("{"):
        return found == wanted
    return isinstance(found, dict) and set(found) == set(json.loads(wanted))
