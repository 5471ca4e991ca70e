"""Where the likeliest line of a panel to leave its limits will be, beyond now: a pale band without a line.

Grey and never in the colour of a line, so that nothing expected looks like something measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..data.statements import Band
from ..data.words import clock, statistic
from . import theme
from .chart import Chart, Figure, base

NAME = "expected"
PALE = "rgba(90, 102, 114, 0.2)"  # theme.INK_2; assets/stillroom.css gives it the ink of the page
LARGEST_SHARE, LEAST_SHARE = 0.25, 0.02  # of the window: longer is cut, what would be narrower is not drawn


def with_bands(chart: Chart, bands: Sequence[Band]) -> Chart:
    """The chart with the band of each panel whose lines one of these is about."""
    window = chart.from_ns, chart.to_ns
    panels = [
        replace(panel, expected=band_in(window, bands, [line.channel for line in panel.lines]), below=())
        for panel in chart.panels
    ]
    return replace(chart, expected=panels[0].expected, below=tuple(panels[1:]))


def band_in(window: tuple[int, int], bands: Sequence[Band], channels: Sequence[str]) -> Band | None:
    """The band of one of these channels, as long as a chart of this window may show it; None: not drawn."""
    band = next((band for band in bands if band.channel in channels), None)
    if band is None:
        return None
    from_ns, to_ns = window
    n = sum(at <= to_ns + LARGEST_SHARE * (to_ns - from_ns) for at in band.at_ns)
    if n < 2 or band.at_ns[n - 1] - to_ns < LEAST_SHARE * (to_ns - from_ns):
        return None
    return replace(band, at_ns=band.at_ns[:n], low=band.low[:n], high=band.high[:n])


def band_traces(chart: Chart, axes: Sequence[str]) -> list[Figure]:
    """One for each panel, empty where nothing is drawn: a tick writes to the same places.

    axes: the y axis of each panel.
    """
    return [_trace(panel, axis) for panel, axis in zip(chart.panels, axes, strict=True)]


def _trace(panel: Chart, axis: str) -> Figure:
    band = panel.expected
    times = [panel.ms(at) for at in band.at_ns] if band else []
    edges = [[panel.y(v) for v in edge] for edge in (band.low, band.high)] if band else [[], []]
    return base(
        x=[*times, *reversed(times)],
        y=[*edges[0], *reversed(edges[1])],
        text=_label(panel),
        yaxis=axis,
        fill="toself",
        fillcolor=PALE,
        name=NAME,
    )


def _label(panel: Chart) -> str:
    if panel.expected is None:
        return ""
    return next(line.label for line in panel.lines if line.channel == panel.expected.channel)


def band_word(panel: Chart, axis: str) -> list[Figure]:
    """The word over the end of the band."""
    if panel.expected is None or panel.small:
        return []
    return [
        {
            "x": panel.ms(panel.expected.at_ns[-1]),
            "xref": "x",
            "xanchor": "right",
            "y": panel.y(max(panel.expected.high)),
            "yref": axis,
            "yanchor": "bottom",
            "text": NAME,
            "showarrow": False,
            "font": {"size": 11, "color": theme.INK_2},
        }
    ]


def band_words(bands: Sequence[tuple[Band, str, str]], now_ns: int, zone: str) -> str:
    """What the bands of a chart say, in a sentence; each band with name and unit of its line."""
    ends = [
        f"{label} {statistic(band.low[-1], unit).partition(' ')[0]} to {statistic(band.high[-1], unit)} "
        f"at {clock(band.at_ns[-1], now_ns, zone)}"
        for band, label, unit in bands
    ]
    if not ends:
        return ""
    return f"Grey, beyond now: expected in 8 cases of 10, {'; '.join(ends)}. A forecast, never a verdict."
