"""Charts as plain plotly dictionaries: lines, limits as in force, guard bands, the verdict trace below.

All instants are drawn at one fixed offset from UTC, the one at the end of the window: a local
clock that is put back would make the axis run backwards. The axis title says the offset.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from logger.model import Rule

from . import theme
from .chart import MS, Chart, Figure, Line, base, boxes_of
from .verdict_trace import strip_traces, verdict_traces
from .wording import offset_text, shown

__all__ = ["Chart", "Figure", "Line", "build", "ticks", "verdict_traces"]

GROUND_TRACES = 3  # traces before the first line


def build(chart: Chart) -> Figure:
    """The whole figure: ground first, then lines, then the trace."""
    low, high = y_range(chart)
    return {
        "data": [
            *ground_traces(chart),
            *(line_trace(chart, line) for line in chart.lines),
            *verdict_traces(chart),
            *strip_traces(chart),
        ],
        "layout": layout(chart, low, high),
    }


def y_range(chart: Chart) -> tuple[float, float]:
    """Limits and data with a little air; the axis does not breathe with each reading."""
    values = [v for line in chart.lines for v in line.values if v is not None]
    limits = [x for rule in chart.limits for x in (rule.lower, rule.upper) if x is not None]
    known = [shown(v, chart.unit)[0] for v in (*values, *limits)]
    if not known:
        return 0.0, 1.0
    low, high = min(known), max(known)
    air = 0.12 * (high - low) or 0.5
    return round(low - air, 3), round(high + air, 3)


def _clipped(chart: Chart, rule: Rule) -> tuple[int, int]:
    to_ns = chart.to_ns if rule.to_ns is None else min(rule.to_ns, chart.to_ns)
    return max(rule.from_ns, chart.from_ns), to_ns


def ground_traces(chart: Chart) -> list[Figure]:
    """Inside of the limits, guard bands and limits, each over the time in which it was in force."""
    inside, guard = [], []
    edge_x: list[int | None] = []
    edge_y: list[float | None] = []
    U = max((line.U for line in chart.lines), default=0.0)
    for rule in chart.limits:
        from_ns, to_ns = _clipped(chart, rule)
        if to_ns <= from_ns:
            continue
        lower, upper, w = chart.y(rule.lower), chart.y(rule.upper), shown(rule.r * U, chart.unit)[0]
        if lower is not None and upper is not None:
            inside.append((from_ns, to_ns, lower, upper))
        guard += [(from_ns, to_ns, upper - w, upper)] if upper is not None and w else []
        guard += [(from_ns, to_ns, lower, lower + w)] if lower is not None and w else []
        for limit in (lower, upper):
            if limit is not None:
                edge_x += [chart.ms(from_ns), chart.ms(to_ns), None]
                edge_y += [limit, limit, None]
    return [
        base(**boxes_of(chart, inside), fill="toself", fillcolor="rgba(0,158,115,0.06)", name="inside"),
        base(
            **boxes_of(chart, guard),
            fill="toself",
            fillcolor="rgba(0,0,0,0)",
            name="guard band",
            fillpattern={
                "shape": "/",
                "size": 7,
                "solidity": 0.12,
                "fgcolor": theme.GREY,
                "bgcolor": "rgba(0,0,0,0)",
            },
        ),
        base(
            x=edge_x, y=edge_y, line={"color": theme.VERMILION, "width": 1.3, "dash": "7px,3px"}, name="limit"
        ),
    ]


def line_trace(chart: Chart, line: Line) -> Figure:
    """One channel. Plain lists, never arrays: a live trace grows."""
    printed = shown(0.0, chart.unit)[1]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": line.label,
        "showlegend": False,
        "connectgaps": False,
        "x": [chart.ms(t) for t in line.taken_ns],
        "y": [chart.y(v) for v in line.values],
        "line": {"color": line.colour, "width": 1.5, "dash": line.dash},
        "hovertemplate": f"%{{y:.2f}} {printed}<extra>{line.label}</extra>",
    }


def layout(chart: Chart, low: float, high: float) -> Figure:
    """Axes, margins and labels at the ends of the lines."""
    strips = bool(chart.excursions or chart.inspections)
    font = {"family": "B612, sans-serif", "size": 12, "color": theme.INK_2}
    axis = {
        "showgrid": False,
        "zeroline": False,
        "fixedrange": True,
        "ticks": "outside",
        "ticklen": 5,
        "tickcolor": theme.INK_2,
    }
    return {
        "font": font,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "dragmode": "zoom",
        "margin": {"l": 66, "r": 76, "t": 16, "b": 8},
        "hovermode": "closest",
        "hoverdistance": 12,
        "showlegend": False,
        "hoverlabel": {
            "bgcolor": theme.INK,
            "font": {"family": "B612, sans-serif", "size": 12, "color": "#ffffff"},
        },
        "xaxis": {
            **({} if chart.live else {"range": [chart.ms(chart.from_ns), chart.ms(chart.to_ns)]}),
            "type": "date",
            "showgrid": False,
            "zeroline": False,
            "ticks": "outside",
            "ticklen": 6,
            "anchor": "y",
            "tickcolor": theme.INK_2,
            "tickformatstops": TICKS,
            "nticks": 8,
            "minor": {"ticks": "outside", "ticklen": 3},
            "hoverformat": "%Y-%m-%d %H:%M:%S " + offset_text(chart.offset_s),
        },
        "yaxis": {**axis, "range": [low, high], "domain": [0.36 if strips else 0.33, 1], "nticks": 8},
        "yaxis2": {
            **axis,
            "range": [-0.5, 2.5],
            "domain": [0.1 if strips else 0.0, 0.22],
            "anchor": "x",
            "tickcolor": "rgba(0,0,0,0)",
            "tickmode": "array",
            "tickvals": [0, 1, 2],
            "ticktext": ["not stable", "not shown", "stable"],
            "tickfont": {"size": 11},
            "showgrid": False,
        },
        "yaxis3": {
            **axis,
            "range": [-1, 1],
            "domain": [0.0, 0.08],
            "anchor": "x",
            "tickcolor": "rgba(0,0,0,0)",
            "tickmode": "array",
            "tickvals": [0.5, -0.5],
            "ticktext": ["excursion", "inspection"],
            "tickfont": {"size": 10},
            "visible": strips,
        },
        "annotations": [*end_labels(chart, low, high), *notes(chart)],
        "shapes": [
            {
                "type": "line",
                "xref": "x",
                "yref": "paper",
                "x0": chart.ms(at),
                "x1": chart.ms(at),
                "y0": 0.33,
                "y1": 1,
                "line": {"color": theme.INK_2, "width": 1},
            }
            for at, _ in chart.notes
        ],
    }


TICKS = [
    {"dtickrange": [None, 60_000], "value": "%H:%M:%S"},
    {"dtickrange": [60_000, 86_400_000], "value": "%H:%M\n%Y-%m-%d"},
    {"dtickrange": [86_400_000, None], "value": "%Y-%m-%d"},
]


def end_labels(chart: Chart, low: float, high: float) -> list[Figure]:
    """Names at the ends of the lines in place of a legend, pushed apart where they would meet."""
    ends = [
        (last, line)
        for line in chart.lines
        if (last := next((v for v in reversed(line.values) if v is not None), None)) is not None
    ]
    ends.sort(key=lambda end: end[0])
    room = 0.062 * (high - low)
    places = spread([float(chart.y(v) or 0.0) for v, _ in ends], room, low, high)
    return [
        {
            "x": 1,
            "xref": "paper",
            "xanchor": "left",
            "xshift": 6,
            "y": y,
            "yref": "y",
            "text": line.label,
            "showarrow": False,
            "font": {"size": 12, "color": line.colour},
            "align": "left",
        }
        for y, (_, line) in zip(places, ends, strict=True)
    ]


def spread(wanted: Sequence[float], room: float, low: float, high: float) -> list[float]:
    """Ascending places at least `room` apart, as near to the wanted ones as that allows, inside low..high.

    >>> spread([1.0, 1.0, 5.0], 1.0, 0.0, 6.0)
    [0.5, 1.5, 5.0]
    """
    groups: list[tuple[float, int]] = []  # centre and number of labels that touch
    for value in wanted:
        groups.append((min(max(value, low), high), 1))
        while len(groups) > 1:
            (a, n), (b, m) = groups[-2:]
            if b - a >= room * (n + m) / 2:
                break
            groups[-2:] = [((a * n + b * m) / (n + m), n + m)]
    return [round(centre + (i - (n - 1) / 2) * room, 4) for centre, n in groups for i in range(n)]


def notes(chart: Chart) -> list[Figure]:
    """Words over vertical lines, such as a change of the clock."""
    return [
        {
            "x": chart.ms(at),
            "xref": "x",
            "y": 1,
            "yref": "paper",
            "yanchor": "bottom",
            "text": text,
            "showarrow": False,
            "font": {"size": 11, "color": theme.INK_2},
        }
        for at, text in chart.notes
    ]


def ticks(
    offset_s: int,
    unit_of: str,
    news: Mapping[str, tuple[Sequence[int], Sequence[float | None]]],
    order: Sequence[str],
    first: int,
) -> tuple[Figure, list[int]] | None:
    """What is appended to a live chart: points and the traces they belong to; None when nothing came."""
    x, y, where = [], [], []
    for i, channel in enumerate(order):
        if channel not in news:
            continue
        taken, values = news[channel]
        x.append([t // MS + offset_s * 1000 for t in taken])
        y.append([None if v is None else round(shown(v, unit_of)[0], 4) for v in values])
        where.append(first + i)
    return ({"x": x, "y": y}, where) if where else None
