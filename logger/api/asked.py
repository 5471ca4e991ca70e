"""What a request asks for, read strictly: an unknown field or parameter is a fault, and never guessed."""

from __future__ import annotations

from typing import Annotated, TypeVar
from zoneinfo import ZoneInfo

from flask import request
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from werkzeug.exceptions import BadRequest, UnsupportedMediaType

from ..errors import IntervalError, Refused
from ..instants import parse, rfc3339

Text = Annotated[
    str,
    Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*[^\s\x00-\x1f\x7f][^\x00-\x1f\x7f]*$"),
]
Optional = Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]


def _whole(given: object) -> object:
    """In JSON 352.0 is a whole number (JSON Schema, validation, 6.1.1)."""
    return int(given) if isinstance(given, float) and given.is_integer() else given


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
    """The JSON body in this shape; 415 for another type, 400 for no JSON, Refused where it does not fit."""
    if request.mimetype != "application/json":
        raise UnsupportedMediaType("The body is expected as application/json.")
    try:
        return shape.model_validate_json(request.get_data())
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        if first["type"] == "json_invalid":
            raise BadRequest(f"The body is no JSON: {first['msg']}.") from None
        place = ".".join(map(str, first["loc"])) or "the body"
        raise Refused(f"{place}: {first['msg']}. Nothing was stored.") from None


def parameters(*known: str) -> dict[str, str]:
    """The query's parameters, each at most once and known; Refused otherwise."""
    found = {}
    for name in request.args:
        if name not in known:
            raise Refused(f"There is no parameter {name!r}; there are: {', '.join(known) or 'none'}.")
        values = request.args.getlist(name)
        if len(values) > 1:
            raise Refused(f"The parameter {name!r} came {len(values)} times.")
        found[name] = values[0]
    return found


def instant(asked: dict[str, str], name: str, zone: ZoneInfo) -> int:
    """An instant that must be given; without an offset it is the room's own time."""
    if name not in asked:
        raise Refused(f"The parameter {name!r} is missing: a time such as 2026-10-19T08:30:00Z.")
    return parse(asked[name], zone, name)


def interval(asked: dict[str, str], zone: ZoneInfo, now_ns: int) -> tuple[int, int]:
    """From and to; IntervalError where nothing lies between, or it lies in the future."""
    from_ns, to_ns = instant(asked, "from", zone), instant(asked, "to", zone)
    if from_ns >= to_ns:
        raise IntervalError(f"from {rfc3339(from_ns)} is not before to {rfc3339(to_ns)}.")
    if to_ns > now_ns:
        raise IntervalError(f"to {rfc3339(to_ns)} is in the future; only what was recorded can be judged.")
    return from_ns, to_ns


def number(text: str) -> int:
    """A number in an address, of a message or a case; Refused where it is none."""
    if not text.isascii() or not text.isdigit() or len(text) > 18:
        raise Refused(f"The number in the address: expected a whole number below 10^18, found {text[:24]!r}.")
    return int(text)


def whole_number(asked: dict[str, str], name: str, most: int) -> int | None:
    """A whole number from 0 to `most`, where it is given."""
    if name not in asked:
        return None
    text = asked[name]
    if not text.isascii() or not text.isdigit() or len(text) > 12 or int(text) > most:
        raise Refused(f"{name}: expected a whole number from 0 to {most}, found {text[:20]!r}.")
    return int(text)
