"""Quality tests of single readings, after the QARTOD manuals: arrays in, flags of the same length out.

A `fail` reading takes no part in judging; a `suspect` one supports neither side. The tests see
raw values in the probe's own unit. The spike test and its confirmation look two readings to either
side, the rate test looks back by RATE_S, the flat line looks over `flat_n` readings and at most
FLAT_WINDOW_S (`evidence.py`).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ...instants import NS
from ...model import Channel, Quality
from ...model.ceilings import PHYSICAL
from ...series import Bool, Float, Int
from ...units import from_canonical

Flags = NDArray[np.uint8]
RATE_S = 300  # the limit of the rate test is that of a change within so long


def gross_range(
    value: Float, probe_span: tuple[float, float], user_span: tuple[float, float] | None
) -> Flags:
    """Outside the probe's span: fail; outside the user's: suspect; NaN: missing. Shape kept.

    >>> gross_range(np.array([20.0, 85.0, np.nan]), (-40.0, 60.0), None).tolist()
    [1, 4, 9]
    """
    flags = np.full(value.shape, Quality.PASS, np.uint8)
    if _all_within(value, probe_span) and (user_span is None or _all_within(value, user_span)):
        return flags  # the usual case; of NaN nothing is within
    if user_span is not None:
        flags[(value < user_span[0]) | (value > user_span[1])] = Quality.SUSPECT
    flags[(value < probe_span[0]) | (value > probe_span[1])] = Quality.FAIL
    flags[~np.isfinite(value)] = Quality.MISSING
    return flags


def _all_within(value: Float, span: tuple[float, float]) -> bool:
    """Whether all values lie in a closed span; of NaN none does."""
    least, most = value.min(initial=span[0]), value.max(initial=span[1])
    return bool(least >= span[0]) and bool(most <= span[1])


@lru_cache(maxsize=4096)
def possible_span(channel: Channel) -> tuple[float, float]:
    """What a channel can read, in its own unit: its span, and never beyond what the quantity can be.

    No temperature is below absolute zero, no pressure below zero, whatever span was declared.
    """
    low, high = channel.probe_span
    if channel.quantity in PHYSICAL:
        bounds = [
            float(from_canonical(b, channel.unit, channel.quantity)) for b in PHYSICAL[channel.quantity]
        ]
        low, high = max(low, round(bounds[0], 9)), min(high, round(bounds[1], 9))
    return low, high


def rate_flags(taken_ns: Int, value: Float, limit: float, max_age_s: float) -> Bool:
    """Values that lie more than `limit` from one within RATE_S before them: faster than a room can change.

    Between two such values no gap is longer than max_age_s. Readings further apart than RATE_S are compared
    with the one before, at the same rate. taken_ns ascending; value (n,), finite.

    >>> t = np.arange(5) * 60 * NS
    >>> rate_flags(t, np.array([20.0, 22.0, 24.0, 26.0, 28.0]), 5.0, 180.0).tolist()
    [False, False, False, True, True]
    >>> rate_flags(t * 15, np.array([20.0, 34.9, 20.0, 35.1, 35.1]), 5.0, 2700.0).tolist()
    [False, False, False, True, False]
    """
    flagged = np.zeros(value.shape, np.bool_)
    if len(value) < 2 or value.max() - value.min() <= limit:
        return flagged
    gap_ns = np.diff(taken_ns)
    slow = np.flatnonzero((gap_ns > RATE_S * NS) & (gap_ns <= max_age_s * NS))
    flagged[slow + 1] = np.abs(value[slow + 1] - value[slow]) > limit * (gap_ns[slow] / (RATE_S * NS))
    stretch = np.concatenate([[0], np.cumsum(gap_ns > max_age_s * NS)])
    at = _restless(taken_ns, value, limit)
    for back in range(1, len(value)):
        at = at[at >= back]
        at = at[(taken_ns[at] - taken_ns[at - back] <= RATE_S * NS) & (stretch[at] == stretch[at - back])]
        if not len(at):
            break
        flagged[at[np.abs(value[at] - value[at - back]) > limit]] = True
    return flagged


def _restless(taken_ns: Int, value: Float, limit: float) -> Int:
    """Places in parts of RATE_S in which, with the part before, values spread by more than the limit."""
    part = taken_ns // (RATE_S * NS)
    begin = np.flatnonzero(np.diff(part, prepend=part[0] - 1))
    high, low = np.maximum.reduceat(value, begin), np.minimum.reduceat(value, begin)
    high[1:], low[1:] = np.maximum(high[1:], high[:-1]), np.minimum(low[1:], low[:-1])
    return np.flatnonzero(np.repeat(high - low > limit, np.diff(begin, append=len(value))))


def spike_flags(taken_ns: Int, value: Float, threshold: float, max_age_s: float) -> Flags:
    """|x[i] − (x[i−1] + x[i+1])/2| beyond `threshold`: suspect. Where a neighbour is missing: not evaluated.

    The statistic of QARTOD's spike test; a value that its own two neighbours flank is a ramp and
    never a spike, however steep.

    >>> t = np.arange(5) * 60 * NS
    >>> spike_flags(t, np.array([20.0, 20.0, 20.8, 20.0, 20.0]), 0.5, 180.0).tolist()
    [2, 1, 3, 1, 2]
    """
    flags = np.full(value.shape, Quality.NOT_EVALUATED, np.uint8)
    near = np.diff(taken_ns) <= max_age_s * NS
    finite = np.isfinite(value)
    flags[1:-1][near[:-1] & near[1:] & finite[:-2] & finite[1:-1] & finite[2:]] = Quality.PASS
    flags[_departures(taken_ns, value, threshold, max_age_s)] = Quality.SUSPECT
    return flags


def _departures(taken_ns: Int, value: Float, threshold: float, max_age_s: float) -> Int:
    """Places of the suspect values of `spike_flags`. The other conditions are tested there only."""
    if len(value) < 3:
        return np.empty(0, np.int64)
    away = value[:-2] + value[2:]
    away /= 2
    np.subtract(value[1:-1], away, out=away)
    at = np.flatnonzero(np.abs(away, out=away) > threshold) + 1
    before, value_at, after = value[at - 1], value[at], value[at + 1]
    latest_ns = max_age_s * NS
    near = (taken_ns[at] - taken_ns[at - 1] <= latest_ns) & (taken_ns[at + 1] - taken_ns[at] <= latest_ns)
    evaluated = near & np.isfinite(before) & np.isfinite(value_at) & np.isfinite(after)
    return at[evaluated & ((value_at > np.maximum(before, after)) | (value_at < np.minimum(before, after)))]


def constant_runs(taken_ns: Int, value: Float, least: int, max_age_s: float) -> list[tuple[int, int]]:
    """Index ranges [i, j) of at least `least` identical valid values without a gap beyond max_age.

    >>> constant_runs(np.arange(6) * NS, np.array([1.0, 2.0, 2.0, 2.0, 3.0, 3.0]), 3, 5.0)
    [(1, 4)]
    """
    if least <= 1 or len(value) < least:
        return []
    same = np.zeros(len(value) + 1, np.bool_)
    same[1:-1] = (value[1:] == value[:-1]) & (taken_ns[1:] - taken_ns[:-1] <= max_age_s * NS)
    edges = np.flatnonzero(same[1:] != same[:-1])
    begin, end = edges[::2], edges[1::2] + 1
    long = end - begin >= least
    return list(zip(begin[long].tolist(), end[long].tolist(), strict=True))


def last_run(taken_ns: Int, value: Float, max_age_s: float) -> int:
    """Where the run of identical valid values begins that the newest value ends; n at least 1.

    >>> last_run(np.arange(6) * NS, np.array([1.0, 2.0, 2.0, 3.0, 3.0, 3.0]), 5.0)
    3
    """
    other = np.flatnonzero((value[1:] != value[:-1]) | (np.diff(taken_ns) > max_age_s * NS))
    return int(other[-1]) + 1 if len(other) else 0


def doubt_flags(channel: Channel, taken_ns: Int, value: Float, flags: Flags) -> Bool:
    """Where the tests for a spike and for the rate of a channel find one, among values within its span.

    Values that failed take no part, so that one wild value does not cast doubt on its neighbours.
    """
    flagged = np.zeros(value.shape, np.bool_)
    usable = flags < np.uint8(Quality.FAIL)
    places: Int | slice = slice(None) if usable.all() else np.flatnonzero(usable)
    taken_ns, value = taken_ns[places], value[places]
    if channel.rate is not None:
        flagged[places] = rate_flags(taken_ns, value, channel.rate, channel.max_age_s)
    if channel.spike is not None:
        at = _departures(taken_ns, value, channel.spike, channel.max_age_s)
        flagged[at if isinstance(places, slice) else places[at]] = True
    return flagged


def confirmed_at(taken_ns: Int, value: Float, U: Float, max_age_s: float, at: Int) -> Int:
    """Those of the places `at` whose value the next two readings confirm within its U: a step and no spike.

    >>> t = np.arange(5) * 60 * NS
    >>> value = np.array([20.0, 21.2, 21.2, 21.15, 20.0])
    >>> confirmed_at(t, value, np.full(5, 0.1), 180.0, np.arange(5)).tolist()
    [1]
    """
    at = at[at + 2 < len(value)]
    age_ns = max_age_s * NS
    near = (taken_ns[at + 1] - taken_ns[at] <= age_ns) & (taken_ns[at + 2] - taken_ns[at + 1] <= age_ns)
    first, second = np.abs(value[at + 1] - value[at]), np.abs(value[at + 2] - value[at])
    return at[near & (first <= U[at]) & (second <= U[at])]


def has_moved(values: Float, threshold: float) -> bool:
    """Whether valid values spread by more than `threshold`; empty or all-NaN: they did not."""
    valid = values[np.isfinite(values)]
    return bool(len(valid)) and bool(valid.max() - valid.min() > threshold)
