"""Charts of the week to come: probabilities by start hour, the planned jobs, and how they came out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..record.svg import element, path, text
from .plot import SIZE, Palette, Plot, PlotAxis, picture, span_of
from .study import Study

ROW, LEFT, HOUR = 38.0, 50.0, 23.0


def plan_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """The week to come, and beside it the reliability of the promises so far."""
    tables = study.answer.tables
    if "reliability" not in tables:
        return []
    drawn = list[tuple[str, str]]()
    if "week" in tables:
        first = tables["jobs"]["job"][0]
        week = picture(_week(tables, palette), 30 + 7 * ROW + 26, "Promises of the week to come", palette)
        caption = (
            f"Bar: probability that {first} is stable throughout when it starts then, full height 100 %; "
            "outlined: planned jobs; underlined: hours of use"
        )
        drawn.append((caption, week))
    if any(value is not None for value in tables["reliability"]["came true"]):
        caption = "Of forecasts so far, how many were right, with an interval by weeks; dashed: as forecast"
        drawn.append((caption, picture(_reliability(tables, palette), 250, "Reliability", palette)))
    return drawn


def forecast_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """Skill by horizon with its interval; above 0 the forecast beats staying."""
    table = study.answer.tables.get("skill")
    if table is None:
        return []
    y = PlotAxis(*span_of([*table["low"], *table["high"]], zero=True), 210, 26)
    plot = Plot.frame(
        palette, PlotAxis(0, 65, 60, 620), y, ("minutes ahead", "skill; 0: “it stays as it is”")
    )
    plot.level(0.0, palette.soft)
    for minutes, low, high in zip(table["minutes"], table["low"], table["high"], strict=True):
        plot.bracket(minutes, low, high, palette.soft)
    plot.dots(table["minutes"], table["skill"], palette.series, 3.5)
    caption = "1 − error / error of “it stays as it is”, with a 95 % interval by days; above 0: better"
    return [(caption, picture(plot.parts, 250, "Skill by minutes ahead", palette))]


def _week(tables: Mapping[str, Mapping[str, Any]], palette: Palette) -> list[str]:
    week, jobs, parts = tables["week"], tables["jobs"], list[str]()
    for day in range(7):
        base = 30 + (day + 1) * ROW
        parts.append(text(8, base - 6, week["start"][24 * day][:3], fill=palette.soft, font_size=SIZE))
        parts.append(path(f"M{LEFT} {base:.1f}h{24 * HOUR:.1f}", palette.soft, 0.8))
        for hour in range(24):
            at, promise = LEFT + hour * HOUR, week["promise"][24 * day + hour]
            height = 29.0 * promise / 100
            bar = {"x": at + 1, "y": base - height, "width": 21, "height": height}
            parts.append(element("rect", **bar, fill=palette.soft, fill_opacity=0.45))
            if week["in use"][24 * day + hour]:
                parts.append(path(f"M{at:.1f} {base + 3:.1f}h{HOUR:.1f}", palette.series, 2.0))
    for name, hours, place, promise in zip(
        jobs["job"], jobs["hours"], jobs["hour of week"], jobs["promise"], strict=True
    ):
        if place is not None:
            parts += job_outline(place, hours, f"{name} {promise:.0f} %", palette)
    for hour in range(0, 25, 3):
        at = LEFT + hour * HOUR
        parts.append(text(at, 30 + 7 * ROW + 16, f"{hour:02d}", "middle", fill=palette.soft, font_size=SIZE))
    return parts


def job_outline(place: int, hours: int, words: str, palette: Palette) -> list[str]:
    """An outlined bar over its hours; one that goes over midnight has a piece in each row."""
    parts, left = [], hours
    while left > 0:
        day, hour = divmod(place, 24)
        here = min(left, 24 - hour)
        top, at = 30 + day * ROW + 8, LEFT + hour * HOUR
        box = {"x": at, "y": top, "width": here * HOUR, "height": ROW - 9}
        parts.append(element("rect", **box, fill="none", stroke=palette.ink, stroke_width=1.8))
        if left == hours and words:
            anchor, x = ("end", at - 3) if hour > 16 else ("start", at + here * HOUR + 3)
            parts.append(
                text(x, top + 17, words, anchor, fill=palette.ink, font_size=SIZE, font_weight="bold")
            )
        place, left = place + here, left - here
    return parts


def _reliability(tables: Mapping[str, Mapping[str, Any]], palette: Palette) -> list[str]:
    table = tables["reliability"]
    plot = Plot.frame(
        palette, PlotAxis(0, 100, 60, 380), PlotAxis(0, 100, 210, 26), ("promised, %", "came true, %")
    )
    plot.line([0, 100], [0, 100], palette.soft, 1.0, "4 3")
    rows = zip(table["promised"], table["came true"], table["low"], table["high"], strict=True)
    for promised, share, low, high in rows:
        if promised is not None and share is not None:
            plot.bracket(promised, low, high, palette.soft)
            plot.dots([promised], [share], palette.ink, 3.5)
    return plot.parts
