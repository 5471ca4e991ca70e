"""The chart of each question, from the tables of its answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ..core.study.best_hours import NAMES
from ..model.figures import decimals, unit_name
from ..record.svg import element, path, text
from .map_charts import map_charts
from .plan_charts import forecast_charts, job_outline, plan_charts
from .plot import SIZE, Palette, Plot, PlotAxis, picture, span_of, tick_text
from .study import Study

HEIGHT = 260.0
CAUSE_ROW = 34.0


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


def events_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """The mean response with its band over hairs of the events, and when in the day they happened."""
    tables, unit = study.answer.tables, unit_of(study)
    if "response" not in tables:
        return []
    table, each, when = tables["response"], tables["each event"], tables["events"]
    x = PlotAxis(0, 90, 52, 470)
    y = PlotAxis(*span_of([*table["low"], *table["high"]], zero=True), HEIGHT - 40, 26)
    plot = Plot.frame(palette, x, y, ("minutes since the event", unit))
    for number in sorted(set(each["event"])):
        rows = [i for i, event in enumerate(each["event"]) if event == number]
        inside = [_within(each["departure"][i], y) for i in rows]
        plot.line([each["minute"][i] for i in rows], inside, palette.hair, 0.8)
    plot.level(0.0, palette.soft)
    plot.band(table["minute"], table["low"], table["high"], palette.series)
    plot.line(table["minute"], table["mean"], palette.series, 2.0)
    ticks = [(float(hour), f"{hour:02d}") for hour in range(0, 25, 6)]
    day = Plot.frame(
        palette, PlotAxis(0, 24, 500, 620), PlotAxis(0, 1, HEIGHT - 40, HEIGHT - 60), ("", ""), ticks_at=ticks
    )
    many = len(when["local_hour"]) > 60  # then a column an hour, else a line an event
    counts = [sum(int(h) == hour for h in when["local_hour"]) for hour in range(24)] if many else []
    for hour, count in enumerate(counts):
        box = {"x": day.x.place(hour), "width": day.x.place(1) - day.x.place(0) - 0.6}
        tall = 40 * count / max(counts)
        day.parts.append(element("rect", **box, y=day.y.begin - tall, height=tall, fill=palette.ink))
    for hour in [] if many else when["local_hour"]:
        day.upright(hour, palette.ink, "")
    shown = [part for part in day.parts if 'text-anchor="end"' not in part]
    return [
        (
            f"Mean response, band for all bins together, {unit}; hairs: single events; right: their hours",
            picture([*plot.parts, *shown], HEIGHT, "Mean response to the events", palette),
        )
    ]


def _within(value: float | None, axis: PlotAxis) -> float | None:
    return value if value is not None and axis.low <= value <= axis.high else None


def hours_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """Seven rows of 24 bars: height is the probability, solid where its lower end is 90 % or more."""
    table = study.answer.tables.get("week")
    if table is None:
        return []
    parts: list[str] = []
    row, left, wide = 38.0, 50.0, 23.0
    for day, name in enumerate(NAMES):
        base = 30 + (day + 1) * row
        parts.append(text(8, base - 6, name, fill=palette.soft, font_size=SIZE))
        parts.append(path(f"M{left} {base:.1f}h{24 * wide:.1f}", palette.soft, 0.8))
        parts.append(path(f"M{left} {base - row + 9:.1f}h{24 * wide:.1f}", palette.hair, 0.7))
        for hour in range(24):
            parts += _hour_bar(table, day * 24 + hour, left + hour * wide, base, palette)
    for hour in range(0, 25, 3):
        at = left + hour * wide
        parts.append(text(at, 30 + 7 * row + 16, f"{hour:02d}", "middle", fill=palette.soft, font_size=SIZE))
    best = study.answer.tables.get("best", {"hour of week": [], "hours": []})
    for place, hours in zip(best["hour of week"], best["hours"], strict=True):
        parts += job_outline(place, hours, "", palette)
    caption = (
        "Bar: probability, full height 100 %; line on it: lower end; solid: lower end 90 % or more; "
        "dotted: fewer than 4 weeks; outlined: the best starts; underlined: hours of use"
    )
    return [(caption, picture(parts, 30 + 7 * row + 26, "Probability by start hour of the week", palette))]


def _hour_bar(table: Mapping[str, Any], start: int, at: float, base: float, palette: Palette) -> list[str]:
    full = 29.0
    value, low = table["probability"][start], table["low"][start]
    if value is None:
        spots = "".join(f"M{at + 4 + 5 * i:.1f} {base - 6 - 6 * j:.1f}h1" for i in range(4) for j in range(4))
        return [path(spots, palette.soft, 1.0)]
    ink = palette.ink if low >= 90 else palette.soft
    height, lower = full * value / 100, full * low / 100
    parts = [
        element(
            "rect",
            x=at + 1,
            y=base - height,
            width=21,
            height=height,
            fill=ink,
            fill_opacity=1 if low >= 90 else 0.45,
        ),
        path(f"M{at + 1:.1f} {base - lower:.1f}h21", palette.sheet if lower < height else ink, 1.2),
    ]
    if table["in use"][start]:
        parts.append(path(f"M{at:.1f} {base + 3:.1f}h23", palette.series, 2.0))
    return parts


def change_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """Daily means over time, and over outdoors: two lines parted by the shift."""
    table, model = study.answer.tables.get("days"), study.answer.tables.get("model")
    if table is None or not table["mean"]:
        return []
    unit, mean = unit_of(study), table.get("without weekday", table["mean"])
    axis = PlotAxis(*span_of(mean), HEIGHT - 40, 26)
    days = [float(n - table["number"][0]) for n in table["number"]]
    outdoors = any(z is not None for z in table["outdoors"])
    left = Plot.frame(
        palette,
        PlotAxis(0, max(days[-1], 1), 52, 350 if outdoors else 620),
        axis,
        ("days", "mean of the day"),
    )
    _sides(left, days, table, mean, palette)
    parts = list(left.parts)
    if outdoors:
        z = table["outdoors"]
        right = Plot.frame(palette, PlotAxis(*span_of(z), 410, 620), axis, ("outdoors, °C", ""))
        _sides(right, z, table, mean, palette)
        if model is not None:
            ends = [v for v in (right.x.low, right.x.high)]
            for shift, color in ((0.0, palette.series), (model["shift"][0], palette.other)):
                level = [
                    model["before"][0] + shift + model["slope"][0] * (v - model["outdoors"][0]) for v in ends
                ]
                right.line(ends, level, color, 1.4)
        parts += right.parts
    levelled = "" if list(mean) == list(table["mean"]) else ", weekdays levelled"
    caption = f"Daily means{levelled}; filled: before, hollow: after; right: over outdoors, {unit}"
    return [(caption, picture(parts, HEIGHT, "Daily means before and after", palette))]


def _sides(plot: Plot, xs: Any, table: Mapping[str, Any], mean: Any, palette: Palette) -> None:
    for after, color in ((False, palette.series), (True, palette.other)):
        rows = [i for i, item in enumerate(table["after"]) if item == after]
        plot.dots([xs[i] for i in rows], [mean[i] for i in rows], color, hollow=after)


def site_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """A bar for each candidate with its bracket, and the worst day of the best one."""
    table, worst = study.answer.tables.get("candidates"), study.answer.tables.get("worst day")
    if table is None or worst is None:
        return []
    return [
        (
            f"rms of what is left on days left out, {unit_of(study)}, with its 95 % interval",
            _candidates_picture(table, unit_of(study), palette),
        ),
        (
            "The worst day: line: the volume; dashed: what the best position says of it",
            _worst_day_picture(worst, palette),
        ),
    ]


def _candidates_picture(table: Mapping[str, Sequence[Any]], unit: str, palette: Palette) -> str:
    n, row = len(table["position"]), 24.0
    height = 34 + n * row + 40
    x = PlotAxis(0.0, max(table["high"]) * 1.05 or 1.0, 230, 620)
    parts = [path(f"M{x.begin} {height - 40:.1f}H{x.end}", palette.soft, 0.8)]
    for value in x.ticks(6):
        parts.append(
            text(x.place(value), height - 22, tick_text(value), "middle", fill=palette.soft, font_size=SIZE)
        )
    parts.append(text(x.end, height - 8, f"rms, {unit}", "end", fill=palette.soft, font_size=SIZE))
    bars = Plot(x, x, palette, parts)
    for i, name in enumerate(table["position"]):
        top = 24 + i * row
        tie = " (not worse)" if table["not worse"][i] and i and " + " not in name else ""
        parts.append(text(222, top + 13, name + tie, "end", fill=palette.ink, font_size=SIZE))
        size = {"x": x.begin, "y": top, "width": x.place(table["rms"][i]) - x.begin, "height": 16}
        opacity = 1.0 if i == 0 else 0.4
        parts.append(element("rect", **size, fill=palette.series, fill_opacity=opacity))
        bars.flat_bracket(top + 8, table["low"][i], table["high"][i], palette.ink)
    return picture(parts, height, "Candidates", palette)


def _worst_day_picture(worst: Mapping[str, Sequence[Any]], palette: Palette) -> str:
    cells, step = worst["cell"], 1 / 12
    axis = PlotAxis(*span_of([*worst["volume"], *worst["prediction"]]), HEIGHT - 40, 26)
    plot = Plot.frame(palette, PlotAxis(0, max(1.0, cells[-1] * step), 52, 620), axis, ("h", "°C"))
    plot.line([c * step for c in cells], worst["volume"], palette.ink, 1.6)
    plot.line([c * step for c in cells], worst["prediction"], palette.series, 1.4, "5 3")
    return picture(plot.parts, HEIGHT, "Worst day", palette)


def causes_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """Steps down: the whole variation, then what remains when one cause after the other is fixed."""
    table, whole = study.answer.tables.get("causes"), study.answer.tables.get("whole")
    if table is None or whole is None:
        return []
    unit, total, factor = unit_of(study), whole["whole"][0], whole["um_per_K"][0]
    n = len(table["cause"])
    height = 62 + (n + 2) * CAUSE_ROW
    shown = [i for i in range(n) if table["shown"][i]]
    widest = [total, *table["high"], *(table["left"][i] for i in shown), *whole.get("whole high", ())]
    x = PlotAxis(0.0, max(widest) * 1.05, 110.0, 380)
    parts = _scale(x, height - 40, palette, unit)
    _step(parts, palette, (0, "today", total), x, 0.0)
    _words(parts, palette, 0, _total(whole, "whole", unit), "standard deviation")
    before = total
    for place, i in enumerate([*shown, *(i for i in range(n) if not table["shown"][i])], start=1):
        after = table["left"][i] if table["shown"][i] else before
        _step(parts, palette, (place, table["cause"][i], before), x, after)
        if table["shown"][i]:
            um = "" if factor is None else f", {table['um'][i]:.1f} µm"
            _words(parts, palette, place, f"{_size(table, i, unit)}{um}", _left(table, i, unit))
        else:
            _words(parts, palette, place, "not shown", f"up to {table['high'][i]:.2f} {unit}")
        before = after
    _step(parts, palette, (n + 1, "rest", whole["rest"][0]), x, 0.0)
    _words(parts, palette, n + 1, _total(whole, "rest", unit), "not explained")
    bars = Plot(x, x, palette, parts)
    for place, name in ((0, "whole"), (n + 1, "rest")):
        if f"{name} low" in whole:
            middle = 37 + place * CAUSE_ROW
            bars.flat_bracket(middle, whole[f"{name} low"][0], whole[f"{name} high"][0], palette.ink)
    caption = f"Standard deviation, {unit}; what remains when one cause after the other is fixed"
    return [(caption, picture(parts, height, "Variation by cause", palette))]


def _total(whole: Mapping[str, Any], name: str, unit: str) -> str:
    """The whole or the rest, with its interval where the answer has one."""
    low, high = whole.get(f"{name} low"), whole.get(f"{name} high")
    return _with_ends(whole[name][0], low and low[0], high and high[0], unit)


def _left(table: Mapping[str, Any], i: int, unit: str) -> str:
    """What remains behind a step down, with its interval where the answer has one."""
    low, high = table.get("left low"), table.get("left high")
    return f"then {_with_ends(table['left'][i], low and low[i], high and high[i], unit)}"


def _words(parts: list[str], palette: Palette, place: int, first: str, second: str) -> None:
    """What a row of causes says beside its bar, in two lines."""
    top = 30 + place * CAUSE_ROW
    parts.append(text(390, top + 6, first, fill=palette.ink, font_size=SIZE))
    parts.append(text(390, top + 20, second, fill=palette.soft, font_size=SIZE))


def _size(table: Mapping[str, Any], i: int, unit: str) -> str:
    """The size of a cause, and its interval where it has one, with the digits that tell its ends apart."""
    return _with_ends(table["size"][i], table["low"][i], table["high"][i], unit)


def _with_ends(value: float, low: float | None, high: float | None, unit: str) -> str:
    if low is None or high is None or low == high:
        return f"{value:.2f} {unit}"
    n = min(3, decimals((high - low) / 2))
    return f"{value:.{n}f} {unit} ({low:.{n}f} to {high:.{n}f})"


def _scale(x: PlotAxis, base: float, palette: Palette, unit: str) -> list[str]:
    parts = [path(f"M{x.begin} {base:.1f}H{x.end}", palette.soft, 0.8)]
    for value in x.ticks(6):
        parts.append(
            text(x.place(value), base + 16, tick_text(value), "middle", fill=palette.soft, font_size=SIZE)
        )
    parts.append(text(x.end, base + 32, unit, "end", fill=palette.soft, font_size=SIZE))
    return parts


def _step(parts: list[str], palette: Palette, bar: tuple[int, str, float], x: PlotAxis, begin: float) -> None:
    """One row: its name, and a bar from `begin` to its value; the first and the last are outlines."""
    place, name, value = bar
    top = 30 + place * CAUSE_ROW
    weight = "" if place else "bold"
    parts.append(text(8, top + 12, name, fill=palette.ink, font_size=SIZE, font_weight=weight))
    a, b = sorted((x.place(begin), x.place(value)))
    outline = name in ("today", "rest")
    fill = palette.sheet if outline else palette.series if place == 1 else palette.soft
    dash = "2 2" if name == "rest" else ""
    line: dict[str, str | float] = {}
    if outline:
        line = {"stroke": palette.ink, "stroke_width": 1.3, "stroke_dasharray": dash}
    parts.append(element("rect", x=a, y=top, width=max(b - a, 0.5), height=14, fill=fill, **line))


def step_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """The largest step with its fit, and what is left below it."""
    table = study.answer.tables.get("fit")
    if table is None:
        return []
    hours, value, fit = table["hour"], table["value"], table["fit"]
    x = PlotAxis(min(hours), max(hours), 60, 620)
    upper = Plot.frame(palette, x, PlotAxis(*span_of([*value, *fit]), 170, 26), ("", "°C"))
    upper.dots(hours, value, palette.soft, 1.4)
    upper.line(hours, fit, palette.series, 1.8)
    rest = [a - b for a, b in zip(value, fit, strict=True)]
    lower = Plot.frame(palette, x, PlotAxis(*span_of(rest), HEIGHT - 10, 206), ("h since the step", "left"))
    lower.level(0.0, palette.soft)
    lower.line(hours, rest, palette.ink, 1.0)
    caption = "Largest step with its fit; below: what is left (a bow in it means another time constant)"
    return [(caption, picture([*upper.parts, *lower.parts], HEIGHT + 30, "Step with its fit", palette))]


def return_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """Hours until ready over the departure at the start of each return."""
    table = study.answer.tables.get("returns")
    if table is None or not any(hours is not None for hours in table["hours"]):
        return []
    y = PlotAxis(*span_of(table["hours"], zero=True), HEIGHT - 40, 26)
    x = PlotAxis(*span_of(table["departure"], zero=True), 52, 620)
    plot = Plot.frame(palette, x, y, ("departure at the start, K", "h until ready"))
    plot.dots(table["departure"], table["hours"], palette.series)
    figures = {item.name: item for item in study.answer.figures}
    bound = figures.get("ready after, 9 of 10")
    if bound is not None and bound.shown and bound.value is not None and y.low <= bound.value <= y.high:
        plot.level(bound.value, palette.ink, "4 3", "9 of 10 are ready")
    return [("Returns in the record", picture(plot.parts, HEIGHT, "Hours until ready", palette))]


CHARTS: dict[str, Callable[[Study, Palette], list[tuple[str, str]]]] = {
    "causes": causes_charts,
    "cycles": cycles_charts,
    "events": events_charts,
    "hours": hours_charts,
    "change": change_charts,
    "map": map_charts,
    "plan": plan_charts,
    "forecast": forecast_charts,
    "return": return_charts,
    "site": site_charts,
    "step": step_charts,
}
