"""Axes of a chart in pixels: one panel for each quantity, the verdict trace below, marks under it.

All of them share the time axis, whose words stand between the panels and the trace.
"""

from __future__ import annotations

import math

from . import theme
from .chart import Chart, Figure
from .local_axis import FEW_TICKS, TICKS, tick_words

TOP, BOTTOM = 22, 8
TIMES = 62  # the words of the time axis: time, day, and the offset where it changes
TRACE = 62
MARKS = 52
GAP = 22
SMALL, SMALL_TRACE, SMALL_TIMES = 200, 30, 44
MARK_ROWS = ("excursion", "act", "inspection")
AXIS = {
    "showgrid": False,
    "gridcolor": theme.HAIR,
    "zeroline": False,
    "fixedrange": True,
    "ticks": "outside",
    "ticklen": 5,
    "tickcolor": theme.INK_2,
}
ROWS = {**AXIS, "anchor": "x", "tickcolor": "rgba(0,0,0,0)", "tickmode": "array"}
FONT = {"family": "B612, sans-serif", "size": 12, "color": theme.INK_2}


def name_of(panel: int) -> str:
    """The y axis of a panel as traces name it; y2 and y3 are those of the trace and the marks."""
    return "y" if panel == 0 else f"y{panel + 3}"


def height_of(chart: Chart, first: int = 400) -> int:
    """Pixels of a chart whose first panel makes it `first` high without marks."""
    if chart.small:
        return SMALL
    return first + (MARKS if has_marks(chart) else 0) + (len(chart.panels) - 1) * (150 + GAP)


def has_marks(chart: Chart) -> bool:
    return bool(chart.excursions or chart.inspections or chart.acts)


def domains(chart: Chart, height: int) -> tuple[list[tuple[float, float]], float, float]:
    """Shares of the height: (low, high) of each panel, top of the marks, top of the trace."""
    whole = height - TOP - BOTTOM
    marks = MARKS if has_marks(chart) else 0
    trace = marks + (SMALL_TRACE if chart.small else TRACE)
    times = SMALL_TIMES if chart.small else TIMES
    count = len(chart.panels)
    unit = (whole - trace - times - (count - 1) * GAP) / (count + 0.6)
    shares, top = [], float(whole)
    for panel in range(count):
        bottom = top - unit * (1.6 if panel == 0 else 1.0)
        shares.append((round(max(bottom, 0.0) / whole, 4), round(top / whole, 4)))
        top = bottom - GAP
    return shares, round((marks - 6) / whole, 4) if marks else 0.0, round(trace / whole, 4)


def axes(chart: Chart, ranges: list[tuple[float, float]], height: int) -> Figure:
    """Every axis of the layout."""
    panels, marks_top, trace_top = domains(chart, height)
    by_name = {"xaxis": time_axis(chart, len(panels))}
    for panel, (domain, bounds) in enumerate(zip(panels, ranges, strict=True)):
        name = "yaxis" + name_of(panel)[1:]
        by_name[name] = {
            **AXIS,
            "range": list(bounds),
            "domain": list(domain),
            "nticks": (most := 8 if panel == 0 and not chart.small else 5),
            "tickformat": f".{tick_decimals(*bounds, most)}f",
            "showgrid": True,
        }
        if panel:
            by_name[name]["anchor"] = "x"
    by_name["yaxis2"] = {
        **ROWS,
        "range": [-0.5, 2.5],
        "domain": [marks_top + 0.02 if has_marks(chart) else 0.0, trace_top],
        "tickvals": [0, 1, 2],
        "ticktext": ["", "", ""] if chart.small else list(theme.ROWS),
        "tickfont": {"size": 11},
    }
    by_name["yaxis3"] = {
        **ROWS,
        "range": [-0.5, 2.5],
        "domain": [0.0, marks_top or 0.01],
        "tickvals": [2, 1, 0],
        "ticktext": list(MARK_ROWS),
        "tickfont": {"size": 10},
        "visible": has_marks(chart),
    }
    return by_name


def tick_decimals(low: float, high: float, most: int) -> int:
    """Decimals of the ticks of an axis, the same for all: those of the step that so many ticks ask for.

    >>> tick_decimals(19.4, 20.6, 8), tick_decimals(40.0, 60.0, 5), tick_decimals(20.0, 20.2, 8)
    (1, 0, 2)
    """
    step = (high - low) / most
    return max(0, math.ceil(-math.log10(step))) if step > 0 else 0


def time_axis(chart: Chart, panels: int) -> Figure:
    """The shared axis under the last panel; a live one follows its readings until a person zooms."""
    fixed = {} if chart.live else {"range": [chart.ms(chart.from_ns), chart.ms(chart.to_ns)]}
    return {
        **fixed,
        "type": "linear",  # of ms: on an axis of dates each point is read as a date, half of the drawing
        "showgrid": True,
        "gridcolor": theme.HAIR,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 6,
        "anchor": name_of(panels - 1),
        "tickcolor": theme.INK_2,
        "tickangle": 0,
        **tick_words(chart.from_ns, chart.to_ns, chart.clock, FEW_TICKS if chart.small else TICKS),
    }


def frame(*, small: bool = False, letters: int = 0) -> Figure:
    """Fonts, margins and manners of a chart whose longest name at the end of a line has so many letters."""
    return {
        "font": FONT,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "dragmode": "zoom",
        "margin": {"l": 44 if small else 66, "r": max(82, 14 + round(7.1 * letters)), "t": TOP, "b": BOTTOM},
        "hovermode": False,
        "showlegend": False,
    }
