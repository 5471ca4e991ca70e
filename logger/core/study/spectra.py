"""Spectra by Slepian tapers (Thomson 1982), their background, and what stands above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Bool, Float, Int
from .channel_record import fill_short_gaps

NW = 3.0
TAPERS = 5
OCTAVES = 0.75  # reach of the background to either side of a line
STRETCHES_S = (12 * 3600, 8 * 3600, 6 * 3600, 4 * 3600)
FEWEST = 4  # complete stretches
WISHED = 8


@dataclass(frozen=True)
class Spectrum:
    """Power density of each stretch, shape (stretches, n), at n frequencies in Hz above 0.

    length_s: of a stretch; the whole power of a stretch's variance is the integral over frequency.
    """

    frequency: Float
    density: Float
    length_s: int
    step_s: int

    @property
    def mean(self) -> Float:
        """Mean over stretches, shape (n,)."""
        return np.asarray(self.density.mean(axis=0))

    @property
    def degrees(self) -> float:
        """Degrees of freedom of the mean: two a taper and stretch, overlap counted."""
        return 2 * TAPERS * max(1.0, len(self.density) / 1.5)


def complete_stretches(value: Float, n: int) -> Int:
    """First cells of half-overlapping stretches of n cells that have no gap."""
    missing = np.concatenate(([0], np.cumsum(~np.isfinite(value))))
    begins = np.arange(0, len(value) - n + 1, max(1, n // 2))
    return np.asarray(begins[missing[begins + n] == missing[begins]], np.int64)


def spectrum(value: Float, step_s: int, lengths_s: tuple[int, ...] = STRETCHES_S) -> Spectrum | None:
    """Spectrum of a gridded record; stretches shorten where gaps leave few. None with fewer than four.

    A length is good enough with 8 stretches that hold half of the data.
    """
    filled = fill_short_gaps(value)
    total = np.isfinite(filled).sum()
    best: tuple[int, Int] | None = None
    for length_s in lengths_s:
        n = length_s // step_s
        begins = complete_stretches(filled, n)
        covered = _covered(begins, n, len(filled)).sum()
        if len(begins) >= FEWEST and (best is None or len(begins) > len(best[1])):
            best = (n, begins)
        if len(begins) >= WISHED and covered >= 0.5 * total:
            break
    if best is None:
        return None
    n, begins = best
    return Spectrum(*_densities(filled, begins, n, step_s), n * step_s, step_s)


def _covered(begins: Int, n: int, size: int) -> Bool:
    edges = np.zeros(size + 1, np.int64)
    np.add.at(edges, begins, 1)
    np.add.at(edges, begins + n, -1)
    return np.asarray(np.cumsum(edges[:-1]) > 0)


def _densities(value: Float, begins: Int, n: int, step_s: int) -> tuple[Float, Float]:
    """Frequencies and one-sided densities (stretches, n/2), each stretch detrended."""
    from scipy.signal import detrend
    from scipy.signal.windows import dpss

    tapers = dpss(n, NW, TAPERS)
    density = np.empty((len(begins), n // 2))
    for row, begin in enumerate(begins):
        piece = detrend(value[begin : begin + n])
        power = np.abs(np.fft.rfft(tapers * piece, axis=1)) ** 2
        density[row] = 2 * step_s * power.mean(axis=0)[1 : n // 2 + 1]
    return np.asarray(np.fft.rfftfreq(n, step_s)[1 : n // 2 + 1], np.float64), density


def background(frequency: Float, density: Float, octaves: float = OCTAVES) -> Float:
    """Mean, in the logarithm, of the medians left and right of each line; shape kept.

    Medians of both sides, so that neither a line nor a slope lifts it.
    """
    log = np.log(np.maximum(density, 1e-300))
    low = np.searchsorted(frequency, frequency * 2**-octaves)
    high = np.searchsorted(frequency, frequency * 2**octaves, side="right")
    level = np.empty(len(frequency))
    for i in range(len(frequency)):
        sides = [log[low[i] : i], log[i + 1 : high[i]]]
        medians = [np.median(side) for side in sides if len(side)]
        level[i] = np.mean(medians) if medians else log[i]
    return np.asarray(np.exp(level))


def threshold(estimate: Spectrum, lowest: float, highest: float) -> float:
    """Times the background that chance reaches in one of a hundred records, anywhere between two frequencies.

    At least 2.5: with 2.0 and an on/off day, every record had a false cycle (trials on planted data).
    """
    from scipy.stats import chi2

    lines = max(1.0, (highest - lowest) * estimate.length_s / (2 * NW))
    degrees = estimate.degrees
    return max(2.5, float(chi2.isf(0.01 / lines, degrees)) / degrees)
