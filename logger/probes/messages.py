"""What probes say by themselves, in JSON or SenML, to values with their instants. Pure.

A JSON message is an object, or a list of objects: {"time": "2026-10-19T08:30:00Z", "t": 20.03, "rh": 47.8}.
A time is written with its offset, or is a number of seconds since 1970.
"""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from ..formats.senml import NoSenml, each_once, records
from ..instants import NS
from ..model import Message

LARGEST = 1_000_000  # bytes
MOST_SECONDS = 2**33


class BadMessage(ValueError):
    """What cannot be read; the text says what was expected and found. Nothing of it was stored."""


@dataclass(frozen=True)
class MessageValue:
    """One value by the name that the probe gives it. `taken_ns` None: without a time of its own."""

    name: str
    value: float | None
    taken_ns: int | None
    raw: str = ""
    unit: str = ""  # as SenML names it


@dataclass(frozen=True)
class ParsedMessage:
    """All values of one message, and what the probe's clock showed when it sent it."""

    values: tuple[MessageValue, ...]
    clock_ns: int | None = None


def parse_message(payload: bytes, form: Message, names: Collection[str], now_ns: int) -> ParsedMessage:
    """What a message says under the names that are wanted; BadMessage where it has none of them."""
    if len(payload) > LARGEST:
        raise BadMessage(f"expected at most {LARGEST} bytes, found {len(payload)}")
    parsed = _senml(payload, names, now_ns) if form.format == "senml" else _json(payload, form, names)
    if not parsed.values:
        raise BadMessage(f"expected values of {', '.join(sorted(names))}; found none of them")
    return parsed


def _senml(payload: bytes, names: Collection[str], now_ns: int) -> ParsedMessage:
    try:
        entries = records(payload, now_ns)
    except NoSenml as error:
        raise BadMessage(str(error)) from error
    return ParsedMessage(
        tuple(MessageValue(r.name, r.value, r.taken_ns, "", r.unit) for r in entries if r.name in names)
    )


def _json(payload: bytes, form: Message, names: Collection[str]) -> ParsedMessage:
    try:
        content = json.loads(payload, parse_float=Decimal, parse_int=Decimal, object_pairs_hook=each_once)
    except ArithmeticError as error:  # an exponent beyond what even a decimal takes
        raise BadMessage("expected numbers in the range of a double, found one beyond it") from error
    except (ValueError, RecursionError) as error:
        raise BadMessage(f"expected JSON, found what cannot be read: {error}") from error
    objects = content if isinstance(content, list) else [content]
    if not all(isinstance(entry, dict) for entry in objects):
        raise BadMessage("expected an object or a list of objects, found something else")
    values = tuple(value for entry in objects for value in _values(entry, form, names))
    clocks = [
        _clock(at(entry, form.clock), form.clock) for entry in objects if form.clock and at(entry, form.clock)
    ]
    return ParsedMessage(values, clocks[-1] if clocks else None)


def _values(entry: Mapping[str, Any], form: Message, names: Collection[str]) -> Sequence[MessageValue]:
    present = [name for name in names if at(entry, name) is not None or name in entry]
    if not present:
        return []
    taken_ns = None
    if form.time != "arrival":
        time_text = at(entry, form.time)
        if time_text is None:
            raise BadMessage(f"expected the time under {form.time!r}, found none")
        taken_ns = instant(time_text, form.time)
    return [_value(name, at(entry, name), taken_ns) for name in present]


def _value(name: str, content: Any, taken_ns: int | None) -> MessageValue:
    """A number; anything else, null or a fault word, is what the sensor says instead of one."""
    if isinstance(content, Decimal) and math.isfinite(float(content)):
        return MessageValue(name, float(content), taken_ns)
    return MessageValue(name, None, taken_ns, json.dumps(content, default=str)[:64])


def at(entry: Mapping[str, Any], path: str) -> Any:
    """What stands under a key, or under keys within each other: "air.temperature"."""
    if path in entry:
        return entry[path]
    value: Any = entry
    for key in path.split("."):
        value = value.get(key) if isinstance(value, dict) else None
    return value


def _clock(time_value: Any, name: str) -> int:
    """What a clock shows: it may be wrong by decades, but by how much has to have a place in 64 bits."""
    shown_ns = instant(time_value, name)
    if not 0 <= shown_ns < MOST_SECONDS * NS:
        expected = "a clock between the years 1970 and 2242"
        raise BadMessage(f"{name}: expected {expected}; found {str(time_value)[:40]!r}. Set its clock")
    return shown_ns


def instant(time_value: Any, name: str) -> int:
    """An instant in ns since 1970; BadMessage for a time without offset, or none of this age.

    >>> instant("2026-10-19T10:30:00+02:00", "time") == instant(Decimal("1792398600"), "time")
    True
    """
    if isinstance(time_value, Decimal) and 0 <= time_value < MOST_SECONDS:
        return int(time_value * NS)
    try:
        when = datetime.fromisoformat(str(time_value))
    except ValueError:
        when = None
    if when is None or when.tzinfo is None or isinstance(time_value, Decimal):
        expected = "a time with its offset, such as 2026-10-19T08:30:00Z, or seconds since 1970"
        raise BadMessage(f"{name}: expected {expected}; found {str(time_value)[:40]!r}")
    return int(when.timestamp()) * NS + when.microsecond * 1000
