"""Charts of a mapping campaign: plan and elevation with measured points, and uniformity over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..core.study.mapping import MOST_BEYOND
from .plot import Palette, Plot, PlotAxis, picture, span_of
from .study import Study

HEIGHT = 280.0


def map_charts(study: Study, palette: Palette) -> list[tuple[str, str]]:
    """Plan and one elevation side by side, then the largest difference at one instant over time."""
    tables = study.answer.tables
    if "positions" not in tables:
        return []
    table, uniformity = tables["positions"], tables["uniformity"]
    drawn = []
    if all(x is not None for x in table["x_m"]):
        parts = [
            *_view(table, ("x_m", "y_m"), (60, 330), palette).parts,
            *_view(table, ("x_m", "z_m"), (390, 620), palette).parts,
        ]
        marks = (
            "of positions behind each other the highest above, the lowest below; bold: extremes; filled: not "
            "to be used"
        )
        caption = f"Deviation from the mean of all positions, K; left: plan, right: elevation; {marks}"
        drawn.append((caption, picture(parts, HEIGHT, "Positions", palette)))
    hours = uniformity["hour"]
    x = PlotAxis(0.0, max(hours[-1], 0.1), 60, 620)
    y = PlotAxis(*span_of(uniformity["difference"], zero=True), 180, 26)
    plot = Plot.frame(palette, x, y, ("h", "K"))
    plot.line(hours, uniformity["difference"], palette.series)
    drawn.append(("Largest difference at one time", picture(plot.parts, 220, "Uniformity", palette)))
    return drawn


def _view(
    table: Mapping[str, Any], axes: tuple[str, str], ends: tuple[float, float], palette: Palette
) -> Plot:
    """Points with their deviation, seen along one axis."""
    across, up = table[axes[0]], table[axes[1]]
    x = PlotAxis(*span_of(across, margin=0.15), *ends)
    plot = Plot.frame(palette, x, PlotAxis(*span_of(up, margin=0.15), HEIGHT - 40, 26), ("m", "m"))
    deviation = table["deviation"]
    extremes = {deviation.index(max(deviation)), deviation.index(min(deviation))}
    for i in range(len(deviation)):
        beyond = (table["beyond limits"][i] or 0.0) > MOST_BEYOND
        color = palette.limit if beyond else palette.ink
        plot.dots([across[i]], [up[i]], color, 6.0 if i in extremes else 3.5, hollow=not beyond)
    for stack in _stacks(across, up):
        # Of positions behind each other the warmest stands above the point, the coldest below it.
        warm, cold = max(stack, key=lambda i: deviation[i]), min(stack, key=lambda i: deviation[i])
        big = bool(extremes & set(stack))
        places = {cold: -19.0 if big else -15.0, warm: 11.0 if big else 7.0}  # alone it stands above
        for i, above in places.items():
            words = f"{deviation[i]:+.2f}".replace("-", "−")
            plot.word(across[i], up[i], words, "middle", bold=i in extremes, above=above)
    return plot


def _stacks(across: Sequence[float], up: Sequence[float]) -> list[list[int]]:
    """Positions that coincide in a view, as lists of their numbers."""
    places: dict[tuple[float, float], list[int]] = {}
    for i, place in enumerate(zip(across, up, strict=True)):
        places.setdefault((round(place[0], 1), round(place[1], 1)), []).append(i)
    return list(places.values())
