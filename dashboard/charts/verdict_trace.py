"""The verdict trace below a chart: three rows, so that place tells the verdict; pattern and word the reason.

As a heatmap with variable cells it costs the same for 20 or 2,000 periods; the patterns are one path each.
Below it, excursions and inspections as brackets.
"""

from __future__ import annotations

from logger.core.judge.trace import Run
from logger.model import REASONS, Excursion, Inspection, Reason

from ..data.words import to_read_unit, unit
from . import theme
from .chart import Chart, Figure, base, boxes_of

PATTERNED: tuple[Reason, ...] = tuple(r for r in REASONS if theme.REASON_STYLE[r].pattern)


def verdict_traces(chart: Chart) -> list[Figure]:
    """The verdict trace: a heatmap of three rows, a pattern for each reason over it, a word where it fits."""
    return [heat_trace(chart), *(pattern_trace(chart, reason) for reason in PATTERNED), word_trace(chart)]


def heat_trace(chart: Chart) -> Figure:
    """Variable cells, so that 20 and 2,000 periods cost the same; their words are for the readout."""
    edges, columns = _columns(chart)
    z: list[list[int | None]] = [[None] * len(columns) for _ in theme.ROWS]
    text: list[list[str]] = [[""] * len(columns) for _ in theme.ROWS]
    for i, run in enumerate(columns):
        if run is not None:
            row = theme.ROW_OF[run.verdict]
            z[row][i] = REASONS.index(run.reason)
            text[row][i] = _run_text(chart, run)
    return {
        "type": "heatmap",
        "x": edges,
        "y": [0, 1, 2],
        "z": z,
        "text": text,
        "yaxis": "y2",
        "colorscale": theme.colorscale(),
        "zmin": -0.5,
        "zmax": len(REASONS) - 0.5,
        "showscale": False,
        "ygap": 2,
    }


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


def _run_text(chart: Chart, run: Run) -> str:
    period = run.period
    parts = [run.verdict if run.reason == "conforming" else f"{run.verdict}: {run.reason}"]
    parts += [part for part in (chart.rule_name(period.rule), period.probe) if part]
    return "<br>".join(parts) + ("<br>provisional" if period.provisional else "")


def pattern_trace(chart: Chart, reason: Reason) -> Figure:
    """All stretches of one reason as one hatched path."""
    style = theme.REASON_STYLE[reason]
    boxes = [
        (run.from_ns, run.to_ns, theme.ROW_OF[run.verdict] - 0.46, theme.ROW_OF[run.verdict] + 0.46)
        for run in chart.runs
        if run.reason == reason
    ]
    return base(
        **boxes_of(chart, boxes),
        yaxis="y2",
        fill="toself",
        fillcolor="rgba(0,0,0,0)",
        name=reason,
        fillpattern={
            "shape": style.pattern,
            "size": 6,
            "solidity": 0.3 if style.pattern != "." else 0.12,
            "fgcolor": style.ink,
            "bgcolor": "rgba(0,0,0,0)",
        },
    )


def word_trace(chart: Chart) -> Figure:
    """The reason as a word where its stretch is wide enough to hold it."""
    whole = chart.to_ns - chart.from_ns
    wide = [
        r
        for r in (() if chart.small else chart.runs)
        if r.reason != "conforming" and r.to_ns - r.from_ns > whole * 0.0125 * len(r.reason)
    ]
    return base(
        x=[chart.ms((r.from_ns + r.to_ns) // 2) for r in wide],
        y=[theme.ROW_OF[r.verdict] for r in wide],
        text=[r.reason for r in wide],
        mode="text",
        yaxis="y2",
        cliponaxis=False,
        textfont={
            "size": 11,
            "color": [("#ffffff" if r.reason == "nonconforming" else theme.INK) for r in wide],
        },
        name="words",
    )


def mark_traces(chart: Chart) -> list[Figure]:
    """What stands under the trace: excursions, acts of people, inspections; always three traces."""
    return [
        bar_trace(
            chart, 2, theme.VERMILION, "excursions", [_excursion_span(chart, e) for e in chart.excursions]
        ),
        act_trace(chart),
        bar_trace(chart, 0, theme.INK, "inspections", [_job_span(chart, job) for job in chart.inspections]),
    ]


def _excursion_span(chart: Chart, e: Excursion) -> tuple[int, int, str]:
    worst = f"{to_read_unit(e.worst, e.unit)[0]:.2f} {unit(e.unit)}"
    return e.from_ns, e.to_ns, f"excursion: {chart.rule_name(e.rule)}, worst {worst}"


def _job_span(chart: Chart, job: Inspection) -> tuple[int, int, str]:
    to_ns = chart.to_ns if job.to_ns is None else job.to_ns
    return job.from_ns, to_ns, f"inspection {job.key}: {job.title}"


def bar_trace(chart: Chart, row: int, colour: str, name: str, spans: list[tuple[int, int, str]]) -> Figure:
    """Intervals as thick lines with ends, in one row of the marks."""
    x: list[int | None] = []
    text: list[str] = []
    for from_ns, to_ns, label in spans:
        x += [chart.ms(max(from_ns, chart.from_ns)), chart.ms(min(to_ns, chart.to_ns)), None]
        text += [label, label, ""]
    return base(
        x=x,
        y=[row if i is not None else None for i in x],
        yaxis="y3",
        mode="lines+markers",
        text=text,
        line={"color": colour, "width": 3},
        marker={"symbol": "line-ns-open", "size": 9, "color": colour},
        cliponaxis=False,  # what stands at the edge is drawn whole
        name=name,
    )


def act_trace(chart: Chart) -> Figure:
    """What people did, a diamond each; the readout tells it."""
    return base(
        x=[chart.ms(at) for at, _ in chart.acts],
        y=[1] * len(chart.acts),
        yaxis="y3",
        mode="markers",
        text=[label for _, label in chart.acts],
        marker={"symbol": "diamond-open", "size": 8, "color": theme.INK, "line": {"width": 1.5}},
        cliponaxis=False,
        name="acts",
    )
