"""From the record to a chart: lines thinned with their extremes kept, limits as in force, trace, marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from logger.instants import NS
from logger.local_time import offset_text, stretches
from logger.model import DERIVED, Setup
from logger.model.roles import Act
from logger.series import Float
from logger.store import JournalEntry
from logger.units import quantity
from logger.verdicts.curves import Curve

from ..access.needs import allowed
from ..data.channels import channels_in, channels_of, quantities
from ..data.journal_words import entry_sentence
from .chart import Chart, ChartLine
from .decimate import SCREEN_BINS, SCREEN_POINTS, envelope, trace
from .expected_band import with_bands

if TYPE_CHECKING:
    from ..data.queries import Queries

RAW_POINTS = 4000  # a line of at most so many readings is drawn from each of them
MOST_CHANGES = 4  # of the clock are noted; in longer windows the ticks alone tell them
LIVE_HOURS = 12.0
ALWAYS_DRAWN = ("temperature", "relative_humidity")  # also where no limit is set for it
LIVE_PANELS = 3
YOUNG_NS = 600 * NS  # a live chart is at least so wide
ACTS = 200  # so many acts of people are marked in one chart


def window_panels(
    q: Queries,
    zone: str,
    names: Sequence[str],
    from_ns: int,
    to_ns: int,
    *,
    channels: Sequence[str] = (),
    bins: int = SCREEN_BINS,
    marks: bool = False,
) -> Chart:
    """A window of a zone, a panel for each quantity; `channels` none: all of the zone."""
    first, *others = (_panel(q, zone, name, (from_ns, to_ns), channels) for name in names)
    now, setup = q.now_ns(), q.setup
    periods = q.periods(zone, from_ns, to_ns)
    whole = replace(
        first,
        below=tuple(others),
        runs=trace(periods, from_ns, to_ns, bins),
        notes=clock_changes(from_ns, to_ns, setup.room.timezone),
    )
    if not marks or min(to_ns, now) <= from_ns:
        return whole
    return replace(
        whole,
        excursions=q.source.excursions(zone, from_ns, min(to_ns, now), now),
        inspections=q.touching(zone, from_ns, to_ns),
        acts=[(entry.at_ns, entry_sentence(entry)) for entry in _acts(q, from_ns, to_ns)],
    )


def _acts(q: Queries, from_ns: int, to_ns: int) -> list[JournalEntry]:
    """What people did; entries may name a job, so that they are for those who may read jobs."""
    return q.source.acts(from_ns, to_ns, ACTS) if allowed(Act.READ_INSPECTIONS) else []


def _panel(q: Queries, zone: str, name: str, window: tuple[int, int], channels: Sequence[str]) -> Chart:
    setup, (from_ns, to_ns) = q.setup, window
    all_channels = channels_of(setup, name)
    selected = [c for c in channels if c in all_channels] or channels_in(setup, zone, name)
    ruled = (r for r in setup.rules if r.zone == zone and r.kind == "limit" and r.quantity == name)
    return Chart(
        zone=setup.zone(zone).name,
        quantity=name,
        unit=quantity(name).unit,
        from_ns=from_ns,
        to_ns=to_ns,
        clock=setup.room.timezone,
        lines=[line(q, c, from_ns, to_ns, _place(setup, c)) for c in selected],
        limits=[r for r in ruled if not r.activity],
        rule_names=setup.rule_names,
        runs=(),
    )


def _place(setup: Setup, channel: str) -> int:
    """Which colour and dash a channel has: those of its probe, in every chart."""
    probes = list(dict.fromkeys(c.probe for c in setup.channels.values()))
    measured = setup.channels.get(channel)
    return probes.index(measured.probe if measured else channel.rpartition(".")[0])


def line(q: Queries, channel: str, from_ns: int, to_ns: int, place: int) -> ChartLine:
    """One channel over a window: every reading while they are few, else the extremes of each bin."""
    inputs = q.setup.inputs_of(channel) or (channel,)
    about = [q.setup.channels[key] for key in inputs]
    gap_ns = int(max(c.max_age_s for c in about) * NS)
    expected = (to_ns - from_ns) / NS / min(c.interval_s for c in about)
    if len(inputs) == 1 and expected <= RAW_POINTS:
        taken_ns, value, U = q.source.corrected(channel, from_ns, to_ns)
        times, values = envelope(taken_ns, value, gap_ns, SCREEN_POINTS)
        thinned = np.count_nonzero(np.isfinite(value)) > SCREEN_POINTS
        each_ns = (to_ns - from_ns) // (SCREEN_POINTS // 2) if thinned else 0
        return ChartLine(channel, q.label(channel), times, values, _largest(U), place, each_ns)
    curve = q.source.curve(channel, from_ns, to_ns, int(max(min(SCREEN_POINTS // 2, expected), 4)))
    times, values = curve_points(curve, gap_ns)
    times = [min(at, max(q.now_ns(), from_ns)) for at in times]  # a bin may reach beyond now, its points not
    each_ns = int((curve.end_ns - curve.start_ns).max()) if len(curve.start_ns) else 0
    each_alone = len(inputs) == 1 and each_ns <= min(c.interval_s for c in about) * NS  # a bin is a reading
    label, U_ = q.label(channel), _largest(curve.U)
    extremes = ChartLine(channel, label, times, values, U_, place, 0 if each_alone else each_ns, curve.bounds)
    if each_alone or curve.bounds:
        return extremes
    mean_ns, mean = mean_points(curve, gap_ns)
    return replace(extremes, mean_ns=mean_ns, mean=mean)


def _largest(U: Float) -> float:
    finite = U[np.isfinite(U)]
    return float(finite.max()) if len(finite) else 0.0


def mean_points(curve: Curve, gap_ns: int) -> tuple[list[int], list[float | None]]:
    """The middle and the mean of each bin; a break where bins are missing."""
    times: list[int] = []
    means: list[float | None] = []
    bins = zip(curve.start_ns.tolist(), curve.end_ns.tolist(), curve.mean.tolist(), strict=True)
    until_ns = None
    for start_ns, end_ns, mean in bins:
        if until_ns is not None and start_ns - until_ns > gap_ns:
            times.append((start_ns + until_ns) // 2)
            means.append(None)
        times.append((start_ns + end_ns) // 2)
        means.append(mean)
        until_ns = end_ns
    return times, means


def curve_points(curve: Curve, gap_ns: int) -> tuple[list[int], list[float | None]]:
    """Two points for a bin: its extremes, the nearer one first; a break where bins are missing."""
    times: list[int] = []
    values: list[float | None] = []
    quarter = (curve.end_ns - curve.start_ns) // 4
    rows = zip(
        curve.start_ns.tolist(), quarter.tolist(), curve.low.tolist(), curve.high.tolist(), strict=True
    )
    last, end = None, None
    for start, part, low, high in rows:
        if end is not None and start - end > gap_ns:
            times.append(end)
            values.append(None)
            last = None
        end = start + 4 * part
        near, far = (high, low) if last is not None and abs(high - last) < abs(low - last) else (low, high)
        if near != near:  # noqa: PLR0124 (NaN: outside the range of a formula)
            continue
        times += [start + part, start + 3 * part] if near != far else [start + 2 * part]
        values += [round(near, 4), round(far, 4)] if near != far else [round(near, 4)]
        last = far
    return times, values


def clock_changes(from_ns: int, to_ns: int, zone: str) -> list[tuple[int, str]]:
    """Where the local clock changes inside a window, with the offset before and after; at most so many."""
    parts = stretches(from_ns, to_ns, ZoneInfo(zone))
    if len(parts) > MOST_CHANGES + 1:
        return []
    return [(b.from_ns, _change(a.offset_s, b.offset_s)) for a, b in pairwise(parts)]


def _change(before_s: int, after_s: int) -> str:
    way = "back" if after_s < before_s else "forward"
    return f"clock put {way}: {offset_text(before_s)} to {offset_text(after_s)}"


@dataclass(frozen=True)
class LiveView:
    """What page Now draws of the zones: how many hours, and which zone large; of the others one quantity."""

    hours: float = LIVE_HOURS
    large: str = ""  # none: all of them


def live_panels(q: Queries, zone: str, view: LiveView | None = None) -> list[tuple[str, list[str]]]:
    """What is drawn of a zone now: each measured quantity with its channels, if it is ruled or common."""
    now = q.now_ns()
    ruled = {r.quantity for r in q.setup.rules_of(zone) if r.kind == "limit" and r.holds(now)}
    panels = [(name, q.channels(zone, name)) for name in quantities(q.setup) if name not in DERIVED]
    panels_drawn = [
        (name, channels) for name, channels in panels if channels and name in {*ruled, *ALWAYS_DRAWN}
    ]
    most = 1 if view and view.large not in ("", zone) else LIVE_PANELS
    return panels_drawn[:most] or [("temperature", [])]


def live_chart(q: Queries, zone: str, view: LiveView | None = None) -> Chart:
    """The last hours of a zone up to now."""
    view, now = view or LiveView(), q.now_ns()
    names = [name for name, _ in live_panels(q, zone, view)]
    begin = _live_begin(q, now, view.hours)
    small = view.large not in ("", zone)
    whole = replace(window_panels(q, zone, names, begin, now, bins=720), live=True, small=small)
    return with_bands(whole, next((s.bands for s in q.statements() if s.zone == zone), ()))


def _live_begin(q: Queries, now: int, hours: float) -> int:
    """So many hours ago; in a young room when its readings began, that the first minutes fill the chart."""
    extent = q.source.extent()
    begin = now - round(hours * 3600) * NS
    return begin if extent is None else max(begin, min(extent[0], now - YOUNG_NS))


def window_chart(q: Queries, zone: str, name: str, from_ns: int, to_ns: int, *, marks: bool = False) -> Chart:
    """A window of one quantity of a zone, with limits as in force and the trace."""
    return window_panels(q, zone, [name], from_ns, to_ns, marks=marks)
