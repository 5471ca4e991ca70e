"""What a chart shows, and the two building blocks of its drawing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from logger.core.judge.trace import Run
from logger.model import Excursion, Inspection, Rule

from ..data.statements import Band
from ..data.words import read_scale, to_read_unit
from . import theme

Figure = dict[str, Any]
MS = 1_000_000


PALE_NS = 900 * 10**9  # bins so wide are drawn as a pale band with the mean in it


@dataclass(frozen=True)
class ChartLine:
    """One channel in a chart: values in the canonical unit, None where the line is broken."""

    channel: str
    label: str
    taken_ns: Sequence[int]
    values: Sequence[float | None]
    U: float
    place: int  # which colour and dash
    bin_ns: int = 0  # a point stands for so much time; 0: each reading is drawn
    bounds: bool = False  # values are bounds of what was there, as computed from extremes of the inputs
    mean_ns: Sequence[int] = ()  # of a line that is drawn as extremes: middle and mean of each bin
    mean: Sequence[float | None] = ()

    @property
    def pale(self) -> bool:
        """Whether the extremes are drawn pale and the mean over them: a point stands for a longer time."""
        return self.bin_ns >= PALE_NS and len(self.mean_ns) > 1

    @property
    def colour(self) -> str:
        return theme.SERIES[self.place % len(theme.SERIES)]

    @property
    def dash(self) -> str:
        return theme.DASHES[(self.place + self.place // len(theme.SERIES)) % len(theme.DASHES)]


@dataclass(frozen=True)
class Chart:
    """What one chart shows: a zone, one quantity, a window. Places on its time axis are instants (UTC);
    `clock` is the time zone in which their words are written.
    """

    zone: str
    quantity: str
    unit: str
    from_ns: int
    to_ns: int
    clock: str
    lines: Sequence[ChartLine]
    limits: Sequence[Rule]
    runs: Sequence[Run]
    excursions: Sequence[Excursion] = ()
    inspections: Sequence[Inspection] = ()
    notes: Sequence[tuple[int, str]] = ()
    live: bool = False  # the time axis follows the readings until a person zooms
    small: bool = False  # one of several beside a large one: no names of the levels of its trace
    acts: Sequence[tuple[int, str]] = ()  # what people did, each at its instant
    band: bool = False  # the expanded uncertainty is drawn around each line
    expected: Band | None = None  # where the likeliest of the lines to leave its limits will be, beyond now
    rule_names: Mapping[str, str] = field(default_factory=dict)  # as printed, by key
    below: Sequence[Chart] = ()  # further quantities in the same window, one panel each

    @property
    def panels(self) -> tuple[Chart, ...]:
        """One for each quantity, this one first."""
        return (self, *self.below)

    def rule_name(self, key: str) -> str:
        """The name of a rule as printed; the key where the setup no longer has it."""
        return self.rule_names.get(key, key)

    def ms(self, ns: int) -> int:
        """Milliseconds since 1970 for the axis."""
        return ns // MS

    def y(self, value: float | None) -> float | None:
        return None if value is None else round(to_read_unit(value, self.unit)[0], 4)

    def ys(self, values: Sequence[float | None]) -> list[float | None]:
        """Many values at once, in the unit in which people read them."""
        factor, zero = read_scale(self.unit)
        return [None if v is None else round(v * factor + zero, 4) for v in values]


def base(**more: Any) -> Figure:
    return {
        "type": "scatter",
        "showlegend": False,
        "hoverinfo": "skip",
        "line": {"width": 0},
        "mode": "lines",
        **more,
    }


def boxes_of(chart: Chart, boxes: Sequence[tuple[int, int, float, float]]) -> Figure:
    """Rectangles as one path: from, to, low, high of each."""
    x: list[int | None] = []
    y: list[float | None] = []
    for from_ns, to_ns, low, high in boxes:
        a, b = chart.ms(from_ns), chart.ms(to_ns)
        x += [a, b, b, a, a, None]
        y += [low, low, high, high, low, None]
    return {"x": x[:-1], "y": y[:-1]}
