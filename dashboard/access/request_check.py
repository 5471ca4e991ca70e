"""What a browser may ask of a callback: the shape of a request is checked before anything runs.

Dash itself takes any identifier for any input, and answers what does not fit with an error of the server;
a request that no page of ours can have sent is the sender's fault, and is told so with 400.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from dash.exceptions import DashException, PreventUpdate
from flask import request
from werkzeug.exceptions import BadRequest, Conflict

from logger.errors import Refused

log = logging.getLogger(__name__)
PATH = "/_dash-update-component"
OF_THE_VALUES = (
    TypeError,
    ValueError,
    LookupError,
    AttributeError,
    OverflowError,
    RecursionError,
    DashException,
)
# Beside every n_intervals: what a page asks without its person.
BY_ITSELF = ("news.data", "shell-seen.data")


def body() -> dict[str, Any]:
    """The body of a call; BadRequest where it is none."""
    try:
        content = request.get_json()
    except RecursionError:
        raise BadRequest("The call is nested too deeply.") from None
    if not isinstance(content, dict):
        raise BadRequest("expected a JSON object")
    return content


def callback_of(app: Any, called: Mapping[str, Any]) -> Callable[..., Any]:
    """The function that a call is for; BadRequest where there is none, or where the call does not fit it."""
    if fault := fault_of(called, app.callback_map):
        raise BadRequest(fault)
    function: Callable[..., Any] = app.callback_map[called["output"]]["callback"]
    return function


def by_itself(called: Mapping[str, Any]) -> bool:
    """Whether a page asks by its own clock, which is no use by a person."""
    changed = called.get("changedPropIds")
    ids = [str(prop) for prop in changed] if isinstance(changed, list) else []
    return bool(ids) and all(prop.endswith(".n_intervals") or prop in BY_ITSELF for prop in ids)


def answering(dispatch: Callable[[], Any]) -> Callable[[], Any]:
    """Dash's dispatch, for which values that cannot be used are the sender's fault and not the server's."""

    def answered() -> Any:
        try:
            return dispatch()
        except PreventUpdate:
            raise
        except Refused as refused:  # a page that does not say so itself: no fault of the server all the same
            raise Conflict(str(refused)) from refused
        except OF_THE_VALUES as fault:
            log.warning("a callback could not use what it was sent", exc_info=fault)
            raise BadRequest("The values of this request cannot be used.") from fault

    return answered


def fault_of(body: Any, callbacks: Mapping[str, Mapping[str, Any]]) -> str:
    """What is wrong with the body of a request, or nothing.

    >>> fault_of([], {}), fault_of({"output": "a.b"}, {})
    ('expected a JSON object', 'there is no such callback')
    """
    if not isinstance(body, dict):
        return "expected a JSON object"
    output = body.get("output")
    callback = callbacks.get(output) if isinstance(output, str) else None
    if callback is None or "callback" not in callback:  # those of the browser have no function here
        return "there is no such callback"
    for part in ("inputs", "state"):
        fault = _differs(body.get(part, []), callback[part], part)
        if fault:
            return fault
    changed, outputs = body.get("changedPropIds", []), body.get("outputs", [])
    if not isinstance(changed, list) or not all(isinstance(prop, str) for prop in changed):
        return "changedPropIds: expected a list of names"
    return "" if isinstance(outputs, dict | list) and outputs else "outputs: expected what is to be changed"


def _differs(entries: Any, specs: Sequence[Mapping[str, Any]], part: str) -> str:
    if not isinstance(entries, list) or len(entries) != len(specs):
        return f"{part}: expected a list of {len(specs)}"
    for entry, spec in zip(entries, specs, strict=True):
        for each in entry if isinstance(entry, list) else [entry]:
            if not _fits(each, spec):
                return f"{part}: expected {spec['id']}.{spec['property']}"
    return ""


def _fits(entry: Any, spec: Mapping[str, Any]) -> bool:
    """Whether this is the property that the callback declared; a pattern fits any id with its keys."""
    if not isinstance(entry, dict) or entry.get("property") != spec["property"]:
        return False
    declared_id, actual_id = str(spec["id"]), entry.get("id")
    if not declared_id.startswith("{"):
        return bool(actual_id == declared_id)
    pattern: dict[str, Any] = json.loads(declared_id)
    if not isinstance(actual_id, dict) or set(actual_id) != set(pattern):
        return False
    return all(isinstance(value, list) or actual_id[key] == value for key, value in pattern.items())
