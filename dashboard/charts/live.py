"""What a live tick brings to the charts of page Now: new points; each minute the trace, at times all anew.

The cursor of a page says what it has: the number of the newest arrival, and of each line the newest instant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import Patch, no_update

from logger.instants import NS

from ..data.queries import Queries
from . import figures
from .axes import name_of
from .build import LIVE_HOURS, LiveView, live_chart, live_panels
from .chart import MS, Chart

HOURS = {"1 h": 1.0, "12 h": LIVE_HOURS, "24 h": 24.0, "7 d": 168.0}  # of the buttons of page Now
TRACE_TICKS = 12  # every minute the trace, the limits and the labels follow
FRESH_TICKS = 120  # every ten minutes the lines are drawn anew, so that the window slides
CHANGING = ("x", "y", "z", "text", "textfont")  # of a trace; the rest never does
SLEPT_ROWS = 2000  # a tab that missed more than this is drawn anew
MAX_POINTS = 3000
WHOLE = LiveView()
Points = dict[str, tuple[list[int], list[float | None]]]


def cursor_of(number: int, charts: Sequence[Chart], view: LiveView = WHOLE) -> dict[str, Any]:
    """Where a page stands; a plain list in the order of the charts keeps a tick small."""
    lines = [line for chart in charts for panel in chart.panels for line in panel.lines]
    newest_ms = [line.taken_ns[-1] // MS if line.taken_ns else None for line in lines]
    return cursor_dict(number, newest_ms, view)


def cursor_dict(number: int, newest_ms: Sequence[int | None], view: LiveView = WHOLE) -> dict[str, Any]:
    """Newest instants in ms as how far each is behind the newest of all: five digits in place of thirteen."""
    newest = max((ms for ms in newest_ms if ms is not None), default=0)
    behind = [None if ms is None else newest - ms for ms in newest_ms]
    return {"cursor": number, "newest": newest, "behind": behind, "hours": view.hours, "large": view.large}


def view_of(cursor: Mapping[str, Any]) -> LiveView:
    """What the page that has this cursor draws; the hours are those of a button, whatever was sent."""
    hours = next((hours for hours in HOURS.values() if hours == cursor.get("hours")), LIVE_HOURS)
    return LiveView(hours, str(cursor.get("large", "")))


def known_of(q: Queries, cursor: Mapping[str, Any], zones: Sequence[str]) -> dict[str, int | None]:
    """The newest instant of each line in ms, by channel."""
    pairs = zip(_channels(q, zones, view_of(cursor)), cursor["behind"], strict=True)
    return {c: None if behind is None else cursor["newest"] - behind for c, behind in pairs}


def _channels(q: Queries, zones: Sequence[str], view: LiveView) -> list[str]:
    return [c for zone in zones for _, some in live_panels(q, zone, view) for c in some]


def live_tick(q: Queries, n: int, cursor: dict[str, Any], zones: list[str]) -> tuple[Any, list[Any], Any]:
    """What tick number n adds: points by zone, patches, cursor. A tab that slept for long is drawn anew, too.

    Nothing is lost or told twice. A page of before the setup changed has other lines: it is left as it is,
    and loads itself again (assets/lost.js).
    """
    view = view_of(cursor)
    if len(cursor["behind"]) != len(_channels(q, zones, view)):
        return no_update, [no_update] * len(zones), no_update
    if n % FRESH_TICKS == 0 or q.cursor() - cursor["cursor"] > SLEPT_ROWS:
        return _anew(q, zones, view)
    news, newest = q.news(cursor["cursor"])
    newest_ms = known_of(q, cursor, zones)
    added = new_points(q, news, {channel: (ms + 1) * MS - 1 for channel, ms in newest_ms.items() if ms})
    extended = {zone: points for zone in zones if (points := extension(q, zone, added, view)) is not None}
    traces = [
        chart_patch(live_chart(q, zone, view), lines=False) if n % TRACE_TICKS == 0 else no_update
        for zone in zones
    ]
    if newest == cursor["cursor"]:
        return extended or no_update, traces, no_update
    newest_ms |= {
        channel: max(taken_ns) // MS for channel, (taken_ns, _) in added.items() if channel in newest_ms
    }
    return extended or no_update, traces, cursor_dict(newest, list(newest_ms.values()), view)


def _anew(q: Queries, zones: list[str], view: LiveView) -> tuple[Any, list[Any], Any]:
    newest = q.cursor()
    charts = [live_chart(q, zone, view) for zone in zones]
    fresh = cursor_of(newest, charts, view)
    return no_update, [chart_patch(c, lines=True) for c in charts], fresh


def new_points(q: Queries, news: Mapping[str, Any], last: Mapping[str, int]) -> Points:
    """New points after the last one drawn, with a break where the probe was silent for too long."""
    points = {}
    for channel, (taken_ns, values) in news.items():
        fresh = [(t, v) for t, v in zip(taken_ns, values, strict=True) if t > last.get(channel, 0)]
        before = last.get(channel)
        out: list[tuple[int, float | None]] = []
        for t, v in fresh:
            if before is not None and t - before > q.setup.channels[channel].max_age_s * NS:
                out.append((before + NS, None))
            out.append((t, v))
            before = t
        points[channel] = ([t for t, _ in out], [v for _, v in out])
    return {channel: pair for channel, pair in points.items() if pair[0]}


def extension(q: Queries, zone: str, news: Points, view: LiveView | None = None) -> tuple[Any, ...] | None:
    """The points of one chart, the traces they belong to, and how many a trace keeps; None: no point.

    assets/live.js draws them: what the graph component itself adds gets lost where its figure changes, too.
    """
    added = figures.ticks(news, live_panels(q, zone, view))
    return None if added is None else (*added, MAX_POINTS)


def chart_patch(chart: Chart, *, lines: bool) -> Patch:
    """Ground, trace, labels and changes of the clock anew, without touching what a person has zoomed to."""
    figure_now, patch = figures.build_figure(chart), Patch()
    drawn = figures.places_of_lines([len(panel.lines) for panel in chart.panels])
    unchanged = set() if lines else {place for panel in drawn for place in panel}
    for i, trace in enumerate(figure_now["data"]):
        for name in CHANGING if i not in unchanged else ():
            if name in trace:
                patch["data"][i][name] = trace[name]
    for name in ("annotations", "shapes", "meta"):
        patch["layout"][name] = figure_now["layout"][name]
    for i in range(len(chart.panels)):
        axis = "yaxis" + name_of(i)[1:]
        patch["layout"][axis]["range"] = figure_now["layout"][axis]["range"]
    return patch
