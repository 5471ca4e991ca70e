"""Side-by-side comparison of probes: offset of each from their common mean, and its repeatability.

    m(t) = mean over probes of x_i(t);   d_i = mean over t of (x_i(t) − m(t));   s_i = its standard deviation
    u(d_i) = s_i / √n_e,   n_e = n · (1 − ρ)/(1 + ρ), at least 1, ρ the correlation of neighbouring cells

Type A evaluation of JCGM 100, 4.2, with the number of independent cells for a first-order dependence
(Zieba 2010, doi 10.2478/v10178-010-0001-0, eq. 10). Offsets are against the probes' own mean: they can
correct differences between probes, as gradients need, and give no information on the true value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ...errors import Refused
from ...series import Float

LEAST_CELLS = 10


@dataclass(frozen=True)
class Offset:
    """One channel against the mean of all; repeatability (1 s) is that of one cell, U that of the offset."""

    channel: str
    offset: float
    repeatability: float
    U: float


@dataclass(frozen=True)
class Pair:
    """Mean difference first − second of two channels, repeatability of one cell (1 s), U (k = 2)."""

    first: str
    second: str
    difference: float
    repeatability: float
    U: float


@dataclass(frozen=True)
class ProbeComparison:
    """A comparison over `cells` common cells, in the unit of differences of the quantity."""

    cells: int
    offsets: tuple[Offset, ...]
    pairs: tuple[Pair, ...]


def compare_side_by_side(values: Mapping[str, Float]) -> ProbeComparison:
    """Offsets and differences of channels from their values in common cells, shape (n,) each.

    >>> t = np.arange(12.0)
    >>> comparison = compare_side_by_side({"a": t + 0.02, "b": t - 0.02})
    >>> [round(o.offset, 6) for o in comparison.offsets], round(comparison.pairs[0].difference, 6)
    ([0.02, -0.02], 0.04)
    """
    if len(values) < 2:
        raise Refused(f"A comparison needs two channels or more; found {len(values)}.")
    table = np.array(list(values.values()), np.float64)
    if table.shape[1] < LEAST_CELLS:
        raise Refused(
            f"The channels have {table.shape[1]} common cells; expected {LEAST_CELLS} or more: take a longer "
            "interval in which all of them were read."
        )
    names = list(values)
    apart = table - table.mean(axis=0)
    offsets = [Offset(name, *_statistics(apart[i])) for i, name in enumerate(names)]
    pairs = [
        Pair(names[i], names[j], *_statistics(table[i] - table[j]))
        for i, j in combinations(range(len(names)), 2)
    ]
    return ProbeComparison(table.shape[1], tuple(offsets), tuple(pairs))


def _statistics(x: Float) -> tuple[float, float, float]:
    mean, s = float(x.mean()), float(x.std(ddof=1))
    return mean, s, 2 * s / np.sqrt(independent(x))


def independent(x: Float) -> float:
    """Number of independent values in a series with first-order autocorrelation."""
    rest = x - x.mean()
    power = float(rest @ rest)
    if power == 0.0:
        return float(len(x))
    rho = min(max(float(rest[:-1] @ rest[1:]) / power, 0.0), 0.999)
    return max(len(x) * (1 - rho) / (1 + rho), 1.0)
