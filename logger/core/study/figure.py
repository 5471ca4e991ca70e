"""What a study answers: figures with 95 % intervals, sentences, and the tables behind its charts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from ...model.figures import decimals, unit_name

Question = Literal[
    "map", "site", "cycles", "events", "change", "step", "hours", "causes", "plan", "return", "forecast"
]
Column = Sequence[Any]
COVERAGE = 0.95  # of every interval
MOST_DECIMALS = 4  # 0.1 mK: no probe tells less


@dataclass(frozen=True)
class Figure:
    """One number of a study with its 95 % interval [low, high], or why it is not shown.

    `n_independent`: how many independent pieces of the record the interval rests on. `needed`: what to
    record, and for how long, before the figure can be shown. `value` may be present where `shown` is
    False: it is then what the record says so far, and proves nothing. `no_interval`: why a figure that is
    shown has no interval; one of both it has.
    """

    name: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    n_independent: float | None = None
    method: str = ""
    shown: bool = True
    why_not: str = ""
    needed: str = ""
    no_interval: str = ""

    def __post_init__(self) -> None:
        if self.shown and (self.value is None or not math.isfinite(self.value)):
            raise ValueError(f"The figure {self.name!r} is shown without a value.")
        if not self.shown and not self.why_not:
            raise ValueError(f"The figure {self.name!r} is not shown, without a reason.")
        if self.shown and not self.no_interval and (self.low is None or self.high is None):
            raise ValueError(f"The figure {self.name!r} has no interval, and does not say why.")
        if self.shown and not all(end is None or math.isfinite(end) for end in (self.low, self.high)):
            raise ValueError(f"The interval of the figure {self.name!r} has no number at one end.")

    @property
    def text(self) -> str:
        """The figure as printed: value, interval and unit, or why it is not shown."""
        if self.shown:
            text = value_with_interval(self.value or 0.0, self.low, self.high, self.unit)
            return f"{text}, no interval: {self.no_interval}" if self.low is None else text
        needed = f" {self.needed}" if self.needed else ""
        return f"not shown: {self.why_not}{needed}"


def absent(name: str, unit: str, why_not: str, needed: str = "", method: str = "") -> Figure:
    """A figure that is not shown, for which the record gives no number at all."""
    return Figure(name, None, unit, method=method, shown=False, why_not=why_not, needed=needed)


def effect(
    name: str, value: float, low: float, high: float, unit: str, *, n: float | None = None, method: str = ""
) -> Figure:
    """A signed figure, shown only where its interval does not include 0.

    >>> effect("shift", 0.02, -0.05, 0.09, "K").text
    'not shown: 0.020 K, between −0.050 and 0.090 K: not distinguished from 0.'
    >>> effect("skill", 0.002, -0.008, 0.011, "").text
    'not shown: 0.0020, between −0.0080 and 0.0110: not distinguished from 0.'
    >>> effect("shift", -0.2, -0.29, -0.11, "K").text
    '−0.200 K (−0.290 to −0.110)'
    """
    if low <= 0 <= high:
        n_decimals = min(MOST_DECIMALS, decimals((high - low) / 2))
        suffix = f" {unit_name(unit)}".rstrip()
        ends = f"between {_number(low, n_decimals)} and {_number(high, n_decimals)}{suffix}"
        why = f"{_number(value, n_decimals)}{suffix}, {ends}: not distinguished from 0."
        return Figure(name, value, unit, low, high, n, method, shown=False, why_not=why)
    return Figure(name, value, unit, low, high, n, method)


def value_with_interval(value: float, low: float | None, high: float | None, unit: str) -> str:
    """A value with its interval, with the decimals of the half-width (two significant digits).

    >>> value_with_interval(12.04, 11.83, 12.25, "min"), value_with_interval(0.3, None, None, "K")
    ('12.04 min (11.83 to 12.25)', '0.30 K')
    """
    name = unit_name(unit)
    if low is None or high is None:
        return f"{_number(value, 2)} {name}".rstrip()
    n_decimals = min(MOST_DECIMALS, decimals((high - low) / 2))
    ends = f"({_number(low, n_decimals)} to {_number(high, n_decimals)})"
    return f"{_number(value, n_decimals)} {name} {ends}".replace("  ", " ")


def percent(share: float) -> str:
    """
    >>> percent(0.974)
    '97 %'
    """
    return f"{100 * share:.0f} %"


def _number(value: float, n_decimals: int) -> str:
    text = f"{value:.{n_decimals}f}"
    return (text if float(text) else text.lstrip("-")).replace("-", "−")


@dataclass(frozen=True)
class Answer:
    """The answer to one question: a headline, figures, remarks, and the tables behind the charts.

    tables: name -> column -> values of equal length; plain numbers and texts, None where there is none.
    """

    question: Question
    headline: str
    figures: tuple[Figure, ...]
    remarks: tuple[str, ...] = ()
    tables: Mapping[str, Mapping[str, Column]] = field(default_factory=dict)

    def figure(self, name: str) -> Figure:
        """The figure of that name; KeyError where there is none."""
        for item in self.figures:
            if item.name == name:
                return item
        raise KeyError(name)
