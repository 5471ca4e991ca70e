"""Probes side by side: the common minutes of their corrected values, compared."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from logger.core.calibration.comparison import ProbeComparison, compare_side_by_side
from logger.errors import IntervalError, Refused
from logger.instants import NS
from logger.units import quantity
from logger.verdicts.curves import at_common_bins

from ..data.queries import Queries
from ..data.words import difference
from .components import table

LONGEST_NS = 31 * 86_400 * NS


def compare_probes(q: Queries, channels: Sequence[str], from_ns: int, to_ns: int) -> ProbeComparison:
    """The comparison of channels of one quantity over [from, to), by minutes; humidity by dew point."""
    if not from_ns < to_ns <= from_ns + LONGEST_NS:
        raise IntervalError("Choose at most 31 days, with the end after the start.")
    unknown = [c for c in channels if c not in q.setup.channels]
    if unknown:
        raise Refused(f"There is no channel {unknown[0]!r}. Choose channels from the list.")
    kinds = {q.setup.channels[c].quantity for c in channels}
    if len(kinds) != 1:
        raise Refused(f"Choose channels of one quantity. You chose {', '.join(sorted(kinds))}.")
    names = [by_dew_point(q, c) for c in channels]
    minutes = max((to_ns - from_ns) // (60 * NS), 1)
    curves = at_common_bins([q.source.curve(c, from_ns, to_ns, minutes) for c in names])
    return compare_side_by_side({c: curve_.mean for c, curve_ in zip(names, curves, strict=True)})


def by_dew_point(q: Queries, channel: str) -> str:
    """The dew point of a humidity channel's probe: humidity differs where only the temperature does."""
    probe, _, of = channel.rpartition(".")
    derived = f"{probe}.dew_point"
    return derived if of == "relative_humidity" and q.setup.inputs_of(derived) else channel


def comparison_table(q: Queries, comparison: ProbeComparison, when: str) -> Component:
    """Offsets from the common mean, then the differences pair by pair."""
    first = comparison.offsets[0].channel
    of = q.setup.channels[first].quantity if first in q.setup.channels else first.rpartition(".")[2]
    name = quantity(of).difference_unit
    printed = difference(0.0, name)[1]

    def figure_text(value: float) -> str:
        return f"{difference(value, name)[0]:+.3f}"

    def size(value: float) -> str:
        return f"{difference(value, name)[0]:.3f}"

    offsets = [
        [q.label(o.channel), figure_text(o.offset), size(o.U), size(o.repeatability)]
        for o in comparison.offsets
    ]
    pairs = [
        [
            f"{q.label(p.first)} − {q.label(p.second)}",
            figure_text(p.difference),
            size(p.U),
            size(p.repeatability),
        ]
        for p in comparison.pairs
    ]
    caption = f"{of.replace('_', ' ')} in {printed}, {comparison.cells} common minutes, {when}"
    heads = [f"offset, {printed}", "U (k = 2)", "repeatability (1 s)"]
    return html.Div(
        [
            table(
                ["probe", *heads], offsets, f"Difference from the mean of all: {caption}", figures=(1, 2, 3)
            ),
            table(["pair", *heads], pairs, "Pair by pair", figures=(1, 2, 3)),
        ],
        id="compare-answer",
    )
