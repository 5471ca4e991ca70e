"""What is drawn in a record: one panel a quantity, with the limits in force and their guard bands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from ..instants import NS
from ..model import Channel, Period, Rule, Setup, TemperatureUnit
from .chart import APART, AXIS, TITLE, ChartPanel, LimitBand, Line, draw
from .print_words import unit
from .readings import chart_values
from .verdict_trace import TRACE_HEIGHT

if TYPE_CHECKING:
    from .interval import Interval
    from .zone_readings import RecordRows

# Quantity -> height of its panel in points, decimals on its axis, factor from canonical to the axis.
_PANELS = {
    "temperature": (170.0, 2, 1.0, "degC"),
    "dew_point": (60.0, 2, 1.0, "degC"),
    "relative_humidity": (78.0, 1, 1.0, "%RH"),
    "pressure": (52.0, 1, 0.01, "hPa"),
}


@dataclass(frozen=True)
class Axis:
    """From the canonical unit to that of an axis; a width takes the factor alone."""

    factor: float
    zero: float = 0.0


FAHRENHEIT_AXIS = Axis(1.8, 32.0)
LOWEST, HIGHEST = 0.4, 1.5  # shares of these heights, where a page leaves less or more room
_OTHER = (50.0, 3, 1.0, "")


def figure(
    stored: Mapping[str, RecordRows],
    setup: Setup,
    periods: Sequence[Period],
    span: Interval,
    height: float | None = None,
    *,
    temperatures: TemperatureUnit = "degC",
) -> str:
    """The chart of a zone over an interval, with the verdict trace below, as SVG.

    stored: what `read_zone` reads of the interval.
    height: points that it may take, which its panels share; None: as high as each likes.
    """
    groups: dict[tuple[str, bool], list[Channel]] = {}
    for key in setup.channels_in(span.zone):
        channel = setup.channels[key]
        groups.setdefault((channel.quantity, _is_outdoors(setup, channel)), []).append(channel)
    order = sorted(groups, key=lambda g: (list(_PANELS).index(g[0]) if g[0] in _PANELS else 99, *g))
    each = [_panel(stored, setup, group, groups[group], span, temperatures) for group in order]
    panels = [panel for panel in each if panel.limits or any(map(_has_values, panel.lines))]
    if height is not None and panels:
        left = height - TRACE_HEIGHT - AXIS - len(panels) * (TITLE + APART)
        share = min(max(left / sum(panel.height for panel in panels), LOWEST), HIGHEST)
        panels = [replace(panel, height=panel.height * share) for panel in panels]
    return draw(panels, periods, span.from_ns, span.to_ns, ZoneInfo(setup.room.timezone))


def _is_outdoors(setup: Setup, channel: Channel) -> bool:
    """Whether a channel only ever stood outdoors: on one scale with the room it would flatten the room."""
    places = setup.placements_of(channel.key)
    return bool(places) and all(setup.positions[p.position].medium == "outdoor" for p in places)


def _panel(  # noqa: PLR0917 (what is drawn, for whom, over which time)
    stored: Mapping[str, RecordRows],
    setup: Setup,
    group: tuple[str, bool],
    channels: Sequence[Channel],
    span: Interval,
    temperatures: TemperatureUnit,
) -> ChartPanel:
    quantity, outdoors = group
    height, decimals, factor, name = _PANELS.get(quantity, _OTHER)
    axis, name = (FAHRENHEIT_AXIS, "°F") if (temperatures, name) == ("degF", "degC") else (Axis(factor), name)
    limits = [r for r in setup.rules_of(span.zone) if not outdoors and _is_drawn(r, quantity, span)]
    note = f"{unit(name)}, corrected" + ("; hatched: guard band" if limits else "; no limit")
    return ChartPanel(
        quantity.replace("_", " ").capitalize() + (" outdoors" if outdoors else ""),
        note,
        min(height, _OTHER[0]) if outdoors else height,
        decimals,
        tuple(_line(stored, setup, channel, axis) for channel in channels),
        tuple(_limits(stored, setup, rule, span, axis) for rule in limits),
    )


def _has_values(line: Line) -> bool:
    return bool(np.isfinite(line.value).any())


def _is_drawn(rule: Rule, quantity: str, span: Interval) -> bool:
    return rule.kind == "limit" and rule.quantity == quantity and span.overlaps(rule.from_ns, rule.to_ns)


def _line(stored: Mapping[str, RecordRows], setup: Setup, channel: Channel, axis: Axis) -> Line:
    taken_ns, value = chart_values(channel, *stored[channel.key].judged)
    return Line(
        _label(setup, channel), taken_ns, value * axis.factor + axis.zero, int(channel.max_age_s * NS)
    )


def _label(setup: Setup, channel: Channel) -> str:
    """The probe and, where there is room, what it stands in."""
    places = setup.placements_of(channel.key)
    medium = setup.positions[places[-1].position].medium if places else ""
    return f"{channel.probe} {medium.replace('-', ' ')}" if medium != "pressure" else channel.probe


def _limits(
    stored: Mapping[str, RecordRows], setup: Setup, rule: Rule, span: Interval, axis: Axis
) -> LimitBand:
    measured = [key for key in setup.channels_of(rule) if key in setup.channels]
    guard = rule.r * max((_largest_U(stored, key) for key in measured), default=0.0)
    return LimitBand(
        max(rule.from_ns, span.from_ns),
        span.to_ns if rule.to_ns is None else min(rule.to_ns, span.to_ns),
        None if rule.lower is None else rule.lower * axis.factor + axis.zero,
        None if rule.upper is None else rule.upper * axis.factor + axis.zero,
        guard * axis.factor,
    )


def _largest_U(stored: Mapping[str, RecordRows], key: str) -> float:
    """The widest guard band is drawn: that of the probe that can prove least."""
    _, corrected = stored[key].judged
    return float(np.nanmax(corrected.U)) if np.isfinite(corrected.U).any() else 0.0
