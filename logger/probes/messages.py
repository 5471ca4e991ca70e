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
    """What cannot be read; the text says what was wanted and found. Nothing of it was stored."""


@dataclass(frozen=True)
class Told:
    """One value by the name that the probe gives it. `taken_ns` None: without a time of its own."""

    name: str
    value: float | None
    taken_ns: int | None
    raw: str = ""
    unit: str = ""  # as SenML names it


@dataclass(frozen=True)
class Heard:
    """All values of one message, and what the probe's clock showed when it sent it."""

    told: tuple[Told, ...]
    clock_ns: int | None = None


def heard(payload: bytes, form: Message, names: Collection[str], now_ns: int) -> Heard:
    """What a message says under the names that are wanted; BadMessage where it has none of them."""
    if len(payload) > LARGEST:
        raise BadMessage(f"wanted at most {LARGEST} bytes, found {len(payload)}")
    found = _senml(payload, names, now_ns) if form.format == "senml" else _json(payload, form, names)
    if not found.told:
        raise BadMessage(f"wanted values of {', '.join(sorted(names))}; found none of them")
    return found


def _senml(payload: bytes, names: Collection[str], now_ns: int) -> Heard:
    try:
        found = records(payload, now_ns)
    except NoSenml as error:
        raise BadMessage(str(error)) from error
    return Heard(tuple(Told(r.name, r.value, r.taken_ns, "", r.unit) for r in found if r.name in names))


def _json(payload: bytes, form: Message, names: Collection[str]) -> Heard:
    try:
        found = json.loads(payload, parse_float=Decimal, parse_int=Decimal, object_pairs_hook=each_once)
    except ArithmeticError as error:  # an exponent beyond what even a decimal takes
        raise BadMessage("wanted numbers that a double can hold, found one beyond all of them") from error
    except (ValueError, RecursionError) as error:
        raise BadMessage(f"wanted JSON, found what cannot be read: {error}") from error
    objects = found if isinstance(found, list) else [found]
    if not all(isinstance(one, dict) for one in objects):
        raise BadMessage("wanted an object or a list of objects, found something else")
    told = tuple(value for one in objects for value in _values(one, form, names))
    clocks = [
        instant(at(one, form.clock), form.clock) for one in objects if form.clock and at(one, form.clock)
    ]
    return Heard(told, clocks[-1] if clocks else None)


def _values(one: Mapping[str, Any], form: Message, names: Collection[str]) -> Sequence[Told]:
    there = [name for name in names if at(one, name) is not None or name in one]
    if not there:
        return []
    taken_ns = None
    if form.time != "arrival":
        written = at(one, form.time)
        if written is None:
            raise BadMessage(f"wanted the time under {form.time!r}, found none")
        taken_ns = instant(written, form.time)
    return [_value(name, at(one, name), taken_ns) for name in there]


def _value(name: str, found: Any, taken_ns: int | None) -> Told:
    """A number; anything else, null or a fault word, is what the sensor says instead of one."""
    if isinstance(found, Decimal) and math.isfinite(float(found)):
        return Told(name, float(found), taken_ns)
    return Told(name, None, taken_ns, json.dumps(found, default=str)[:64])


def at(one: Mapping[str, Any], path: str) -> Any:
    """What stands under a key, or under keys within each other: "air.temperature"."""
    if path in one:
        return one[path]
    found: Any = one
    for key in path.split("."):
        found = found.get(key) if isinstance(found, dict) else None
    return found


def instant(written: Any, name: str) -> int:
    """An instant in ns since 1970; BadMessage for a time without offset, or none of this age.

    >>> instant("2026-10-19T10:30:00+02:00", "time") == instant(Decimal("1792398600"), "time")
    True
    """
    if isinstance(written, Decimal) and 0 <= written < MOST_SECONDS:
        return int(written * NS)
    try:
        when = datetime.fromisoformat(str(written))
    except ValueError:
        when = None
    if when is None or when.tzinfo is None or isinstance(written, Decimal):
        wanted = "a time with its offset, such as 2026-10-19T08:30:00Z, or seconds since 1970"
        raise BadMessage(f"{name}: wanted {wanted}; found {str(written)[:40]!r}")
    return int(when.timestamp()) * NS + when.microsecond * 1000
