"""What comes with a request, read strictly: an unknown field or parameter is a fault, and never guessed."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping
from typing import Annotated, Any, TypeVar
from zoneinfo import ZoneInfo

from flask import request
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from ..errors import IntervalError
from ..instants import parse, rfc3339
from .cursors import Place, read
from .problems import RequestProblem

Text = Annotated[
    str,
    Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*[^\s\x00-\x1f\x7f][^\x00-\x1f\x7f]*$"),
]
Optional = Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]
# RFC 3339: a time has seconds and an offset; without one it would be another time on the caller's machine.
_INSTANT = re.compile(
    r"\d{4}-\d{2}-\d{2}([Tt]\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2}))?", re.ASCII
)
_MOST_SHOWN = 60


def _whole(value: object) -> object:
    """In JSON 352.0 is a whole number (JSON Schema, validation, 6.1.1)."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


Number = Annotated[int, BeforeValidator(_whole), Field(ge=1, lt=2**62)]
Whole = Annotated[int, Field(ge=-(2**62), lt=2**62)]
Body = TypeVar("Body", bound=BaseModel)


class Start(BaseModel):
    """A job that begins now."""

    model_config = ConfigDict(extra="forbid", strict=True)
    zone: Text
    title: Text
    key: Annotated[str, Field(max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")] | None = None
    part: Optional = ""
    material: Optional = ""
    length_mm: Annotated[float, Field(gt=0, lt=1e6)] | None = None
    tolerance_um: Annotated[float, Field(gt=0, lt=1e6)] | None = None
    machine: Optional = ""
    person: Optional = ""
    activity: Optional = ""


class Rows(BaseModel):
    """Rows of another stillroom, numbered from `first` in its record, whose key keeps restarts apart."""

    model_config = ConfigDict(extra="forbid", strict=True)
    record: Annotated[str, Field(pattern="^[0-9a-f]{32}$")]
    first: Number
    rows: Annotated[list[list[Whole | float | bool | str | None]], Field(max_length=5000)]


def body(shape: type[Body]) -> Body:
    """The JSON body in this shape; RequestProblem with all its faults where it does not fit."""
    if request.mimetype != "application/json":
        detail = f"Content-Type: expected application/json, found {request.mimetype[:60] or 'none'}."
        raise RequestProblem("media-type-unknown", detail)
    try:
        return shape.model_validate_json(request.get_data())
    except ValidationError as error:
        faults = error.errors(include_url=False)
        if faults[0]["type"] == "json_invalid":
            raise RequestProblem("body-not-understood", f"The body is no JSON: {faults[0]['msg']}.") from None
        errors = [_fault(dict(fault), shape) for fault in faults[:100]]
    places = "; ".join(
        f"{e['at'] or 'the body'}: expected {e['expected']}, found {e['found']}" for e in errors[:3]
    )
    more = f"; and {len(errors) - 3} more" if len(errors) > 3 else ""
    raise RequestProblem("body-does-not-fit", f"{places}{more}. Nothing was stored.", {"errors": errors})


def _fault(fault: Mapping[str, Any], shape: type[BaseModel]) -> dict[str, str]:
    """One fault of a body: where (JSON pointer, RFC 6901), what is expected, what was found."""
    at = "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in fault["loc"])
    if fault["type"] == "missing":
        return {"at": at, "expected": "a value", "found": "nothing"}
    if fault["type"] == "extra_forbidden":
        fields = ", ".join(shape.model_fields)
        return {"at": at[:200], "expected": f"one of the fields {fields}", "found": "another field"}
    return {"at": at, "expected": _expected(fault), "found": _excerpt(fault["input"])}


def _expected(fault: Mapping[str, Any]) -> str:
    context: Mapping[str, Any] = fault.get("ctx", {})
    words = {
        "string_type": "a text",
        "string_too_short": f"at least {context.get('min_length')} character",
        "string_too_long": f"at most {context.get('max_length')} characters",
        "string_pattern_mismatch": f"a text in the form {context.get('pattern')}",
        "float_type": "a number",
        "int_type": "a whole number",
        "finite_number": "a finite number",
        "greater_than": f"a number above {context.get('gt')}",
        "greater_than_equal": f"a number of at least {context.get('ge')}",
        "less_than": f"a number below {context.get('lt')}",
        "list_type": "a list",
        "too_long": f"at most {context.get('max_length')} entries",
        "model_type": "an object",
    }
    message = str(fault["msg"]).removeprefix("Input should be ")
    return words.get(str(fault["type"]), message[:1].lower() + message[1:])


def _excerpt(value: object) -> str:
    try:
        text = json.dumps(value, ensure_ascii=False)
    except (TypeError, ValueError, RecursionError):
        text = "another value"
    return text if len(text) <= _MOST_SHOWN else text[:_MOST_SHOWN] + "…"


def parameters(*names: str) -> dict[str, str]:
    """The query's parameters, each at most once and one of these; RequestProblem otherwise."""
    values = {}
    for name in request.args:
        if name not in names:
            listed = ", ".join(names) or "none"
            detail = f"There is no parameter {name[:60]!r} here; there are: {listed}."
            raise RequestProblem("parameter-unknown", detail)
        entries = request.args.getlist(name)
        if len(entries) > 1:
            detail = f"The parameter {name!r}: expected once, found {len(entries)} times."
            raise RequestProblem("parameter-not-understood", detail)
        values[name] = entries[0]
    return values


def instant(query: Mapping[str, str], name: str, zone: ZoneInfo) -> int:
    """An instant that must be given: with its offset, or a day of the room, which is its first instant."""
    form = "an instant as in 2026-10-19T08:30:00Z, or a day of the room as in 2026-10-19"
    if name not in query:
        raise RequestProblem("interval-not-understood", f"{name}: expected {form}, found nothing.")
    text = query[name]
    if not _INSTANT.fullmatch(text):
        raise RequestProblem("interval-not-understood", f"{name}: expected {form}, found {text[:40]!r}.")
    try:
        return parse(text, zone, name)
    except IntervalError as error:
        raise RequestProblem("interval-not-understood", str(error)) from None


def interval(query: Mapping[str, str], zone: ZoneInfo, now_ns: int) -> tuple[int, int]:
    """From and to; RequestProblem where nothing lies between, or it lies in the future."""
    from_ns, to_ns = instant(query, "from", zone), instant(query, "to", zone)
    if from_ns >= to_ns:
        detail = f"from {rfc3339(from_ns)}: expected an instant before to {rfc3339(to_ns)}."
        raise RequestProblem("interval-not-understood", detail)
    if to_ns > now_ns:
        detail = f"to {rfc3339(to_ns)} lies in the future; only what was recorded can be judged."
        raise RequestProblem("interval-in-future", detail)
    return from_ns, to_ns


def number(text: str) -> int:
    """A number in an address, of a message or a case; RequestProblem where it is none."""
    if not text.isascii() or not text.isdigit() or len(text) > 18:
        detail = f"The number in the address: expected a whole number below 10^18, found {text[:24]!r}."
        raise RequestProblem("parameter-not-understood", detail)
    return int(text)


def whole_number(query: Mapping[str, str], name: str, most: int, least: int = 0) -> int | None:
    """A whole number from `least` to `most`, where it is given."""
    if name not in query:
        return None
    text = query[name]
    if not text.isascii() or not text.isdigit() or len(text) > 12 or not least <= int(text) <= most:
        detail = f"{name}: expected a whole number from {least} to {most}, found {text[:20]!r}."
        raise RequestProblem("parameter-not-understood", detail)
    return int(text)


def choice(query: Mapping[str, str], name: str, words: Collection[str]) -> str | None:
    """One of several words, where it is given."""
    if name in query and query[name] not in words:
        detail = f"{name}: expected {' or '.join(words)}, found {query[name][:40]!r}."
        raise RequestProblem("parameter-not-understood", detail)
    return query.get(name)


def place(query: Mapping[str, str], usual: int, most: int) -> tuple[Place | None, int]:
    """Where a page begins (None: with the first entry), and how many entries it has at most."""
    after = read(query["cursor"]) if "cursor" in query else None
    return after, whole_number(query, "limit", most, 1) or usual
