"""The interface described as OpenAPI 3.1: served, shipped as docs/openapi.json, and tested against."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .. import __version__
from ..model.roles import Scope
from .asked import Rows, Start

VERSION = "v1"
_INSTANT = (
    "RFC 3339 with its offset, as in 2026-10-19T08:30:00Z; without an offset the room's own time; or a day"
)
_WRITTEN = r"^\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?([Zz]|[+-]\d{2}:\d{2})?)?$"
_TEXT = {"type": "string"}
_TIME = {"type": "string", "format": "date-time"}
_NUMBER = {"type": ["number", "null"]}
_MESSAGE = {"time": "2026-10-19T08:30:00Z", "t": 20.03, "rh": 45.1}
_PACK = [{"bn": "", "bt": 1792398600, "n": "t", "u": "Cel", "v": 20.03}, {"n": "rh", "u": "%RH", "v": 45.1}]
_WHY = {
    400: "The request cannot be read.",
    401: "There is no bearer token of this record in the request.",
    403: "The token has not the scope that this takes.",
    404: "There is nothing of that name.",
    409: "It is there already, or over already.",
    413: "The body is larger than 1,000,000 bytes.",
    415: "The body has another type.",
    422: "It was read and cannot be done; nothing was changed.",
    503: "The record cannot be used just now; nothing was stored. Try again later.",
}


def description() -> dict[str, Any]:
    """The OpenAPI document; the same for every record."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "stillroom",
            "version": __version__,
            "summary": "Whether a measuring room supported a measurement",
            "description": "For machines: measuring programs, nodes that push, watchers. Each request has a "
            "bearer token, made by `stillroom user token add NAME --scope SCOPE`. What was answered with a "
            "status of 2xx is stored. Unknown parameters and fields are refused.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": f"/api/{VERSION}"}],
        "security": [{"token": []}],
        "paths": _paths(),
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": _schemas(),
        },
    }


def _paths() -> dict[str, Any]:
    return {
        "/nodes/{node}/messages/{seq}": {"post": _message()},
        "/nodes/{node}/rows": {"post": _rows()},
        "/zones/{zone}/verdict": {"get": _verdict()},
        "/excursions": {"get": _excursions()},
        "/cases": {"get": _cases()},
        "/cases/{number}": {"get": _case()},
        "/inspections": {"post": _start()},
        "/inspections/{key}/stop": {"post": _stop()},
        "/health": {"get": _health()},
        "/openapi.json": {"get": _description()},
    }


def _message() -> dict[str, Any]:
    number = {"type": "integer", "minimum": 0, "maximum": 10**18 - 1}
    return _operation(
        "pushMessage",
        Scope.READINGS,
        "Push one message of a node",
        "JSON or SenML (RFC 8428), as the setup declares it for the probes of this node. The same message "
        "under the same number again stores nothing and answers 200; another one under it is a conflict. The "
        "answer comes after the message is on the disk.",
        answers={200: ("It is on the disk.", "Taken")},
        refusals=(404, 409, 413, 415, 422),
        parameters=[_node(), _path("seq", "Number of the message, by the node", number)],
        requestBody=_body({"application/json": "Message", "application/senml+json": "Pack"}),
    )


def _rows() -> dict[str, Any]:
    return _operation(
        "pushRows",
        Scope.READINGS,
        "Push rows of another stillroom",
        "In the order of its own numbers. The answer names the number that is expected next: rows that were "
        "there are passed over, and where some are missing before the first nothing is stored.",
        answers={200: ("They are on the disk.", "Next")},
        refusals=(400, 404, 413, 415, 422),
        parameters=[_node()],
        requestBody=_body({"application/json": "Rows"}),
    )


def _node() -> dict[str, Any]:
    return _path("node", "Name of the node: that of the token")


def _verdict() -> dict[str, Any]:
    return _operation(
        "verdict",
        Scope.VERDICTS,
        "Did the room support what was measured in this interval?",
        "The same answer, with the same digest, as `stillroom check --json`: stable, not stable or not "
        "shown, with every reason, words for a certificate and a line for a report.",
        answers={200: ("The answer.", "Verdict")},
        refusals=(404, 422),
        parameters=[
            _path("zone", "Key of a zone"),
            *_interval(),
            _query("pre_window_s", {"type": "integer", "minimum": 0, "maximum": 604800}, "Seconds before"),
            _query("activity", {"type": "string"}, "Judge by the limits of this activity"),
        ],
    )


def _excursions() -> dict[str, Any]:
    return _operation(
        "excursions",
        Scope.VERDICTS,
        "Excursions: times out of limits",
        "At most 1000; a longer list is refused, and a shorter interval asked for.",
        answers={200: ("The excursions, oldest first.", "Excursions")},
        refusals=(404, 422),
        parameters=[_query("zone", {"type": "string"}, "Only this zone"), *_interval()],
    )


def _cases() -> dict[str, Any]:
    return _operation(
        "cases",
        Scope.VERDICTS,
        "Excursions gathered by event",
        "Excursions of a zone that overlap or lie close together are one case, with a number where a "
        "decision is asked for. At most 1000, without what people wrote and which inspections are affected.",
        answers={200: ("The cases, oldest first.", "Cases")},
        refusals=(404, 422),
        parameters=[_query("zone", {"type": "string"}, "Only this zone"), *_interval()],
    )


def _case() -> dict[str, Any]:
    number = {"type": "integer", "minimum": 1, "maximum": 10**18 - 1}
    return _operation(
        "case",
        Scope.VERDICTS,
        "One case",
        "By its number; one that is continued in another gives that one.",
        answers={200: ("The case.", "Case")},
        refusals=(404, 422),
        parameters=[_path("number", "Number of the case", number)],
    )


def _start() -> dict[str, Any]:
    return _operation(
        "startInspection",
        Scope.INSPECTIONS,
        "An inspection begins now",
        "Registers a job in a zone. With a key of its own it can be sent again: 409 says that it is there. "
        "Without one, the same body from the same token within ten minutes, while the inspection runs, is "
        "that inspection again: 200.",
        answers={
            200: ("The same request began it before; it is not begun again.", "Inspection"),
            201: ("It is registered.", "Inspection"),
        },
        refusals=(400, 404, 409, 413, 415, 422),
        requestBody=_body({"application/json": "Start"}),
    )


def _stop() -> dict[str, Any]:
    return _operation(
        "stopInspection",
        Scope.INSPECTIONS,
        "An inspection ends now",
        "Its interval is what was between; its verdict is asked for by that interval.",
        answers={200: ("It is over.", "Inspection")},
        refusals=(404, 409, 413, 422),
        parameters=[_path("key", "Key of the inspection")],
    )


def _health() -> dict[str, Any]:
    return _operation(
        "health",
        Scope.HEALTH,
        "Whether readings come in",
        "What page Health shows, each value with its time; and the head of the journal, which "
        "proves the record against later change once it has left the machine.",
        answers={200: ("What is known.", "Health")},
        refusals=(422,),
    )


def _description() -> dict[str, Any]:
    told = _operation(
        "description", "", "This description", "", answers={200: ("OpenAPI 3.1.", "Any")}, refusals=()
    )
    return {**told, "security": []}


def _operation(
    ident: str,
    scope: Scope | str,
    summary: str,
    text: str,
    *,
    answers: Mapping[int, tuple[str, str]],
    refusals: tuple[int, ...],
    **more: Any,
) -> dict[str, Any]:
    always = (401, 403, 503) if scope else ()
    told = {str(code): _answer(why, {"application/json": name}) for code, (why, name) in answers.items()}
    told |= {
        str(code): _answer(_WHY[code], {"application/problem+json": "Problem"})
        for code in (*always, *refusals)
    }
    words = f"{text} Takes the scope {scope}.".strip() if scope else "Open to everybody."
    return {"operationId": ident, "summary": summary, "description": words, "responses": told, **more}


def _answer(why: str, content: Mapping[str, str]) -> dict[str, Any]:
    return {"description": why, "content": {kind: {"schema": _ref(name)} for kind, name in content.items()}}


def _body(content: Mapping[str, str]) -> dict[str, Any]:
    return {"required": True, "content": {kind: {"schema": _ref(name)} for kind, name in content.items()}}


def _ref(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _path(name: str, text: str, schema: Mapping[str, Any] | None = None) -> dict[str, Any]:
    shape = dict(schema or {"type": "string", "minLength": 1, "pattern": "^[^/]+$"})
    return {"name": name, "in": "path", "required": True, "description": text, "schema": shape}


def _query(name: str, schema: Mapping[str, Any], text: str, required: bool = False) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": required, "description": text, "schema": dict(schema)}


def _interval() -> list[dict[str, Any]]:
    def at(example: str) -> dict[str, Any]:
        return {"type": "string", "pattern": _WRITTEN, "examples": [example]}

    return [
        _query("from", at("2026-10-19T08:30:00Z"), f"Start: {_INSTANT}", True),
        _query("to", at("2026-10-19T10:00:00Z"), "End, not itself included", True),
    ]


def _object(required: Mapping[str, Any], **more: Any) -> dict[str, Any]:
    return {"type": "object", "required": list(required), "properties": dict(required), **more}


def _with_optional(schema: dict[str, Any], **properties: Any) -> dict[str, Any]:
    """An object with properties that it need not have."""
    return schema | {"properties": schema["properties"] | properties}


def _schemas() -> dict[str, Any]:
    words = {"type": "string", "enum": ["stable", "not stable", "not shown"]}
    reason = _object(
        {"reason": _TEXT, "rule": _TEXT, "probe": _TEXT, "from": _TIME, "to": _TIME, "worst": _NUMBER}
        | {"limit": _NUMBER, "U": _NUMBER, "unit": _TEXT, "proven": {"type": "boolean"}, "basis": _TEXT}
    )
    return {
        "Any": {"type": "object"},
        "Problem": _object(
            {"type": _TEXT, "title": _TEXT, "status": {"type": "integer"}, "detail": _TEXT},
            description="RFC 9457",
        ),
        "Verdict": _with_optional(
            _object(
                {
                    "verdict": words,
                    "reason": _TEXT,
                    "because": _TEXT,
                    "zone": _TEXT,
                    "from": _TIME,
                    "to": _TIME,
                }
                | {"pre_window_s": {"type": "integer"}, "provisional": {"type": "boolean"}}
                | {"decision_rule": _TEXT, "reasons": {"type": "array", "items": _ref("Reason")}}
                | {"leading": {"oneOf": [_ref("Reason"), {"type": "null"}]}}
                | {
                    "thermal": {"type": ["object", "null"]},
                    "statement": {"type": ["string", "null"]},
                    "stamp": _TEXT,
                }
                | {"statistics": {"type": "object"}, "digest": _TEXT, "setup": _TEXT, "software": _TEXT}
                | {
                    "notices": {"type": "array", "items": _TEXT},
                    "settings": {"type": "array", "items": _TEXT},
                }
            ),
            # Why the setup in force could not be entered any more, where that is so.
            setup_notices={"type": "array", "items": _TEXT},
        ),
        "Reason": reason,
        "Cases": _object({"cases": {"type": "array", "items": _ref("Case")}}),
        "Case": _object(
            {"case": {"type": ["integer", "null"]}, "revision": {"type": "integer"}, "cause": _TEXT}
            | {"continued": {"type": "array", "items": {"type": "integer"}}, "in_use": {"type": "boolean"}}
            | {
                "state": {
                    "type": "string",
                    "enum": ["no decision needed", "running", "open", "decided", "closed"],
                }
            }
            | {"zones": {"type": "array", "items": _TEXT}, "from": _TIME, "to": _TIME}
            | {"settled": {"type": "object"}, "runs": {"type": "array", "items": _ref("Excursion")}}
        ),
        "Excursions": _object({"excursions": {"type": "array", "items": _ref("Excursion")}}),
        "Excursion": _object(
            {"zone": _TEXT, "rule": _TEXT, "from": _TIME, "to": _TIME, "worst": {"type": "number"}}
            | {"limit": {"type": "number"}, "U": {"type": "number"}, "unit": _TEXT}
            | {"exceedance": {"type": "number"}, "probes": {"type": "array", "items": _TEXT}}
            | {"proven": {"type": "boolean"}, "provisional": {"type": "boolean"}}
        ),
        "Message": {"type": ["object", "array"], "examples": [_MESSAGE]},
        "Pack": {"type": "array", "minItems": 1, "items": {"type": "object"}, "examples": [_PACK]},
        "Taken": _object(
            {"stored": {"type": "integer"}, "known": {"type": "integer"}, "repeated": {"type": "boolean"}}
        ),
        "Rows": _inlined(Rows.model_json_schema()),
        "Next": _object({"next": {"type": "integer"}}),
        "Start": _inlined(Start.model_json_schema()),
        "Inspection": _object(
            {"key": _TEXT, "zone": _TEXT, "title": _TEXT, "from": _TIME}
            | {"to": {"type": ["string", "null"], "format": "date-time"}}
        ),
        "Figure": _object(
            {"group": _TEXT, "what": _TEXT, "value": _TEXT, "word": _TEXT}
            | {"at": {"type": ["string", "null"], "format": "date-time"}}
        ),
        "Health": _object(
            {"status": {"type": "string", "enum": ["in order", "to be looked at"]}, "at": _TIME}
            | {"figures": {"type": "array", "items": _ref("Figure")}}
            | {"journal": _object({"number": {"type": "integer"}, "sha256": _TEXT}), "software": _TEXT}
        ),
    }


def _inlined(schema: dict[str, Any]) -> dict[str, Any]:
    """What pydantic says of a body, without its titles, which only repeat the names."""
    properties = {
        name: {key: value for key, value in shape.items() if key != "title"}
        for name, shape in schema["properties"].items()
    }
    return {**{k: v for k, v in schema.items() if k != "title"}, "properties": properties}
