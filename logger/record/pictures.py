"""All pictures of a record as SVG: the chart with the trace, the strips of its days, their ruler."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ..instants import parse
from ..model import Period, Setup, TemperatureUnit
from .day_strips import draw_ruler, draw_strip, hour_of_points, row_height, strip_length, strips
from .figure import figure

if TYPE_CHECKING:
    from .fact_forms import JudgedFacts
    from .interval import Interval
    from .zone_readings import RecordRows

PAGE, HEADS, LOWEST = (
    720.0,
    84.0,
    200.0,
)  # points of a page; heading, ruler and note of the strips; of the chart


def judged_periods(facts: JudgedFacts) -> list[Period]:
    """The periods that a record states: its pictures show these, whatever was stored since."""
    utc = ZoneInfo("UTC")
    return [
        Period(
            facts["zone"]["key"], parse(p["from"], utc), parse(p["to"], utc), p["verdict"], p["reason"],
            p["rule"], p["probe"], provisional=p["provisional"],
        )
        for p in facts["periods"]
    ]  # fmt: skip


def pictures(
    stored: Mapping[str, RecordRows],
    setup: Setup,
    periods: Sequence[Period],
    span: Interval,
    temperatures: TemperatureUnit = "degC",
) -> dict[str, str]:
    """Name of a file in the template -> its SVG. stored: what `read_zone` reads of the interval."""
    zone = ZoneInfo(setup.room.timezone)
    each = strip_length(span.from_ns, span.to_ns, zone)
    rows = strips(periods, span.from_ns, span.to_ns, zone)
    height = PAGE - HEADS - len(rows) * row_height(len(rows))
    hour = hour_of_points(rows, each)
    drawn = {f"strip-{n:03d}.svg": draw_strip(row, periods, hour, zone) for n, row in enumerate(rows)}
    return {
        "chart.svg": figure(stored, setup, periods, span, max(height, LOWEST), temperatures=temperatures),
        "ruler.svg": draw_ruler(each, hour),
        **drawn,
    }
