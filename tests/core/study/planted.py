"""Rooms with planted causes: what a study must find again, from fixed seeds."""

from __future__ import annotations

import numpy as np

from logger.core.study.channel_record import ChannelRecord
from logger.series import Float

START_S = 1_760_313_600  # 2025-10-13T00:00Z, a Monday
DAY_S = 86_400


def red_noise(n: int, memory_s: float, sd: float, chance: np.random.Generator, step_s: float = 60.0) -> Float:
    """Noise whose memory fades as exp(−t/memory), of standard deviation sd."""
    from scipy.signal import lfilter

    phi = np.exp(-step_s / memory_s)
    shocks = chance.normal(size=n) * np.sqrt(1 - phi**2)
    shocks[0] = chance.normal()
    return np.asarray(sd * lfilter([1.0], [1.0, -phi], shocks))


def pink_noise(n: int, sd: float, chance: np.random.Generator) -> Float:
    """Noise whose power falls as 1/f."""
    f = np.fft.rfftfreq(n)
    f[0] = f[1]
    lines = (chance.normal(size=len(f)) + 1j * chance.normal(size=len(f))) / np.sqrt(f)
    noise = np.fft.irfft(lines, n)
    return np.asarray(sd * noise / noise.std())


def wandering_cycle(
    n: int, period_s: float, wander: float, chance: np.random.Generator, step_s: float = 60.0
) -> Float:
    """A sine of amplitude 1 whose period wanders by `wander` of itself, with a memory of 2 h."""
    periods = period_s * (1 + red_noise(n, 7200, wander, chance, step_s))
    return np.asarray(np.sin(2 * np.pi * np.cumsum(step_s / periods)))


def day_course(n: int, amplitude: float, step_s: float = 60.0) -> Float:
    """A cosine of 24 h that is highest at 14:24."""
    at = np.arange(n) * step_s
    return np.asarray(amplitude * np.cos(2 * np.pi * (at / DAY_S - 0.6)))


def record_of(
    value: Float, step_s: int = 60, *, start_s: int = START_S, resolution: float = 0.01, offset_s: int = 0
) -> ChannelRecord:
    """A record of a channel that has these values."""
    offsets = np.full(len(value), offset_s, np.int64)
    return ChannelRecord("P1.temperature", "degC", start_s, step_s, value, offsets, resolution, float(step_s))


def with_gaps(value: Float, share: float, chance: np.random.Generator, length: int = 60) -> Float:
    """The values with gaps of so many cells that make up about this share."""
    gappy = value.copy()
    for begin in chance.integers(0, len(value) - length, int(share * len(value) / length)):
        gappy[begin : begin + length] = np.nan
    return gappy
