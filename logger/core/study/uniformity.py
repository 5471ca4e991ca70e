"""Differences between positions at one instant, without the noise of the probes.

The largest of many differences grows with the noise of the probes: 15 probes with 0.01 K of noise read 0.05 K
too much. What the noise is, side by side shows, where all probes are in the same air. Departures from the
mean of all positions, means of 5 min, are taken apart into octaves (cosine transform). An octave whose power
is that of the noise is left out; of the others so much is taken that the power of the noise is gone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...series import Float, Int

SHORT_S = 300
DRAWS = 40  # of noise, for what it adds to the largest span
ABOVE = 3.0  # standard deviations of an octave's power above the noise, from which it is believed


@dataclass(frozen=True)
class Instants:
    """Positions at instants: UTC seconds (m,), values (positions, m) without noise, and as they were read.

    left: standard deviation of the noise that remains in the difference of two positions at one instant.
    """

    at_s: Int
    value: Float
    read: Float
    left: float

    @property
    def spread(self) -> Float:
        """Largest difference between positions at each instant, shape (m,)."""
        return np.asarray(self.value.max(axis=0) - self.value.min(axis=0))


def short_means(at_s: Int, y: Float) -> tuple[Int, Float]:
    """Means of 5 min (or of longer cells), blocks at least half full: seconds (m,), values (rows, m)."""
    step_s = int(np.median(np.diff(at_s))) if len(at_s) > 1 else 60
    block = at_s // max(SHORT_S, step_s)
    edges = np.concatenate(([0], np.flatnonzero(np.diff(block)) + 1))
    size = np.diff(np.append(edges, len(block)))
    full = size >= 0.5 * size.max()
    means = np.add.reduceat(y, edges, axis=1) / size
    return at_s[edges][full], np.asarray(means[:, full])


def probe_noise(together: Sequence[tuple[Int, Float]]) -> float | None:
    """Standard deviation of a probe in a mean of 5 min, from times with all of them side by side.

    together: UTC seconds (n,) and values (probes, n) of each such time. None where there are too few.
    """
    total, degrees = 0.0, 0
    for at_s, x in together:
        away = short_means(at_s, x - x.mean(axis=0))[1]
        total += float(((away - away.mean(axis=1, keepdims=True)) ** 2).sum())
        degrees += (away.shape[0] - 1) * (away.shape[1] - 1)
    return None if degrees < 4 else float(np.sqrt(total / degrees))


def at_instants(at_s: Int, y: Float, noise: float | None) -> Instants:
    """The positions (rows, n) in means of 5 min, without that much noise in each; None: as they are."""
    at_s, means = short_means(at_s, y)
    if noise is None or means.shape[1] < 8:
        return Instants(at_s, means, means, 0.0 if noise is None else 2**0.5 * noise)
    common = means.mean(axis=0)
    departure, passed = _without_noise(means - common, noise**2 * (1 - 1 / len(means)))
    return Instants(at_s, common + departure, means, 2**0.5 * noise * passed)


def worst_span(instants: Instants, noise: float) -> tuple[float, float, float]:
    """Largest span (max − min over the instants) of a position, with its interval in this campaign.

    noise: of a probe in a mean of 5 min, from `probe_noise`. ± 2 u of a difference between two instants of
    one position; since the largest of many grows with the noise, the lower end lies lower by what noise
    adds when it is drawn once more: ± 2 u alone held 0.80 to 1.00 of planted spans.
    """
    x = instants.value
    value, passed = float(np.ptp(x, axis=1).max()), instants.left / (2**0.5 * noise) if noise else 0.0
    half = 2 * float(np.hypot(instants.left, noise * (2 / len(x)) ** 0.5))
    chance, more = np.random.default_rng(1), 0.0
    for _ in range(DRAWS):
        drawn = noise * chance.normal(size=x.shape)
        common = drawn.mean(axis=0)
        more += float(np.ptp(x + common + passed * (drawn - common), axis=1).max()) - value
    return value, max(0.0, value - half - max(more / DRAWS, 0.0)), value + half


def _without_noise(departure: Float, variance: float) -> tuple[Float, float]:
    """Departures (rows, m) less noise of that variance, and the share of its deviation that passes."""
    from scipy.fft import dct, idct

    lines = dct(departure, axis=1, norm="ortho")
    m = lines.shape[1]
    gain, begin = np.ones_like(lines), 1
    while begin < m:
        end = min(2 * begin, m)
        power = (lines[:, begin:end] ** 2).mean(axis=1)
        believed = power > variance * (1 + ABOVE * np.sqrt(2 / (end - begin)))
        share = np.sqrt(1 - variance / np.maximum(power, variance + 1e-30))
        gain[:, begin:end] = np.where(believed, share, 0.0)[:, None]
        begin = end
    clean = np.asarray(idct(lines * gain, axis=1, norm="ortho"))
    return clean, float(np.sqrt((gain**2).mean()))
