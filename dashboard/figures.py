"""Charts as plain plotly dictionaries: lines with limits as in force, guard bands, and the verdict trace below.

All instants are drawn at one fixed offset from UTC, the one at the end of the window: a local
clock that is put back would make the axis run backwards. The axis title says the offset.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from logger.model import NS, REASONS, Excursion, Inspection, Reason, Rule

from . import theme
from .envelope import Run
from .wording import offset_text, shown, unit

Figure = dict[str, Any]
MS = 1_000_000
TRACE_TOP = 0.17


@dataclass(frozen=True)
class Line:
    """One channel in a chart: values in the canonical unit, None where the line is broken."""

    channel: str
    label: str
    taken_ns: Sequence[int]
    values: Sequence[float | None]
    U: float
    place: int  # which colour and dash

    @property
    def colour(self) -> str:
        return theme.SERIES[self.place % len(theme.SERIES)]

    @property
    def dash(self) -> str:
        return theme.DASHES[(self.place + self.place // len(theme.SERIES)) % len(theme.DASHES)]


@dataclass(frozen=True)
class Chart:
    """What one chart shows: a zone, one quantity, a window, at a fixed offset."""

    zone: str
    quantity: str
    unit: str
    from_ns: int
    to_ns: int
    offset_s: int
    lines: Sequence[Line]
    limits: Sequence[Rule]
    runs: Sequence[Run]
    excursions: Sequence[Excursion] = ()
    inspections: Sequence[Inspection] = ()
    notes: Sequence[tuple[int, str]] = ()
    bare: bool = field(default=False)  # without row names, for narrow places

    def ms(self, ns: int) -> int:
        """Milliseconds for the axis: what plotly takes for UTC is local time at the fixed offset."""
        return ns // MS + self.offset_s * 1000

    def y(self, value: float | None) -> float | None:
        return None if value is None else round(shown(value, self.unit)[0], 4)


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


def _base(**more: Any) -> Figure:
    return {"type": "scatter", "showlegend": False, "hoverinfo": "skip", "line": {"width": 0}, "mode": "lines", **more}


def _boxes(chart: Chart, boxes: Sequence[tuple[int, int, float, float]]) -> Figure:
    """Rectangles as one path: from, to, low, high of each."""
    x: list[int | None] = []
    y: list[float | None] = []
    for from_ns, to_ns, low, high in boxes:
        a, b = chart.ms(from_ns), chart.ms(to_ns)
        x += [a, b, b, a, a, None]
        y += [low, low, high, high, low, None]
    return {"x": x[:-1], "y": y[:-1]}


def _clipped(chart: Chart, rule: Rule) -> tuple[int, int]:
    to_ns = chart.to_ns if rule.to_ns is None else min(rule.to_ns, chart.to_ns)
    return max(rule.from_ns, chart.from_ns), to_ns


def ground_traces(chart: Chart) -> list[Figure]:
    """Inside of the limits, guard bands and limits themselves, each over the time in which it was in force."""
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
        _base(**_boxes(chart, inside), fill="toself", fillcolor="rgba(0,158,115,0.06)", name="inside"),
        _base(
            **_boxes(chart, guard), fill="toself", fillcolor="rgba(0,0,0,0)", name="guard band",
            fillpattern={"shape": "/", "size": 7, "solidity": 0.12, "fgcolor": theme.GREY, "bgcolor": "rgba(0,0,0,0)"},
        ),
        _base(x=edge_x, y=edge_y, line={"color": theme.VERMILION, "width": 1.3, "dash": "7px,3px"}, name="limit"),
    ]  # fmt: skip


def line_trace(chart: Chart, line: Line) -> Figure:
    """One channel. Plain lists, never arrays: a live trace grows."""
    printed = shown(0.0, chart.unit)[1]
    return {
        "type": "scatter", "mode": "lines", "name": line.label, "showlegend": False, "connectgaps": False,
        "x": [chart.ms(t) for t in line.taken_ns], "y": [chart.y(v) for v in line.values],
        "line": {"color": line.colour, "width": 1.5, "dash": line.dash},
        "hovertemplate": f"%{{y:.2f}} {printed}<extra>{line.label}</extra>",
    }  # fmt: skip


def verdict_traces(chart: Chart) -> list[Figure]:
    """The verdict trace: a heatmap of three rows, a pattern for each reason over it, a word where it fits."""
    return [heat_trace(chart), *(pattern_trace(chart, reason) for reason in PATTERNED), word_trace(chart)]


PATTERNED: tuple[Reason, ...] = tuple(r for r in REASONS if theme.REASON_STYLE[r].pattern)


def heat_trace(chart: Chart) -> Figure:
    """Variable cells, so that 20 and 2,000 periods cost the same; hovering tells reason, rule and probe."""
    edges, columns = _columns(chart)
    z: list[list[int | None]] = [[None] * len(columns) for _ in theme.ROWS]
    text: list[list[str]] = [[""] * len(columns) for _ in theme.ROWS]
    for i, run in enumerate(columns):
        if run is not None:
            row = theme.ROW_OF[run.verdict]
            z[row][i] = REASONS.index(run.reason)
            text[row][i] = _run_text(run)
    return {
        "type": "heatmap", "x": edges, "y": [0, 1, 2], "z": z, "text": text, "yaxis": "y2",
        "colorscale": theme.colorscale(), "zmin": -0.5, "zmax": len(REASONS) - 0.5, "showscale": False,
        "ygap": 2, "hovertemplate": "%{text}<extra></extra>", "hoverongaps": False,
    }  # fmt: skip


def _columns(chart: Chart) -> tuple[list[int], list[Run | None]]:
    """Edges of the cells and what stands in each; None where nothing is judged."""
    edges, columns = [chart.ms(chart.from_ns)], list[Run | None]()
    for run in chart.runs:
        left, right = chart.ms(run.from_ns), chart.ms(run.to_ns)
        if left > edges[-1]:
            edges.append(left)
            columns.append(None)
        if right > edges[-1]:
            edges.append(right)
            columns.append(run)
    if edges[-1] < chart.ms(chart.to_ns):
        edges.append(chart.ms(chart.to_ns))
        columns.append(None)
    return edges, columns


def _run_text(run: Run) -> str:
    period = run.period
    parts = [run.verdict if run.reason == "conforming" else f"{run.verdict}: {run.reason}"]
    parts += [part for part in (period.rule.partition(".")[2], period.probe) if part]
    return "<br>".join(parts) + ("<br>provisional" if period.provisional else "")


def pattern_trace(chart: Chart, reason: Reason) -> Figure:
    """All stretches of one reason as one hatched path."""
    style = theme.REASON_STYLE[reason]
    boxes = [
        (run.from_ns, run.to_ns, theme.ROW_OF[run.verdict] - 0.46, theme.ROW_OF[run.verdict] + 0.46)
        for run in chart.runs
        if run.reason == reason
    ]
    return _base(
        **_boxes(chart, boxes), yaxis="y2", fill="toself", fillcolor="rgba(0,0,0,0)", name=reason,
        fillpattern={"shape": style.pattern, "size": 6, "solidity": 0.3 if style.pattern != "." else 0.12, "fgcolor": style.ink, "bgcolor": "rgba(0,0,0,0)"},
    )  # fmt: skip


def word_trace(chart: Chart) -> Figure:
    """The reason as a word where its stretch is wide enough to hold it."""
    whole = chart.to_ns - chart.from_ns
    wide = [r for r in chart.runs if r.reason != "conforming" and r.to_ns - r.from_ns > whole * 0.0125 * len(r.reason)]
    return _base(
        x=[chart.ms((r.from_ns + r.to_ns) // 2) for r in wide], y=[theme.ROW_OF[r.verdict] for r in wide],
        text=[r.reason for r in wide], mode="text", yaxis="y2", cliponaxis=False,
        textfont={"size": 11, "color": [("#ffffff" if r.reason == "nonconforming" else theme.INK) for r in wide]},
        name="words",
    )  # fmt: skip


def strip_traces(chart: Chart) -> list[Figure]:
    """Excursions as brackets along the top, inspections as lines under the trace."""
    traces = []
    if chart.excursions:
        x: list[int | None] = []
        text = []
        for e in chart.excursions:
            x += [chart.ms(max(e.from_ns, chart.from_ns)), chart.ms(min(e.to_ns, chart.to_ns)), None]
            told = f"excursion: {e.rule.partition('.')[2]}, worst {shown(e.worst, e.unit)[0]:.2f} {unit(e.unit)}"
            text += [told, told, ""]
        traces.append(
            _base(x=x, y=[0.5 if i is not None else None for i in x], yaxis="y3", mode="lines+markers", text=text,
                  line={"color": theme.VERMILION, "width": 3}, marker={"symbol": "line-ns-open", "size": 9, "color": theme.VERMILION},
                  hoverinfo="text", name="excursions")
        )  # fmt: skip
    if chart.inspections:
        traces.append(_inspection_trace(chart))
    return traces


def _inspection_trace(chart: Chart) -> Figure:
    x: list[int | None] = []
    text = []
    for job in chart.inspections:
        to_ns = chart.to_ns if job.to_ns is None else min(job.to_ns, chart.to_ns)
        x += [chart.ms(max(job.from_ns, chart.from_ns)), chart.ms(to_ns), None]
        told = f"inspection {job.key}: {job.title}"
        text += [told, told, ""]
    return _base(
        x=x, y=[-0.5 if i is not None else None for i in x], yaxis="y3", mode="lines+markers", text=text,
        line={"color": theme.INK, "width": 3}, marker={"symbol": "line-ns-open", "size": 9, "color": theme.INK},
        hoverinfo="text", name="inspections",
    )  # fmt: skip


def layout(chart: Chart, low: float, high: float) -> Figure:
    """Axes, margins and labels at the ends of the lines."""
    strips = bool(chart.excursions or chart.inspections)
    font = {"family": "B612, sans-serif", "size": 12, "color": theme.INK_2}
    axis = {"showgrid": False, "zeroline": False, "fixedrange": True, "ticks": "outside", "ticklen": 5, "tickcolor": theme.INK_2}
    return {
        "font": font, "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "dragmode": "zoom",
        "margin": {"l": 66, "r": 76, "t": 16, "b": 8}, "hovermode": "closest", "hoverdistance": 12, "showlegend": False,
        "hoverlabel": {"bgcolor": theme.INK, "font": {"family": "B612, sans-serif", "size": 12, "color": "#ffffff"}},
        "xaxis": {
            "type": "date", "showgrid": False, "zeroline": False, "ticks": "outside", "ticklen": 6, "anchor": "y",
            "tickcolor": theme.INK_2, "tickformatstops": TICKS, "nticks": 8, "minor": {"ticks": "outside", "ticklen": 3},
            "hoverformat": "%Y-%m-%d %H:%M:%S " + offset_text(chart.offset_s),
        },
        "yaxis": {**axis, "range": [low, high], "domain": [0.36 if strips else 0.33, 1], "nticks": 8},
        "yaxis2": {
            **axis, "range": [-0.5, 2.5], "domain": [0.1 if strips else 0.0, 0.22], "anchor": "x", "tickcolor": "rgba(0,0,0,0)",
            "tickmode": "array", "tickvals": [0, 1, 2], "ticktext": ["not stable", "not shown", "stable"],
            "tickfont": {"size": 11}, "showgrid": False,
        },
        "yaxis3": {**axis, "range": [-1, 1], "domain": [0.0, 0.08], "anchor": "x", "tickcolor": "rgba(0,0,0,0)", "tickmode": "array",
                   "tickvals": [0.5, -0.5], "ticktext": ["excursion", "inspection"], "tickfont": {"size": 10}, "visible": strips},
        "annotations": [*end_labels(chart, low, high), *notes(chart)],
        "shapes": [
            {"type": "line", "xref": "x", "yref": "paper", "x0": chart.ms(at), "x1": chart.ms(at), "y0": 0.33, "y1": 1,
             "line": {"color": theme.INK_2, "width": 1}} for at, _ in chart.notes
        ],
    }  # fmt: skip


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
            "x": 1, "xref": "paper", "xanchor": "left", "xshift": 6, "y": y, "yref": "y", "text": line.label,
            "showarrow": False, "font": {"size": 12, "color": line.colour}, "align": "left",
        }
        for y, (_, line) in zip(places, ends, strict=True)
    ]  # fmt: skip


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
        {"x": chart.ms(at), "xref": "x", "y": 1, "yref": "paper", "yanchor": "bottom", "text": text, "showarrow": False,
         "font": {"size": 11, "color": theme.INK_2}} for at, text in chart.notes
    ]  # fmt: skip


def ticks(offset_s: int, unit_of: str, news: Mapping[str, tuple[Sequence[int], Sequence[float | None]]], order: Sequence[str],
          first: int) -> tuple[Figure, list[int]] | None:  # fmt: skip
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


GROUND_TRACES = 3  # traces before the first line


def seconds(ns: int) -> float:
    return ns / NS
