"""Is a quantity sampled often enough for what it does? Spans of a cycle that is not resolved are luck.

A sampling interval is adequate up to a tenth of the dominant period; a probe whose response time is
longer than a tenth of it damps the cycle by more than a sixth (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Float

SHARE_OF_PERIOD = 0.1
# So much of the variance must lie in one cycle before it is called dominant.
DOMINANT_SHARE = 0.25
# Of the largest value; a smaller rest is that of arithmetic.
LAST_DIGITS = 1e-9


def dominant_period_s(value: Float, step_s: float) -> float | None:
    """Period in s of the strongest cycle in evenly spaced values, or None where none dominates.

    value: (n,), NaN allowed where fewer than a tenth are missing (they take the mean); n at least 16.
    The trend is taken out, a Hann window applied, and the peak of the periodogram refined by a
    parabola through its three highest lines. Periods between four steps and a third of the record.

    >>> t = np.arange(1440)
    >>> round(dominant_period_s(20 + 0.3 * np.sin(2 * np.pi * t / 12), 60.0) / 60, 1)
    12.0
    """
    n, has_value = len(value), np.isfinite(value)
    if n < 16 or has_value.mean() < 0.9:
        return None
    filled = np.where(has_value, value, value[has_value].mean())
    place = np.arange(n)
    rest = filled - np.polyval(np.polyfit(place, filled, 1), place)
    if np.abs(rest).max() <= LAST_DIGITS * np.abs(filled).max():
        return None  # a straight line: what is left of it is rounding
    power = np.abs(np.fft.rfft(rest * np.hanning(n))) ** 2
    line = np.arange(len(power))
    usable = (line >= 3) & (line <= n // 4)
    if not usable.any() or not power[usable].sum():
        return None
    peak = int(np.argmax(np.where(usable, power, 0.0)))
    if power[max(peak - 1, 1) : peak + 2].sum() < DOMINANT_SHARE * power[1:].sum():
        return None
    detrended, top, right = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-300))
    if top < max(detrended, right) or detrended + right >= 2 * top:
        return None  # the flank of a slower or quicker cycle, beyond the range
    period_s = n * step_s / (peak + 0.5 * (detrended - right) / (detrended - 2 * top + right))
    return float(period_s) if 4 * step_s <= period_s <= n * step_s / 3 else None


@dataclass(frozen=True)
class Adequacy:
    """Whether sampling resolves a period; `warning` empty where it does."""

    resolved: bool
    warning: str


def adequacy(interval_s: float, period_s: float, response_s: float = 0.0) -> Adequacy:
    """Judge a sampling interval and a probe's response time (63 %) against a dominant period, all in s.

    >>> adequacy(900.0, 900.0).warning
    'period not resolved: sampled every 900 s, and the dominant period is 900 s (expected at most 90 s)'
    """
    most = SHARE_OF_PERIOD * period_s
    if interval_s > most:
        return Adequacy(
            False,
            f"period not resolved: sampled every {interval_s:g} s, and the dominant period is "
            f"{period_s:.0f} s (expected at most {most:.0f} s)",
        )
    if response_s > most:
        return Adequacy(
            False,
            f"probe too slow: it responds in {response_s:g} s, and the dominant period is {period_s:.0f} s "
            f"(expected at most {most:.0f} s)",
        )
    return Adequacy(True, "")
