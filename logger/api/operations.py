"""How an operation is described: its parameters, bodies, answers, refusals and headers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..model.roles import Scope
from .examples import EXAMPLES
from .problem_kinds import KINDS
from .schemas import ref

_INSTANT = (
    "RFC 3339 with an offset, as in 2026-10-19T08:30:00Z; or a day of the room, which is its first instant"
)
_AT = {"anyOf": [{"type": "string", "format": "date-time"}, {"type": "string", "format": "date"}]}
_TEXT = {"type": "string"}
_WHY = {
    400: "The request cannot be read.",
    401: "There is no token of this record in the request.",
    403: "The token has not the scope that this takes.",
    404: "There is nothing of that name.",
    406: "There is none of the forms in the header Accept.",
    409: "It is there already.",
    413: "The body is larger than 1,000,000 bytes.",
    415: "The body has another type.",
    422: "It was read and cannot be done; nothing was changed.",
    429: "The token asked more often than it may.",
    503: "The record cannot be used just now; nothing was stored. Try again later.",
}


def question(  # noqa: PLR0917 (what it is called, under which tag, for whom, two texts, what comes and is asked)
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
    others: tuple[int, ...] = (),
) -> dict[str, Any]:
    """A question: an answer that need not be fetched twice, and what can be wrong with it."""
    paged = any(parameter["name"] == "cursor" for parameter in parameters)
    return operation(
        ident, tag, scope, summary, text, answers={200: ("The answer.", answer)}, types=types, fresh=fresh,
        refusals=(*others, *((404, 422) if missing else (422,))), headers=("Link",) if paged else (),
        parameters=parameters,
    )  # fmt: skip


def operation(
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
        asking = {401: ("WWW-Authenticate",), 403: ("WWW-Authenticate",)}.get(code, ())
        waiting = ("Retry-After",) if code in (429, 503) else ()
        responses[str(code)] = _answer(
            _WHY[code], {"application/problem+json": "Problem"}, (*asking, *waiting), code
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


def body(content: Mapping[str, str]) -> dict[str, Any]:
    return {"required": True, "content": _content(content, 200)}


def path(name: str, text: str, schema: Mapping[str, Any] | None = None) -> dict[str, Any]:
    shape = dict(schema or {"type": "string", "minLength": 1, "pattern": "^[^/]+$"})
    return {"name": name, "in": "path", "required": True, "description": text, "schema": shape}


def query(name: str, schema: Mapping[str, Any], text: str, required: bool = False) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": required, "description": text, "schema": dict(schema)}


def whole(least: int, most: int, **more: Any) -> dict[str, Any]:
    return {"type": "integer", "minimum": least, "maximum": most, **more}


def interval(start: str = "Start", end: str = "End, not itself included") -> list[dict[str, Any]]:
    return [
        {**query("from", _AT, f"{start}: {_INSTANT}", True), "example": "2026-10-19T08:30:00Z"},
        {**query("to", _AT, end, True), "example": "2026-10-19T10:00:00Z"},
    ]


def paged(most: int = 1000, usual: int = 50) -> list[dict[str, Any]]:
    return [
        query("limit", whole(1, most, default=usual), "Entries of a page at most"),
        query("cursor", _TEXT, "Where the page begins, as it stands in `next`"),
    ]
