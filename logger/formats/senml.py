"""Sensor Measurement Lists (SenML in JSON): a pack of records to numbers with name, unit and time.

Source: RFC 8428, chapters 4 and 5. Base fields hold for their record and all after it; a time below 2^28
is relative to now; a field whose name ends in "_" must be understood, and none is.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

NS = 1_000_000_000
RELATIVE = 2**28  # s
NEWEST_VERSION = 10
# SenML unit -> ours (RFC 8428, 12.1, and the secondary units of RFC 8798).
UNITS = {"Cel": "degC", "K": "K", "%RH": "%RH", "Pa": "Pa", "hPa": "hPa", "ppm": "ppm", "m/s": "m/s"}
_NUMBERS = ("bt", "bv", "bs", "bver", "t", "v", "s", "ut")
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")


class NoSenml(ValueError):
    """What is not SenML, or asks for what is not understood; the text says what and where."""


@dataclass(frozen=True)
class Record:
    """One resolved record. `taken_ns` None: it came without a time; `value` None: a text, a flag or a sum."""

    name: str
    unit: str
    taken_ns: int | None
    value: float | None


def records(payload: bytes, now_ns: int) -> list[Record]:
    """The resolved records of a pack; NoSenml with what was expected and found.

    >>> pack = b'[{"bn":"P1/","bt":1792396800,"bu":"Cel","n":"t","v":20.03},{"n":"t","t":60,"v":20.1}]'
    >>> [(r.name, r.unit, r.taken_ns // NS, r.value) for r in records(pack, 0)]
    [('P1/t', 'Cel', 1792396800, 20.03), ('P1/t', 'Cel', 1792396860, 20.1)]
    """
    try:
        return list(_all_resolved(_pack(payload), now_ns))
    except ArithmeticError as error:  # an exponent beyond what even a decimal takes
        raise NoSenml("expected numbers that a double can hold, found one beyond all of them") from error


def _all_resolved(pack: Sequence[Any], now_ns: int) -> Iterator[Record]:
    base: dict[str, Any] = {"bn": "", "bt": Decimal(0), "bu": "", "bv": Decimal(0)}
    for number, record in enumerate(pack, 1):
        _checked(record, number)
        base |= {key: record[key] for key in base if key in record}
        if "n" in record or "v" in record:
            yield _resolved(record, base, now_ns, number)


def each_once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    """An object of names that each stand once: of two values nobody knows which holds (RFC 8259, 4).

    >>> each_once([("t", 20.0), ("t", 21.0)])
    Traceback (most recent call last):
    ValueError: the name 't' occurs more than once in one object
    """
    unique = dict(pairs)
    if len(unique) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"the name {twice!r} occurs more than once in one object")
    return unique


def _pack(payload: bytes) -> list[Any]:
    try:
        pack = json.loads(
            payload,
            parse_float=Decimal,
            parse_int=Decimal,
            parse_constant=_refused,
            object_pairs_hook=each_once,
        )
    except (ValueError, RecursionError) as error:
        raise NoSenml(f"expected a list of records in JSON, found none: {error}") from error
    if not isinstance(pack, list) or not pack:
        raise NoSenml("expected a list of records, found something else")
    return pack


def _refused(word: str) -> None:
    raise ValueError(f"{word} is no number of JSON")


def _checked(record: Any, number: int) -> None:
    if not isinstance(record, dict):
        raise NoSenml(f"record {number}: expected an object, found {str(record)[:40]!r}")
    for key, value in record.items():
        if key.endswith("_"):
            raise NoSenml(f"record {number}: the field {key!r} must be understood, and is not")
        kind = Decimal if key in _NUMBERS else str if key in _TEXTS else object
        if not isinstance(value, kind):
            raise NoSenml(f"record {number}: {key!r} is {str(value)[:40]!r}, which it cannot be")
    if record.get("bver", 0) > NEWEST_VERSION:
        raise NoSenml(f"record {number}: version {record['bver']}, newer than {NEWEST_VERSION}")


def _resolved(record: Mapping[str, Any], base: Mapping[str, Any], now_ns: int, number: int) -> Record:
    name = base["bn"] + record.get("n", "")
    if not name:
        raise NoSenml(f"record {number}: expected a name in bn or n, found none")
    value = float(base["bv"] + record["v"]) if "v" in record else None
    if value is not None and not math.isfinite(value):
        raise NoSenml(f"record {number}: the value {record['v']} is too large")
    return Record(name, record.get("u", base["bu"]), _instant(record, base, now_ns), value)


def _instant(record: Mapping[str, Any], base: Mapping[str, Any], now_ns: int) -> int | None:
    time_s = base["bt"] + record.get("t", 0)
    if not time_s and not base["bt"]:
        return None
    if abs(time_s) > 2**33:
        raise NoSenml(f"the time {time_s} is no time of this age")
    return int(time_s * NS) + (now_ns if time_s < RELATIVE else 0)
