"""What each channel read over an interval: extremes, mean, span, shares of time within limits, U, medium."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...model import Rule, Setup
from ...model.plain_forms import CheckStatistics
from ...model.reasons import Why
from ...units import MICRO, quantity
from ..evidence.cells import Cells
from ..evidence.derived import cells_in_air
from ..evidence.grid import Grid
from ..evidence.gridded import cut
from ..judge.judgement import Judgement
from ..rules.finding import margin_and_value
from ..validity.hours_of_use import spans
from .own_readings import drop_readings_outside


@dataclass(frozen=True)
class ChannelStatistics:
    """A channel over an interval, in the canonical unit; None where there is no valid reading.

    share_conforming: of the cells in which a limit on the channel is in force, the share that
    conforms; share_within: the share of cells with evidence whose values lie within the limit;
    share_conforming_in_use: share_conforming in the zone's hours of use, None without any.
    U: the largest expanded uncertainty (k = 2) of a reading, None where none is known; medium: of the
    positions of the probe in the zone, with commas where there are several.
    """

    channel: str
    quantity: str
    unit: str
    readings: int
    min: float | None
    max: float | None
    mean: float | None
    span: float | None
    share_conforming: float | None
    share_within: float | None
    share_conforming_in_use: float | None = None
    U: float | None = None
    medium: str = ""

    def to_dict(self, *, judged: bool = False) -> CheckStatistics:
        """As plain data without the channel; `judged`: only what the digest of a check covers."""
        body: CheckStatistics = {
            "quantity": self.quantity,
            "unit": self.unit,
            "readings": self.readings,
            "min": self.min,
            "max": self.max,
            "mean": self.mean,
            "span": self.span,
            "share_conforming": self.share_conforming,
            "share_within": self.share_within,
            "share_conforming_in_use": self.share_conforming_in_use,
        }
        return body if judged else {**body, "U": self.U, "medium": self.medium}


def statistics(
    judgement: Judgement, setup: Setup, inside: slice, span: tuple[int, int] | None = None
) -> list[ChannelStatistics]:
    """Statistics of every channel that was in the zone, then of those derived from its air.

    span: the interval of the question, [from, to) in ns, where it begins or ends within a cell.
    """
    by_channel = {key: cut(cells, judgement.grid.part(inside)) for key, cells in judgement.cells.items()}
    if span is not None:
        by_channel = drop_readings_outside(by_channel, setup, *span)
    with_derived = by_channel | cells_in_air(by_channel, setup, judgement.zone)
    placed = [cells for cells in with_derived.values() if cells.placed.any()]
    grid = next(iter(by_channel.values())).grid if by_channel else judgement.grid
    used = _in_use(setup, judgement.zone, grid)
    return [
        replace(
            _statistics(cells, _limits_on(judgement, cells), used),
            medium=", ".join(media(setup, judgement.zone, cells.channel.key, grid)),
        )
        for cells in placed
    ]


def media(setup: Setup, zone: str, channel: str, grid: Grid) -> list[str]:
    """Media of the positions in a zone at which the probe of a channel stood; humidity is that of the air."""
    if channel not in setup.channels or setup.channels[channel].quantity != "temperature":
        return ["air"]
    begin, end = grid.first * grid.step_ns, (grid.first + grid.n) * grid.step_ns
    places = [
        setup.positions[p.position]
        for p in setup.placements_of(channel)
        if p.from_ns < end and (p.to_ns is None or p.to_ns > begin)
    ]
    return sorted({place.medium for place in places if place.zone == zone})


def _in_use(setup: Setup, zone: str, grid: Grid) -> NDArray[np.bool_] | None:
    """Cells that begin in the zone's hours of use; None where none are declared."""
    hours = setup.zone(zone).hours_of_use
    if hours is None:
        return None
    used = np.zeros(grid.n, np.bool_)
    begin = grid.first * grid.step_ns
    for from_ns, to_ns in spans(hours, setup.room.timezone, begin, begin + grid.n * grid.step_ns):
        used[grid.clip(from_ns, to_ns)] = True
    return used


def _limits_on(judgement: Judgement, cells: Cells) -> list[Rule]:
    """The limit on a channel, one rule for each change of it."""
    rules = [
        finding.rule
        for finding in judgement.findings
        if finding.rule.kind == "limit"
        and cells.channel.probe in finding.labels
        and finding.rule.quantity == cells.channel.quantity
    ]
    return [rule for rule in rules if rule.key == rules[0].key]


def _statistics(cells: Cells, rules: Sequence[Rule], used: NDArray[np.bool_] | None) -> ChannelStatistics:
    count = cells.count
    with_readings = count > 0
    low, high = cells.low[with_readings], cells.high[with_readings]
    n = int(count.sum())
    U = cells.U[with_readings & np.isfinite(cells.U)]
    least, most = (float(low.min()), float(high.max())) if n else (None, None)
    mean = float((cells.mean[with_readings] * count[with_readings]).sum()) / n if n else None
    return ChannelStatistics(
        channel=cells.channel.key,
        quantity=cells.channel.quantity,
        unit=quantity(cells.channel.quantity).unit,
        readings=n,
        min=_from_micro(least),
        max=_from_micro(most),
        mean=_from_micro(None if mean is None else round(mean)),
        span=None if least is None or most is None else (most - least) / MICRO,
        share_conforming=_share(rules, cells, guarded=True),
        share_within=_share(rules, cells, guarded=False),
        share_conforming_in_use=None if used is None else _share(rules, cells, guarded=True, used=used),
        U=_from_micro(float(U.max())) if len(U) else None,
    )


def _from_micro(micro_value: float | None) -> float | None:
    return None if micro_value is None else micro_value / MICRO


def _share(
    rules: Sequence[Rule], cells: Cells, *, guarded: bool, used: NDArray[np.bool_] | None = None
) -> float | None:
    """Share of the interval's cells whose values are within the limit then in force, guarded or not.

    Guarded, a cell without evidence does not conform; unguarded, it does not count.
    """
    if not rules:
        return None
    margin, band = np.full(cells.grid.n, np.nan), np.zeros(cells.grid.n)
    for rule in rules:
        part = cells.grid.clip(rule.from_ns, rule.to_ns)
        margin[part], _ = margin_and_value(rule, cells.low[part], cells.high[part])
        band[part] = np.rint(rule.r * cells.U[part])
    has_margin = np.isfinite(margin)
    if guarded:
        conforming = has_margin & (margin >= band) & (cells.why == Why.EVIDENCE)
        conforming = conforming if used is None else conforming[used]
        return float(conforming.mean()) if len(conforming) else None
    return float((margin[has_margin] >= 0).mean()) if has_margin.any() else None
