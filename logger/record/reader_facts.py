"""The facts of a record in the unit in which its readers read temperatures; its JSON stays in °C and K."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from ..model import TemperatureUnit
from ..model.reader_units import difference_in_fahrenheit, text_in_fahrenheit, value_in_fahrenheit
from .print_words import Facts

Convert = Callable[[float, str], tuple[float, str]]


def reader_facts(facts: Facts) -> Facts:
    """Facts for the words of the pages: limits, readings and excursions in °F where the record is for those.

    Certificates, the basis of limits and what people wrote stay as they were written.
    """
    if facts.get("temperatures") != "degF":
        return facts
    return {
        **facts,
        "limits": [_converted(row, ("lower", "upper"), ()) for row in facts["limits"]],
        "statistics": [_converted(row, ("min", "max", "mean"), ("span",)) for row in facts["statistics"]],
        "excursions": [
            _converted(row, ("worst", "limit"), ("U", "exceedance")) for row in facts["excursions"]
        ],
        "settings": [text_in_fahrenheit(text) for text in facts["settings"]],
        "notices": [text_in_fahrenheit(text) for text in facts["notices"]],
    }


def temperatures_of(unit: TemperatureUnit) -> dict[str, str]:
    """What the facts of a record say of the unit of its pages; nothing where that is °C."""
    return {} if unit == "degC" else {"temperatures": unit}


def _converted(row: Facts, values: Sequence[str], differences: Sequence[str]) -> dict[str, Any]:
    """A row with its values and differences converted, and the unit as it is printed."""
    unit = row["unit"]
    each = [(name, value_in_fahrenheit) for name in values]
    each += [(name, difference_in_fahrenheit) for name in differences]
    done = {name: _number(row[name], unit, convert) for name, convert in each}
    return {**row, **done, "unit": value_in_fahrenheit(0.0, unit)[1]}


def _number(value: float | None, unit: str, convert: Convert) -> float | None:
    return None if value is None else convert(value, unit)[0]
