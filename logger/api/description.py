"""The interface described as OpenAPI 3.1: served, shipped as docs/openapi.json, and tested against."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .. import __version__
from ..model.roles import Scope
from .examples import EXAMPLES
from .problem_kinds import KINDS
from .schemas import problem_kind, ref, schemas

VERSION = "v1"
TAGS = {
    "verdicts": "How zones are now, and whether the room supported a measurement",
    "inspections": "For measuring programs: may it start, start, stop, what the room was like",
    "readings": "Channels and what they read, corrected, with uncertainties",
    "nodes": "Readings that come by themselves",
    "service": "Whether everything runs",
    "description": "This description and the kinds of problems",
}
_INSTANT = (
    "RFC 3339 with an offset, as in 2026-10-19T08:30:00Z; or a day of the room, which is its first instant"
)
_AT = {"anyOf": [{"type": "string", "format": "date-time"}, {"type": "string", "format": "date"}]}
_TEXT = {"type": "string"}
_LARGE = 10**18 - 1
_WHY = {
    400: "The request cannot be read.",
    401: "There is no token of this record in the request.",
    403: "The token has not the scope that this takes.",
    404: "There is nothing of that name.",
    409: "It is there already.",
    413: "The body is larger than 1,000,000 bytes.",
    415: "The body has another type.",
    422: "It was read and cannot be done; nothing was changed.",
    429: "The token asked more often than it may.",
    503: "The record cannot be used just now; nothing was stored. Try again later.",
}
_HEADERS = {
    "ETag": (
        "Digest of the body; send it as If-None-Match and a body that is the same is not sent again",
        _TEXT,
    ),
    "Link": ('Address of the next page, as rel="next" (RFC 8288)', _TEXT),
    "Location": ("Address of the inspection", _TEXT),
    "RateLimit": ("What is left: requests (r) and seconds (t) until there are more", _TEXT),
    "RateLimit-Policy": ("So many requests at once (q), which come back within so many seconds (w)", _TEXT),
    "Retry-After": ("Seconds to wait", {"type": "integer"}),
    "WWW-Authenticate": ("How to sign in", _TEXT),
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
            "status of 2xx is stored. Unknown parameters and fields are refused. Instants in answers are "
            "in UTC.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": f"/api/{VERSION}"}],
        "security": [{"token": []}],
        "tags": [{"name": name, "description": text} for name, text in TAGS.items()],
        "paths": _paths(),
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "headers": {
                name: {"description": text, "schema": shape} for name, (text, shape) in _HEADERS.items()
            },
            "schemas": schemas(),
        },
    }


def _paths() -> dict[str, Any]:
    return {
        **_verdict_paths(),
        **_inspection_paths(),
        **_reading_paths(),
        **_node_paths(),
        **_service_paths(),
        **_description_paths(),
    }


def _verdict_paths() -> dict[str, Any]:
    zone = _path("zone", "Key of a zone")
    pre_window = _query("pre_window_s", _whole(0, 604800), "Seconds before the interval that are judged, too")
    activity = _query("activity", _TEXT, "Judge by the limits of this activity")
    only = _query("zone", _TEXT, "Only this zone")

    def get(ident: str, summary: str, text: str, answer: str, parameters: list[Any], **more: Any) -> Any:
        return {"get": _get(ident, "verdicts", Scope.VERDICTS, summary, text, answer, parameters, **more)}

    check = (
        "The same answer, with the same digest, as `stillroom check --json`: stable, not stable or not "
        "shown, "
        "with every reason, words for a certificate and a line for a report."
    )
    cases = (
        "Excursions of a zone that overlap or lie close together are one case, with a number where a "
        "decision is "
        "asked for. Without what people wrote and which inspections are affected."
    )
    events = (
        "Server-sent events. On connecting one `verdict` for each zone as it stands, so that nothing is "
        "missed by a "
        "reconnection; then `verdict` when a zone says something else, and `judged` for each further "
        "minute of the "
        "same. Every 15 s a comment. At most three streams; the next one gets 503 with Retry-After."
    )
    newest = "Not shown where the service has not judged the zone for three minutes."
    return {
        "/zones": get("zones", "Every zone with its newest verdict", newest, "ZoneStates", _paged()),
        "/zones/{zone}": get(
            "zone", "One zone, its newest verdict and its limits", newest, "Zone", [zone], missing=True,
        ),
        "/zones/{zone}/verdict": get(
            "verdict", "Did the room support what was measured in this interval?", check, "Verdict",
            [zone, *_interval(), pre_window, activity], missing=True,
        ),
        "/excursions": get(
            "excursions", "Runs of a rule that was not met", "Oldest first.", "Excursions",
            [only, *_interval(), *_paged()], missing=True,
        ),
        "/cases": get(
            "cases", "Excursions gathered by event", cases, "Cases",
            [only, *_interval(), *_paged()], missing=True,
        ),
        "/cases/{number}": get(
            "case", "One case", "By its number; one that is continued in another gives that one.", "Case",
            [_path("number", "Number of the case", _whole(1, _LARGE))], missing=True,
        ),
        "/events": get(
            "events", "Verdicts as they change", events, "Events", [],
            types=("text/event-stream",), fresh=False,
        ),
    }  # fmt: skip


def _inspection_paths() -> dict[str, Any]:
    key, activity = (
        _path("key", "Key of the inspection"),
        _query("activity", _TEXT, "By the limits of this activity"),
    )
    state = _query(
        "state", {"type": "string", "enum": ["running", "over"]}, "Only those that run, or are over"
    )
    span = [{**one, "required": False} for one in _interval("touched after this", "begun before this")]
    jobs, scope = "inspections", Scope.INSPECTIONS
    start = (
        "Registers a job in a zone. With a key of its own it can be sent again: 409 says that it is there, "
        "and where. "
        "Under an Idempotency-Key the first answer comes again, for 48 hours. Without either, the same "
        "body from the "
        "same token within ten minutes, while the inspection runs, is that inspection again: 200."
    )
    idempotency = {
        "name": "Idempotency-Key",
        "in": "header",
        "required": False,
        "description": "A new text for each new request, such as a UUID",
        "schema": {
            "type": "string",
            "pattern": "^[ !#-~]{1,255}$",
            "examples": ["6c1f4b1e-4c52-4f59-9a0e-2d1f7f0b9f10"],
        },
    }
    over = "Its interval is what was between. One that is over stays as it is, and is answered the same way."
    whole = "With every issue of its verdict, and where the verdict on its interval is asked for."
    ready = "What a person asks before the part is clamped; if not, when, if the room stays as it is."
    listed = _get(
        "inspections", jobs, scope, "Inspections in order of their start", "", "Inspections",
        [_query("zone", _TEXT, "Only this zone"), *span, state, *_paged()], missing=True,
    )  # fmt: skip
    began = {
        200: ("The same request began it before; it is not begun again.", "Inspection"),
        201: ("It is registered.", "Inspection"),
    }
    begun = _operation(
        "startInspection", jobs, scope, "An inspection begins now", start, answers=began,
        refusals=(400, 404, 409, 413, 415, 422), headers=("Location",), parameters=[idempotency],
        requestBody=_body({"application/json": "Start"}),
    )  # fmt: skip
    stop = _operation(
        "stopInspection", jobs, scope, "An inspection ends now", over,
        answers={200: ("It is over.", "Inspection")}, refusals=(404, 413, 422), parameters=[key],
    )  # fmt: skip
    return {
        "/zones/{zone}/readiness": {
            "get": _get("readiness", jobs, scope, "May an inspection begin now?", ready, "Readiness",
                        [_path("zone", "Key of a zone"), activity], missing=True)
        },
        "/inspections": {"get": listed, "post": begun},
        "/inspections/{key}": {
            "get": _get("inspection", jobs, scope, "One inspection", whole, "WholeInspection", [key],
                        missing=True)
        },
        "/inspections/{key}/stop": {"post": stop},
    }  # fmt: skip


def _reading_paths() -> dict[str, Any]:
    channel = _path("channel", "Key of a channel, such as P1.temperature")

    def get(ident: str, summary: str, text: str, answer: str, parameters: list[Any], **more: Any) -> Any:
        return {"get": _get(ident, "readings", Scope.VERDICTS, summary, text, answer, parameters, **more)}

    text = (
        "Each as indicated, corrected by the certificate in force at its instant, with U (k = 2) and its "
        "quality."
    )
    return {
        "/channels": get("channels", "Every channel of the setup in force", "", "Channels", _paged()),
        "/channels/{channel}": get("channel", "One channel", "", "Channel", [channel], missing=True),
        "/channels/{channel}/readings": get(
            "readings", "Readings of a channel, oldest first", text, "Readings",
            [channel, *_interval(), *_paged(10_000, 1000)], missing=True,
        ),
    }  # fmt: skip


def _node_paths() -> dict[str, Any]:
    node = _path("node", "Name of the node: that of the token")
    message = (
        "JSON or SenML (RFC 8428), as the setup declares it for the probes of this node. The same message "
        "under the "
        "same number again stores nothing and answers 200; another one under it is a conflict. The answer "
        "comes after "
        "the message is on the disk."
    )
    rows = (
        "In the order of its own numbers. The answer names the number that is expected next: rows that "
        "were there are "
        "passed over, and where some are missing before the first nothing is stored."
    )
    seq = _path("seq", "Number of the message, by the node", _whole(0, _LARGE))
    return {
        "/nodes/{node}/messages/{seq}": {
            "post": _operation(
                "pushMessage", "nodes", Scope.READINGS, "Push one message of a node", message,
                answers={200: ("It is on the disk.", "Taken")}, refusals=(404, 409, 413, 415, 422),
                parameters=[node, seq],
                requestBody=_body({"application/json": "Message", "application/senml+json": "Pack"}),
            )
        },
        "/nodes/{node}/rows": {
            "post": _operation(
                "pushRows", "nodes", Scope.READINGS, "Push rows of another stillroom", rows,
                answers={200: ("They are on the disk.", "Next")}, refusals=(400, 404, 413, 415, 422),
                parameters=[node], requestBody=_body({"application/json": "Rows"}),
            )
        },
    }  # fmt: skip


def _service_paths() -> dict[str, Any]:
    health = (
        "What page Health shows, each figure with its instant; and the head of the journal, which proves "
        "the record "
        "against later change once it has left the machine."
    )
    metrics = (
        "By the header Accept in OpenMetrics 1.0 or in the text format 0.0.4. No measured value is among "
        "them."
    )
    types = ("application/openmetrics-text", "text/plain")
    return {
        "/health": {
            "get": _get("health", "service", Scope.HEALTH, "Whether readings come in", health, "Health", [])
        },
        "/metrics": {
            "get": _get("metrics", "service", Scope.HEALTH, "Metrics for programs that watch", metrics,
                        "Metrics", [], types=types)
        },
    }  # fmt: skip


def _description_paths() -> dict[str, Any]:
    kind = _path("kind", "The last part of the type of a problem", problem_kind())
    meaning = {200: ("What it means and what to do.", "ProblemKind")}
    openapi = {200: ("OpenAPI 3.1.", "Description")}
    tag = "description"
    return {
        "/problems/{kind}": {
            "get": _operation("problem", tag, "", "What a kind of problem means", "", answers=meaning,
                              refusals=(404, 422), fresh=True, parameters=[kind])
        },
        "/openapi.json": {
            "get": _operation("description", tag, "", "This description", "", answers=openapi, refusals=(),
                              fresh=True)
        },
    }  # fmt: skip


def _get(  # noqa: PLR0917 (what it is called, under which tag, for whom, two texts, what comes and is asked)
    ident: str,
    tag: str,
    scope: Scope,
    summary: str,
    text: str,
    answer: str,
    parameters: list[Any],
    *,
    missing: bool = False,
    types: tuple[str, ...] = ("application/json",),
    fresh: bool = True,
) -> dict[str, Any]:
    """A question: an answer that need not be fetched twice, and what can be wrong with it."""
    paged = any(one["name"] == "cursor" for one in parameters)
    return _operation(
        ident, tag, scope, summary, text, answers={200: ("The answer.", answer)}, types=types, fresh=fresh,
        refusals=(404, 422) if missing else (422,), headers=("Link",) if paged else (), parameters=parameters,
    )  # fmt: skip


def _operation(
    ident: str,
    tag: str,
    scope: Scope | str,
    summary: str,
    text: str,
    *,
    answers: Mapping[int, tuple[str, str]],
    refusals: tuple[int, ...],
    headers: tuple[str, ...] = (),
    types: tuple[str, ...] = ("application/json",),
    fresh: bool = False,
    **more: Any,
) -> dict[str, Any]:
    """fresh: the answer has an ETag, and 304 says that it is still the same."""
    counted = scope not in ("", Scope.READINGS)
    own = (*headers, *(("ETag",) if fresh else ()), *(("RateLimit", "RateLimit-Policy") if counted else ()))
    responses = {
        str(code): _answer(why, dict.fromkeys(types, name), own) for code, (why, name) in answers.items()
    }
    if fresh:
        responses["304"] = {
            "description": "It is the same as the program has.",
            "headers": _header_refs(("ETag",)),
        }
    always = (401, 403, 503) if scope else ()
    for code in sorted({*always, *refusals, *((429,) if counted else ())}):
        told = {401: ("WWW-Authenticate",), 403: ("WWW-Authenticate",)}.get(code, ())
        waiting = ("Retry-After",) if code in (429, 503) else ()
        responses[str(code)] = _answer(
            _WHY[code], {"application/problem+json": "Problem"}, (*told, *waiting), code
        )
    words = f"{text} Takes the scope {scope}.".strip() if scope else f"{text} Open to everybody.".strip()
    frame = {
        "operationId": ident,
        "tags": [tag],
        "summary": summary,
        "description": words,
        "responses": responses,
    }
    return frame | ({} if scope else {"security": []}) | more


def _answer(
    why: str, content: Mapping[str, str], headers: tuple[str, ...], code: int = 200
) -> dict[str, Any]:
    answer: dict[str, Any] = {"description": why, "content": _content(content, code)}
    return answer | ({"headers": _header_refs(headers)} if headers else {})


def _header_refs(names: tuple[str, ...]) -> dict[str, Any]:
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}


def _content(content: Mapping[str, str], code: int) -> dict[str, Any]:
    return {
        kind: {"schema": ref(name), "examples": {"usual": {"value": _example(name, code)}}}
        for kind, name in content.items()
    }


def _example(name: str, code: int) -> Any:
    if name != "Problem":
        return EXAMPLES[name]
    kind = next(kind for kind in KINDS.values() if kind.status == code)
    return {"type": kind.address, "title": kind.title, "status": code, "detail": kind.meaning}


def _body(content: Mapping[str, str]) -> dict[str, Any]:
    return {"required": True, "content": _content(content, 200)}


def _path(name: str, text: str, schema: Mapping[str, Any] | None = None) -> dict[str, Any]:
    shape = dict(schema or {"type": "string", "minLength": 1, "pattern": "^[^/]+$"})
    return {"name": name, "in": "path", "required": True, "description": text, "schema": shape}


def _query(name: str, schema: Mapping[str, Any], text: str, required: bool = False) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": required, "description": text, "schema": dict(schema)}


def _whole(least: int, most: int, **more: Any) -> dict[str, Any]:
    return {"type": "integer", "minimum": least, "maximum": most, **more}


def _interval(start: str = "Start", end: str = "End, not itself included") -> list[dict[str, Any]]:
    return [
        {**_query("from", _AT, f"{start}: {_INSTANT}", True), "example": "2026-10-19T08:30:00Z"},
        {**_query("to", _AT, end, True), "example": "2026-10-19T10:00:00Z"},
    ]


def _paged(most: int = 1000, usual: int = 50) -> list[dict[str, Any]]:
    return [
        _query("limit", _whole(1, most, default=usual), "Entries of a page at most"),
        _query("cursor", _TEXT, "Where the page begins, as it stands in `next`"),
    ]
