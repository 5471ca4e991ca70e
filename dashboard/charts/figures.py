"""Charts as plain plotly dictionaries: lines, limits as in force, guard bands, the verdict trace below.

Places on the time axis are instants; its ticks say local time with its own offset (`local_axis`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from zoneinfo import ZoneInfo

from logger.local_time import stretches
from logger.model import Rule
from logger.model.figures import decimals, usual_decimals
from logger.units import quantity

from ..data.words import difference, difference_unit, quantity_name, to_read_unit
from . import theme
from .axes import BOTTOM, TOP, axes, domains, frame, height_of, name_of
from .chart import MS, Chart, ChartLine, Figure, base, boxes_of
from .expected_band import band_traces, band_word
from .local_axis import meta
from .verdict_trace import mark_traces, verdict_traces

__all__ = [
    "GROUND",
    "GROUND_TRACES",
    "Chart",
    "ChartLine",
    "Figure",
    "build_figure",
    "height_of",
    "places_of_lines",
    "ticks",
    "verdict_traces",
]

CLEAR = "rgba(0,0,0,0)"
HATCH = {"shape": "/", "size": 7, "solidity": 0.12, "fgcolor": theme.GREY, "bgcolor": CLEAR}
BRACE_PX = 61  # below the last panel: under time, day and offset, above the trace
MOST_CHANGES = 4  # of the clock have braces; in longer windows the ticks alone say them
GROUND_TRACES = 3  # traces before the lines of a panel
GROUND = ("inside of the limits", "width of the guard band", "limits")  # their names


Box = tuple[int, int, float, float]  # from, to, low, high


@dataclass(frozen=True)
class Ground:
    """What lies under the lines for one limit, each with from and to: boxes inside, guard bands, edges."""

    inside: list[Box]
    guard: list[Box]
    edges: list[tuple[int, int, float]]


def build_figure(chart: Chart, height: int | None = None) -> Figure:
    """The whole figure: of each panel the ground, then its lines; then the trace and the marks."""
    height = height or height_of(chart)
    ranges = [y_range(panel) for panel in chart.panels]
    longest = max((len(line.label) for panel in chart.panels for line in panel.lines), default=0)
    return {
        "data": [
            *panel_traces(chart),
            *verdict_traces(chart),
            *(band_trace(chart, line) for line in chart.lines if chart.band),
            *mark_traces(chart),
            *(band_traces(chart, [name_of(i) for i in range(len(chart.panels))]) if chart.live else ()),
        ],
        "layout": {
            **frame(small=chart.small, letters=longest),
            **axes(chart, ranges, height),
            "meta": meta(chart),
            "annotations": words_on(chart, ranges, height),
            "shapes": [*note_lines(chart, height), *offset_braces(chart, height)],
        },
    }


def panel_traces(chart: Chart) -> list[Figure]:
    """Ground and lines of every panel, in their order."""
    return [
        {**trace, "yaxis": name_of(i)}
        for i, panel in enumerate(chart.panels)
        for trace in (
            *ground_traces(panel),
            *(line_trace(panel, line) for line in panel.lines),
            *(mean_trace(panel, line) for line in panel.lines if not (chart.live or chart.band)),
        )
    ]


def words_on(chart: Chart, ranges: Sequence[tuple[float, float]], height: int) -> list[Figure]:
    """Names at the ends of the lines, quantity and unit over each of several panels, words of the notes."""
    panels = domains(chart, height)[0]
    ends = [
        label
        for i, (panel, bounds) in enumerate(zip(chart.panels, ranges, strict=True))
        for label in end_labels(panel, *bounds, name_of(i), (panels[i][1] - panels[i][0]) * height)
    ]
    named = zip(chart.panels, panels, strict=True) if chart.below else ()
    expected = [word for i, panel in enumerate(chart.panels) for word in band_word(panel, name_of(i))]
    return [*ends, *expected, *(panel_name(panel, domain[1]) for panel, domain in named), *notes(chart)]


def panel_name(panel: Chart, top: float) -> Figure:
    """Quantity and unit over a panel."""
    printed = to_read_unit(0.0, panel.unit)[1]
    name = quantity_name(panel.quantity)
    return {
        "x": 0,
        "xref": "paper",
        "xanchor": "left",
        "y": top,
        "yref": "paper",
        "yanchor": "bottom",
        "text": f"{name}, {printed}" if printed else name,
        "showarrow": False,
        "font": {"size": 12, "color": theme.INK_2},
    }


def note_lines(chart: Chart, height: int) -> list[Figure]:
    """A double vertical line over all panels for each note."""
    bottom = domains(chart, height)[0][-1][0]
    line = {"type": "line", "xref": "x", "yref": "paper", "y0": bottom, "y1": 1}
    ink = {"color": theme.INK_2, "width": 1}
    double = max((chart.to_ns - chart.from_ns) // 300 // MS, 1)  # a change of the clock is a double rule
    places = [chart.ms(at) + apart for at, _ in chart.notes for apart in (0, double)]
    return [{**line, "x0": x, "x1": x, "line": ink} for x in places]


def offset_braces(chart: Chart, height: int) -> list[Figure]:
    """A brace under the words of the time axis for each offset, where the clock changes in the window."""
    parts = stretches(chart.from_ns, chart.to_ns, ZoneInfo(chart.clock))
    if chart.small or not 1 < len(parts) <= MOST_CHANGES + 1:
        return []
    whole = height - TOP - BOTTOM
    low = domains(chart, height)[0][-1][0] - BRACE_PX / whole
    foot, apart = low + 4 / whole, (chart.to_ns - chart.from_ns) // 400
    ink = {"color": theme.INK_2, "width": 1}
    ends = [*(part.from_ns for part in parts[1:]), chart.to_ns]
    spans = [
        (chart.ms(max(part.from_ns, chart.from_ns) + apart), chart.ms(end - apart))
        for part, end in zip(parts, ends, strict=True)
    ]
    lines = [
        line for a, b in spans if a < b for line in ((a, low, b, low), (a, low, a, foot), (b, low, b, foot))
    ]
    return [
        {"type": "line", "xref": "x", "yref": "paper", "x0": x0, "y0": y0, "x1": x1, "y1": y1, "line": ink}
        for x0, y0, x1, y1 in lines
    ]


def y_range(chart: Chart) -> tuple[float, float]:
    """Limits and data with a little air; the axis does not breathe with each reading."""
    values = [edge for line in chart.lines for edge in _ends(line, line.U if chart.band else 0.0)]
    limits = [x for rule in chart.limits for x in (rule.lower, rule.upper) if x is not None]
    beyond = (*chart.expected.low, *chart.expected.high) if chart.expected else ()
    ends = [to_read_unit(v, chart.unit)[0] for v in (*values, *limits, *beyond)]
    if not ends:
        return 0.0, 1.0
    low, high = min(ends), max(ends)
    air = 0.12 * (high - low) or 0.5
    return round(low - air, 3), round(high + air, 3)


def _ends(line: ChartLine, U: float) -> tuple[float, ...]:
    """The least and the greatest value of a line, with U around them; nothing where it has no value."""
    values = [v for v in line.values if v is not None]
    return (min(values) - U, max(values) + U) if values else ()


def _clip_to_window(chart: Chart, rule: Rule) -> tuple[int, int]:
    to_ns = chart.to_ns if rule.to_ns is None else min(rule.to_ns, chart.to_ns)
    return max(rule.from_ns, chart.from_ns), to_ns


def ground_traces(chart: Chart) -> list[Figure]:
    """Inside of the limits, guard bands and limits, each over the time in which it was in force."""
    grounds = [ground for rule in chart.limits if (ground := _ground(chart, rule))]
    inside = [box for ground in grounds for box in ground.inside]
    guard = [box for ground in grounds for box in ground.guard]
    edges = [edge for ground in grounds for edge in ground.edges]
    edge_x = [x for a, b, _ in edges for x in (chart.ms(a), chart.ms(b), None)]
    edge_y = [y for *_, limit in edges for y in (limit, limit, None)]
    dashes = {"color": theme.VERMILION, "width": 1.3, "dash": "7px,3px"}
    return [
        base(**boxes_of(chart, inside), fill="toself", fillcolor="rgba(0,158,115,0.06)", name=GROUND[0]),
        base(**boxes_of(chart, guard), fill="toself", fillcolor=CLEAR, name=GROUND[1], fillpattern=HATCH),
        base(x=edge_x, y=edge_y, line=dashes, name=GROUND[2]),
    ]


def _ground(chart: Chart, rule: Rule) -> Ground | None:
    """What one limit draws; None where it was not in force in the window."""
    from_ns, to_ns = _clip_to_window(chart, rule)
    if to_ns <= from_ns:
        return None
    lower, upper = chart.y(rule.lower), chart.y(rule.upper)
    w = difference(rule.r * max((line.U for line in chart.lines), default=0.0), chart.unit)[0]
    inside = [(from_ns, to_ns, lower, upper)] if lower is not None and upper is not None else []
    guard = [(from_ns, to_ns, upper - w, upper)] if upper is not None and w else []
    guard += [(from_ns, to_ns, lower, lower + w)] if lower is not None and w else []
    return Ground(inside, guard, [(from_ns, to_ns, limit) for limit in (lower, upper) if limit is not None])


def line_trace(chart: Chart, line: ChartLine) -> Figure:
    """One channel. Plain lists, never arrays: a live trace grows."""
    return {
        "type": "scatter",
        "mode": "lines",
        "name": line.label,
        "showlegend": False,
        "connectgaps": False,
        "x": [chart.ms(t) for t in line.taken_ns],
        "y": chart.ys(line.values),
        "line": {"color": faint(line.colour, 0.3), "width": 1.2, "dash": "solid"}
        if line.pale
        else {"color": line.colour, "width": 1.5, "dash": line.dash},
        "meta": readout_meta(chart, line),
    }


def mean_trace(chart: Chart, line: ChartLine) -> Figure:
    """The mean of a line whose extremes are drawn pale; without a point where they are not."""
    taken_ns, values = (line.mean_ns, line.mean) if line.pale else ((), ())
    return {
        "type": "scatter",
        "mode": "lines",
        "name": f"mean of {line.label}",
        "showlegend": False,
        "hoverinfo": "skip",
        "connectgaps": False,
        "x": [chart.ms(t) for t in taken_ns],
        "y": chart.ys(values),
        "line": {"color": line.colour, "width": 1.5, "dash": line.dash},
    }


def faint(colour: str, opacity: float) -> str:
    """A colour as #rrggbb with an opacity.

    >>> faint("#0072b2", 0.3)
    'rgba(0, 114, 178, 0.3)'
    """
    return f"rgba({', '.join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5))}, {opacity:g})"


def readout_meta(chart: Chart, line: ChartLine) -> Figure:
    """What the readout says of a line beside its values: unit, U, what a point stands for, limits."""
    limits = [
        [chart.ms(a), chart.ms(b), chart.y(rule.lower), chart.y(rule.upper)]
        for rule in chart.limits
        for a, b in [_clip_to_window(chart, rule)]
        if b > a
    ]
    U = difference(line.U, chart.unit)[0]
    return {
        "unit": to_read_unit(0.0, chart.unit)[1],
        "apart": difference(0.0, difference_unit(chart.unit))[1],
        "U": round(U, 4),
        "places": decimals(U) if U else usual_decimals(chart.unit),
        "bin": line.bin_ns // MS,
        "limits": limits,
        "quantity": quantity_name(chart.quantity),
    }


def band_trace(chart: Chart, line: ChartLine) -> Figure:
    """The expanded uncertainty around a line as pale stretches, broken where the line is."""
    x: list[int | None] = []
    y: list[float | None] = []
    for unbroken, pairs in groupby(zip(line.taken_ns, line.values, strict=True), lambda p: p[1] is not None):
        points = [(t, v) for t, v in pairs if v is not None]
        if unbroken:
            there = [(chart.ms(t), chart.y(v - line.U)) for t, v in points]
            back = [(chart.ms(t), chart.y(v + line.U)) for t, v in reversed(points)]
            x += [*(at for at, _ in (*there, *back)), None]
            y += [*(value for _, value in (*there, *back)), None]
    pale = faint(line.colour, 0.12)
    return base(x=x[:-1], y=y[:-1], fill="toself", fillcolor=pale, name=f"U of {line.label}")


def end_labels(chart: Chart, low: float, high: float, axis: str = "y", px: float = 270) -> list[Figure]:
    """Names at the ends of the lines in place of a legend, pushed apart where they would meet.

    px: the height of the panel, which decides how near they may stand.
    """
    ends = [
        (last, line)
        for line in chart.lines
        if (last := next((v for v in reversed(line.values) if v is not None), None)) is not None
    ]
    ends.sort(key=lambda end: end[0])
    room = min(16.5 / px, 1 / max(len(ends), 1)) * (high - low)
    places = spread([float(chart.y(v) or 0.0) for v, _ in ends], room, low, high)
    return [
        {
            "x": 1,
            "xref": "paper",
            "xanchor": "left",
            "xshift": 6,
            "y": y,
            "yref": axis,
            "text": line.label,
            "showarrow": False,
            "font": {"size": 12, "color": line.colour},
            "align": "left",
        }
        for y, (_, line) in zip(places, ends, strict=True)
    ]


def spread(targets: Sequence[float], room: float, low: float, high: float) -> list[float]:
    """Ascending places at least `room` apart, as near to the wanted ones as that allows, inside low..high.

    >>> spread([1.0, 1.0, 5.0], 1.0, 0.0, 6.0)
    [0.5, 1.5, 5.0]
    """
    groups: list[tuple[float, int]] = []  # centre and number of labels that touch
    for value in targets:
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
            "xanchor": _towards_middle(chart, at),
            "y": 1,
            "yref": "paper",
            "yanchor": "bottom",
            "text": text,
            "showarrow": False,
            "font": {"size": 11, "color": theme.INK_2},
        }
        for at, text in chart.notes
    ]


def _towards_middle(chart: Chart, at_ns: int) -> str:
    """On which side of its line a word stands, so that the edge of the chart does not cut it."""
    share = (at_ns - chart.from_ns) / max(chart.to_ns - chart.from_ns, 1)
    return "left" if share < 0.3 else "right" if share > 0.7 else "center"


def places_of_lines(counts: Sequence[int]) -> list[range]:
    """Where the lines of each panel stand among the traces, given how many each has.

    >>> places_of_lines([3, 2])
    [range(3, 6), range(9, 11)]
    """
    places, first = [], 0
    for count in counts:
        first += GROUND_TRACES
        places.append(range(first, first + count))
        first += count
    return places


def ticks(
    news: Mapping[str, tuple[Sequence[int], Sequence[float | None]]],
    panels: Sequence[tuple[str, Sequence[str]]],
) -> tuple[Figure, list[int]] | None:
    """What is appended to a live chart: points and the traces they belong to; None when nothing came.

    panels: of each its quantity and its channels, in the order in which they are drawn.
    """
    x, y, where = [], [], []
    places = places_of_lines([len(channels) for _, channels in panels])
    for (name, channels), traces in zip(panels, places, strict=True):
        for channel, trace in zip(channels, traces, strict=True):
            taken_ns, values = news.get(channel, ((), ()))
            if taken_ns:
                x.append([t // MS for t in taken_ns])
                y.append([_plot_value(v, quantity(name).unit) for v in values])
                where.append(trace)
    return ({"x": x, "y": y}, where) if where else None


def _plot_value(value: float | None, unit_of: str) -> float | None:
    return None if value is None else round(to_read_unit(value, unit_of)[0], 4)
