"""The facts of a record in the unit in which its readers read temperatures; its JSON stays in °C and K."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar, cast

from ..model import TemperatureUnit
from ..model.reader_units import difference_in_fahrenheit, text_in_fahrenheit, value_in_fahrenheit
from .fact_forms import IssuedFacts, RecordFacts

Convert = Callable[[float, str], tuple[float, str]]
Row = TypeVar("Row")


def mark_temperatures(facts: RecordFacts, unit: TemperatureUnit) -> None:
    """Say in the facts in which unit the pages print temperatures; nothing where that is °C."""
    if unit != "degC":
        facts["temperatures"] = unit


def reader_facts(facts: IssuedFacts) -> IssuedFacts:
    """Facts for the words of the pages: limits, readings and excursions in °F where the record is for those.

    Certificates, the basis of limits and what people wrote stay as they were written.
    """
    if facts.get("temperatures") != "degF":
        return facts
    in_fahrenheit = facts.copy()
    in_fahrenheit["limits"] = [_converted(row, ("lower", "upper"), ()) for row in facts["limits"]]
    in_fahrenheit["statistics"] = [
        _converted(row, ("min", "max", "mean"), ("span",)) for row in facts["statistics"]
    ]
    in_fahrenheit["excursions"] = [
        _converted(row, ("worst", "limit"), ("U", "exceedance")) for row in facts["excursions"]
    ]
    in_fahrenheit["settings"] = [text_in_fahrenheit(text) for text in facts["settings"]]
    in_fahrenheit["notices"] = [text_in_fahrenheit(text) for text in facts["notices"]]
    return in_fahrenheit


def _converted(row: Row, values: Sequence[str], differences: Sequence[str]) -> Row:
    """A row with its values and differences converted, and the unit as it is printed."""
    plain = cast("dict[str, Any]", row)
    unit = plain["unit"]
    each: list[tuple[str, Convert]] = [(name, value_in_fahrenheit) for name in values]
    each += [(name, difference_in_fahrenheit) for name in differences]
    numbers = {name: _number(plain[name], unit, convert) for name, convert in each}
    return cast("Row", {**plain, **numbers, "unit": value_in_fahrenheit(0.0, unit)[1]})


def _number(value: float | None, unit: str, convert: Convert) -> float | None:
    return None if value is None else convert(value, unit)[0]
