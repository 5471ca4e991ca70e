"""Quality tests of single readings, after the QARTOD manuals: arrays in, flags of the same length out.

A `fail` reading takes no part in judging; a `suspect` one supports neither side. The tests see
raw values in the probe's own unit. Each states how far it looks: nothing here looks further
than one reading to either side, but for the flat line, which needs `flat_n` readings.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .model import NS, Channel, Quality
from .series import Float, Int

Flags = NDArray[np.uint8]


def gross_range(
    value: Float, probe_span: tuple[float, float], user_span: tuple[float, float] | None
) -> Flags:
    """Outside the probe's span: fail; outside the user's: suspect; NaN: missing. Shape kept.

    >>> gross_range(np.array([20.0, 85.0, np.nan]), (-40.0, 60.0), None).tolist()
    [1, 4, 9]
    """
    flags = np.full(value.shape, Quality.PASS, np.uint8)
    if user_span is not None:
        flags[(value < user_span[0]) | (value > user_span[1])] = Quality.SUSPECT
    flags[(value < probe_span[0]) | (value > probe_span[1])] = Quality.FAIL
    flags[~np.isfinite(value)] = Quality.MISSING
    return flags


def spike(taken_ns: Int, value: Float, threshold: float, max_age_s: float) -> Flags:
    """|x[i] − (x[i−1] + x[i+1])/2| beyond `threshold`: suspect. Where a neighbour is missing: not evaluated.

    The statistic of QARTOD's spike test; a value that its own two neighbours flank is a ramp and
    never a spike, however steep.

    >>> t = np.arange(5) * 60 * NS
    >>> spike(t, np.array([20.0, 20.0, 20.8, 20.0, 20.0]), 0.5, 180.0).tolist()
    [2, 1, 3, 1, 2]
    """
    flags = np.full(value.shape, Quality.NOT_EVALUATED, np.uint8)
    if len(value) < 3:
        return flags
    before, here, after = value[:-2], value[1:-1], value[2:]
    near = np.diff(taken_ns) <= max_age_s * NS
    known = near[:-1] & near[1:] & np.isfinite(before) & np.isfinite(here) & np.isfinite(after)
    outside = (here > np.maximum(before, after)) | (here < np.minimum(before, after))
    departure = np.abs(here - (before + after) / 2) > threshold
    flags[1:-1] = np.where(known, np.where(departure & outside, Quality.SUSPECT, Quality.PASS), flags[1:-1])
    return flags


def constant_runs(taken_ns: Int, value: Float, least: int, max_age_s: float) -> list[tuple[int, int]]:
    """Index ranges [i, j) of at least `least` identical valid values without a gap beyond max_age.

    >>> constant_runs(np.arange(6) * NS, np.array([1.0, 2.0, 2.0, 2.0, 3.0, 3.0]), 3, 5.0)
    [(1, 4)]
    """
    if least <= 1 or len(value) < least:
        return []
    same = (value[1:] == value[:-1]) & (np.diff(taken_ns) <= max_age_s * NS)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    runs = zip(edges[::2], edges[1::2], strict=True)
    return [(int(i), int(j) + 1) for i, j in runs if j - i + 1 >= least]


def single_probe(channel: Channel, taken_ns: Int, value: Float) -> Flags:
    """The worst flag of the tests that need no other probe: gross range and spike.

    The spike test sees only values that passed the gross range, so that one wild value does not
    cast doubt on its neighbours.
    """
    flags = gross_range(value, channel.probe_span, channel.user_span)
    if channel.spike is not None:
        usable = np.flatnonzero(flags < Quality.FAIL)
        tested = spike(taken_ns[usable], value[usable], channel.spike, channel.max_age_s)
        flags[usable] = np.maximum(flags[usable], np.where(tested == Quality.SUSPECT, tested, Quality.PASS))
    return flags


def moved(values: Float, threshold: float) -> bool:
    """Whether valid values spread by more than `threshold`; empty or all-NaN: they did not."""
    seen = values[np.isfinite(values)]
    return bool(len(seen)) and bool(seen.max() - seen.min() > threshold)
