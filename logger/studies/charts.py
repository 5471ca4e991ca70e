"""The chart of each question, from the tables of its answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from ..model.figures import unit_name
from .plot import SIZE, Palette, Plot, PlotAxis, picture, span_of
from .study import Study

HEIGHT = 260.0


def charts_of(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """(caption, SVG) of each chart of a study; none where the answer has nothing to draw."""
    draw = CHARTS.get(study.request.question)
    return [] if draw is None else draw(study, palette)


def unit_of(study: Study) -> str:
    """The unit of differences in a study, as printed."""
    units = [item.unit for item in study.answer.figures if item.unit not in ("", "min", "h", "%")]
    return unit_name(units[0]) if units else "K"


def cycles_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """Spectrum against the period, and beside it a typical cycle and the mean day."""
    tables, unit = study.answer.tables, unit_of(study)
    drawn = []
    if "spectrum" in tables:
        drawn.append((f"Spectrum: ±{unit} by period; dashed: background", _spectrum(study, palette, unit)))
    drawn.append(
        (
            f"Typical cycle, and mean day by local hour with 10–90 % of the days, {unit}",
            _courses(tables, palette, unit),
        )
    )
    return drawn


def _spectrum(study: Study, palette: Palette, unit: str) -> str:
    table = study.answer.tables["spectrum"]
    period, amplitude = table["period_min"], table["amplitude"]
    low = max(min(amplitude), max(amplitude) / 1e4, 1e-6)
    x = PlotAxis(min(period), max(period), 52, 620, log=True)
    y = PlotAxis(low, max(*amplitude, 10 * low) * 1.5, HEIGHT - 40, 26, log=True)
    plot = Plot.frame(palette, x, y, ("period, min", f"± {unit}"))
    plot.line(period, table["background"], palette.soft, 1.2, "4 3")
    plot.line(period, amplitude, palette.series, 1.4)
    figures = {item.name: item for item in study.answer.figures}
    for number in (1, 2, 3):
        line, height = figures.get(f"period of cycle {number}"), figures.get(f"amplitude of cycle {number}")
        if line is not None and height is not None and line.value and height.value:
            shown = f"{line.value:.1f} min, ±{height.value:.2f} {unit}" if line.shown else "not shown"
            plot.upright(line.value, palette.ink, name=shown)
    return picture(plot.parts, HEIGHT, f"Spectrum of {study.request.channel}", palette)


def _courses(tables: Mapping[str, Mapping[str, Any]], palette: Palette, unit: str) -> str:
    parts: list[str] = []
    cycle, day = tables.get("typical cycle"), tables["mean day"]
    if cycle is not None and cycle["minute"]:
        x = PlotAxis(0.0, max(cycle["minute"]), 52, 296)
        plot = Plot.frame(palette, x, PlotAxis(*span_of(cycle["departure"]), HEIGHT - 40, 26), ("min", unit))
        plot.line(cycle["minute"], cycle["departure"], palette.series)
        parts += plot.parts
    ends = span_of([*day["p10"], *day["p90"], *day["mean"]])
    ticks = [(float(hour), f"{hour:02d}") for hour in range(0, 25, 6)]
    x, y = PlotAxis(0, 24, 372, 620), PlotAxis(*ends, HEIGHT - 40, 26)
    plot = Plot.frame(palette, x, y, ("local hour", unit), ticks_at=ticks)
    hours = [hour + 0.5 for hour in day["hour"]]
    plot.band(hours, day["p10"], day["p90"], palette.series)
    plot.line(hours, day["mean"], palette.series)
    return picture([*parts, *plot.parts], HEIGHT, "Typical cycle and mean day", palette)


CHARTS: dict[str, Callable[[Study, Palette], list[tuple[str, str]]]] = {"cycles": cycles_charts}
__all__ = ["CHARTS", "SIZE", "charts_of", "unit_of"]
