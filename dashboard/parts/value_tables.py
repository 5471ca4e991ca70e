"""The numbers behind a chart as tables: least and greatest values, marks."""

from __future__ import annotations

from collections.abc import Sequence

from dash.development.base_component import Component

from logger.instants import NS
from logger.model import Period

from ..charts import figures
from ..charts.figures import Chart
from ..charts.local_axis import stamps_in
from ..data.words import quantity_name, to_read_unit, unit
from .components import table, verdict

HOUR_NS = 3600 * NS
MOST_ROWS = 400


def hourly(chart: Chart, zone: str) -> Component:
    """Least and greatest value of each line, in each of up to 48 equal parts of the window."""
    parts = 12 if chart.to_ns - chart.from_ns <= 12 * HOUR_NS else 48
    width = (chart.to_ns - chart.from_ns) // parts
    rows, stamp = [], stamps_in(chart.from_ns, chart.to_ns, zone)
    for i in range(parts):
        a = chart.from_ns + i * width
        rows.append([stamp(a), *(_span_of(line, a, a + width, chart.unit) for line in chart.lines)])
    what = f"{chart.zone}, {quantity_name(chart.quantity)}: least and greatest values"
    caption = f"{what}, {to_read_unit(0.0, chart.unit)[1] or 'no unit'}, local time"
    heads = ["from", *(line.label for line in chart.lines)]
    return table(heads, rows, caption, figures=range(len(chart.lines) + 1))


def _span_of(line: figures.ChartLine, from_ns: int, to_ns: int, of: str) -> str:
    pairs = zip(line.taken_ns, line.values, strict=True)
    values = [v for t, v in pairs if v is not None and from_ns <= t < to_ns]
    if not values:
        return "no value"
    return f"{to_read_unit(min(values), of)[0]:.2f} to {to_read_unit(max(values), of)[0]:.2f}"


def marks_table(chart: Chart, zone: str) -> Component:
    """Excursions, acts and inspections of a window by their begin; at most `MOST_ROWS` of them."""
    stamp = stamps_in(chart.from_ns, chart.to_ns, zone)
    rows = [
        *(
            [
                e.from_ns,
                stamp(e.to_ns),
                "excursion",
                f"{chart.rule_name(e.rule)}, worst {to_read_unit(e.worst, e.unit)[0]:.2f} {unit(e.unit)}",
            ]
            for e in chart.excursions
        ),
        *([at, "", "act", act] for at, act in chart.acts),
        *(
            [i.from_ns, stamp(i.to_ns) if i.to_ns else "running", "inspection", f"{i.key} {i.title}"]
            for i in chart.inspections
        ),
    ]
    rows.sort(key=lambda row: int(str(row[0])))
    written = [[stamp(int(str(row[0]))), *row[1:]] for row in rows[:MOST_ROWS]]
    caption = "Excursions, acts of people and inspections in this window"
    return table(["from", "to", "what", "about"], written, caption, figures=(0, 1), stacks=True)


def period_table(periods: Sequence[Period], chart: Chart) -> Component:
    """The verdict trace of a chart as a table."""
    stamp = stamps_in(periods[0].from_ns, periods[-1].to_ns, chart.clock) if periods else str
    rows = [
        [
            stamp(p.from_ns),
            stamp(p.to_ns),
            verdict(p.verdict, p.reason),
            chart.rule_name(p.rule),
            p.probe,
            "provisional" if p.provisional else "",
        ]
        for p in periods
    ]
    return table(
        ["from", "to", "verdict", "rule", "probe", "note"],
        rows,
        f"{chart.zone}: periods, local time; the end is not included",
        figures=(0, 1),
        stacks=True,
    )
