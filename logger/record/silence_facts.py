"""Facts of a record about silence: gaps of channels that rules look at, and readings of the others."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np

from ..instants import NS, rfc3339
from ..model import Setup
from ..series import Int
from .fact_forms import (
    GapFacts,
    UnlimitedFacts,
)
from .interval import Interval

if TYPE_CHECKING:
    from .zone_readings import RecordRows


def gap_facts(stored: Mapping[str, RecordRows], setup: Setup, span: Interval) -> list[GapFacts]:
    """Where a channel that a limit rests on was silent for too long, the ends of the interval included."""
    by_interval: dict[tuple[int, int], list[str]] = {}
    for key in _judged_channels(setup, span):
        for gap in _gaps_of(stored, setup, key, span):
            by_interval.setdefault(gap, []).append(key)
    return [
        {"from": rfc3339(a), "to": rfc3339(b), "seconds": (b - a) // NS, "channels": keys}
        for (a, b), keys in sorted(by_interval.items())
    ]


def _gaps_of(
    stored: Mapping[str, RecordRows], setup: Setup, key: str, span: Interval
) -> Iterable[tuple[int, int]]:
    """While its probe stood in the zone: a probe that came later was not silent before."""
    longest = int(setup.channels[key].max_age_s * NS)
    for edges in _edges_of(stored, setup, key, span):
        for place in np.flatnonzero(np.diff(edges) > longest):
            yield int(edges[place]), int(edges[place + 1])


def _edges_of(stored: Mapping[str, RecordRows], setup: Setup, key: str, span: Interval) -> Iterator[Int]:
    """Of each stay in the zone its begin, the instants of its readings with a value, and its end, in ns."""
    for begin_ns, end_ns in _stays(setup, key, span):
        readings = stored[key].readings
        taken_ns = readings.taken_ns[np.isfinite(readings.value)]
        within = slice(*np.searchsorted(taken_ns, [begin_ns, end_ns]))
        yield np.concatenate([[begin_ns], taken_ns[within], [end_ns]])


def _stays(setup: Setup, key: str, span: Interval) -> list[tuple[int, int]]:
    """Times in the interval for which the probe of a channel stood in the zone, joined where they touch."""
    stays: list[tuple[int, int]] = []
    for p in sorted(setup.placements_of(key), key=lambda p: p.from_ns):
        if setup.positions[p.position].zone != span.zone or not span.overlaps(p.from_ns, p.to_ns):
            continue
        begin_ns = max(p.from_ns, span.from_ns)
        end_ns = span.to_ns if p.to_ns is None else min(p.to_ns, span.to_ns)
        if stays and stays[-1][1] == begin_ns:
            begin_ns = stays.pop()[0]
        stays.append((begin_ns, end_ns))
    return stays


def _judged_channels(setup: Setup, span: Interval) -> list[str]:
    """Channels of the zone that a rule in force in the interval looks at."""
    rules = [r for r in setup.rules if r.zone == span.zone and span.overlaps(r.from_ns, r.to_ns)]
    ruled = {key for rule in rules for key in setup.channels_of(rule)}
    return [key for key in setup.channels_in(span.zone) if key in ruled]


def unlimited_facts(stored: Mapping[str, RecordRows], setup: Setup, span: Interval) -> list[UnlimitedFacts]:
    """Channels that no rule looks at, such as a thermometer read by hand: how often they were read."""
    ruled = set(_judged_channels(setup, span))
    rows: list[UnlimitedFacts] = []
    for key in setup.channels_in(span.zone):
        if key in ruled:
            continue
        stays = list(_edges_of(stored, setup, key, span))
        if stays:
            count = sum(len(edges) - 2 for edges in stays)
            longest = max(int(np.diff(edges).max()) for edges in stays)
            rows.append({"channel": key, "readings": count, "longest_silence_s": longest // NS})
    return rows
