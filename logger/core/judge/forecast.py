"""When a quantity will leave its limits at its present rate, and when a decay is over. Never an excursion.

A straight line by least squares through the last hour of minute means. Its residuals are correlated, so the
scatter counts with the effective number n·(1 − r)/(1 + r) of a first-order autocorrelation r (Bayley &
Hammersley 1946). The interval is that of the line's slope and level at k = 2; it says nothing of what a
person may do to the room meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Float

WINDOW_MIN = 60
LEAST = 20  # minutes with a value, below which nothing is said
HORIZON_MIN = 60  # a crossing that is further away is not told
AHEAD_MIN = 30  # of the value by which forecasts are compared with "it stays as it is"
EVERY_MIN = 15
LEAST_FORECASTS = 96  # a day of them, below which no skill is known


@dataclass(frozen=True)
class Crossing:
    """Minutes until a limit is crossed, with the interval in which that is likely; None: perhaps never."""

    limit: float
    minutes: float
    earliest: float
    latest: float | None


@dataclass(frozen=True)
class Line:
    """Level now, slope per minute, and the standard uncertainty of each."""

    level: float
    slope: float
    u_level: float
    u_slope: float


def line(minute: Float, value: Float) -> Line | None:
    """The line through values at minutes up to now (0, earlier ones negative); None: too few."""
    return lines(minute, value[None])[0]


def lines(minute: Float, values: Float) -> list[Line | None]:
    """The line of each row of `values`, shape (k, n), at the same n minutes."""
    known = np.isfinite(values)
    found: list[Line | None] = [None] * len(values)
    whole = np.flatnonzero(known.all(axis=1))
    for row in set(range(len(values))) - set(whole.tolist()):
        (found[row],) = _through(minute[known[row]], values[row, known[row]][None])
    for row, one in zip(whole.tolist(), _through(minute, values[whole]), strict=True):
        found[row] = one
    return found


def _through(t: Float, y: Float) -> list[Line | None]:
    """The line of each row, shape (k, n), all of them known."""
    if len(t) < LEAST:
        return [None] * len(y)
    middle, mean = float(t.mean()), y.mean(axis=1, keepdims=True)
    spread = float(((t - middle) ** 2).sum())
    slope = ((t - middle) * (y - mean)).sum(axis=1) / spread
    rest = y - mean - slope[:, None] * (t - middle)
    squares, products = (rest**2).sum(axis=1), (rest[:, 1:] * rest[:, :-1]).sum(axis=1)
    r = np.clip(products / np.maximum(squares, 1e-30), 0.0, 0.95)
    variance = squares / (len(t) - 2) * (1 + r) / (1 - r)
    u_slope = np.sqrt(variance / spread)
    u_level = np.hypot(np.sqrt(variance / len(t)), middle * u_slope)
    each = (mean[:, 0] - slope * middle, slope, u_level, u_slope)
    return [Line(*numbers) for numbers in zip(*(column.tolist() for column in each), strict=True)]


def crossing(found: Line, lower: float | None, upper: float | None) -> Crossing | None:
    """The next crossing from inside; None where the slope is not proven to lead to one within the horizon.

    >>> c = crossing(Line(20.2, 0.6 / 60, 0.0, 0.0), 19.0, 21.0)
    >>> c is None, crossing(Line(20.7, 0.6 / 60, 0.0, 0.0), 19.0, 21.0).minutes
    (True, 30.0)
    """
    if abs(found.slope) <= 2 * found.u_slope:
        return None
    limit = upper if found.slope > 0 else lower
    if limit is None:
        return None
    gap = abs(limit - found.level) if (limit - found.level) * found.slope > 0 else 0.0
    minutes = gap / abs(found.slope)
    if gap == 0.0 or minutes > HORIZON_MIN:
        return None
    fast, slow = abs(found.slope) + 2 * found.u_slope, abs(found.slope) - 2 * found.u_slope
    earliest = max(0.0, gap - 2 * found.u_level) / fast
    return Crossing(limit, round(minutes, 6), earliest, (gap + 2 * found.u_level) / slow)


def stays_within(found: Line, lower: float | None, upper: float | None) -> bool:
    """Whether the line shows, at k = 2, that no limit is reached within the horizon.

    >>> stays_within(Line(20.0, 0.0, 0.01, 0.001), 19.0, 21.0)
    True
    >>> stays_within(Line(21.01, 0.17, 0.0, 0.0), None, 21.0)
    False
    """
    now = 2 * found.u_level
    then = now + 2 * found.u_slope * HORIZON_MIN
    end = found.level + found.slope * HORIZON_MIN
    least, most = min(found.level - now, end - then), max(found.level + now, end + then)
    return (lower is None or least >= lower) and (upper is None or most <= upper)


def settling_min(minute: Float, departure: Float, within: float) -> float | None:
    """Minutes until a departure that decays exponentially is within ±`within`; None where none decays.

    From the line through the logarithm of the departures: level·exp(−t/τ) = within, t = τ·ln(level/within).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(np.abs(departure) > 1e-6, np.log(np.abs(departure)), np.nan)
    found = line(minute, logs)
    if found is None:
        return None
    if found.level <= np.log(within):
        return 0.0
    proven = found.slope < -2 * found.u_slope
    return (found.level - float(np.log(within))) / -found.slope if proven else None


@dataclass(frozen=True)
class Gain:
    """What forecasts of a value half an hour ahead gain over "it stays as it is": mean absolute errors."""

    forecasts: int
    error: float
    staying: float

    @property
    def skill(self) -> float:
        """1 − error / error of staying; 0 where nothing is gained."""
        return 1 - self.error / self.staying if self.staying > 0 else 0.0

    @property
    def speaks(self) -> bool:
        """Whether a forecast may be printed: measured for a day at least, and better than staying."""
        return self.forecasts >= LEAST_FORECASTS and self.error < self.staying


def gain(value: Float, lower: float | None, upper: float | None, step_s: int) -> Gain:
    """Over the values of a record's cells, shape (n,): a forecast every 15 min from within the limits."""
    window, ahead = WINDOW_MIN * 60 // step_s, AHEAD_MIN * 60 // step_s
    last = np.arange(window - 1, len(value) - ahead, max(1, EVERY_MIN * 60 // step_s))
    if window < LEAST or not len(last):
        return Gain(0, 0.0, 0.0)
    now, then = value[last], value[last + ahead]
    low, high = -np.inf if lower is None else lower, np.inf if upper is None else upper
    last = last[np.isfinite(now) & np.isfinite(then) & (now >= low) & (now <= high)]
    past = np.lib.stride_tricks.sliding_window_view(value, window)[last - window + 1]
    found = lines(np.arange(1 - window, 1) * step_s / 60, past)
    at = [k for k, one in enumerate(found) if one is not None]
    told = np.array([one.level + AHEAD_MIN * one.slope for one in found if one is not None])
    now, then = value[last[at]], value[last[at] + ahead]
    if not at:
        return Gain(0, 0.0, 0.0)
    return Gain(len(at), float(np.abs(told - then).mean()), float(np.abs(now - then).mean()))


@dataclass(frozen=True)
class Skill:
    """How forecasts did: crossings told before they came, tellings that were wrong, minutes of warning.

    `value_skill`: 1 − error / error of "it stays as it is", of the value half an hour ahead.
    """

    crossings: int
    told: int
    tellings: int
    wrong: int
    lead_min: float | None
    value_skill: float

    @property
    def has_skill(self) -> bool:
        """Whether it may be trusted with a notice: most are told, and few tellings are wrong."""
        return self.crossings >= 5 and self.told >= self.crossings / 2 and self.wrong <= self.tellings / 4


def skill(value: Float, lower: float, upper: float) -> Skill:
    """Over minute values of a record, shape (n,): a forecast every 5 min, each against what came."""
    ahead, minute = 30, np.arange(-WINDOW_MIN + 1, 1, dtype=np.float64)
    out = (value > upper) | (value < lower)
    begins = [n for n in np.flatnonzero(out) if n >= WINDOW_MIN and not out[n - ahead : n].any()]
    said, errors, stays = [], [], []
    for n in range(WINDOW_MIN, len(value) - HORIZON_MIN, 5):
        found = None if out[n - 1] else line(minute, value[n - WINDOW_MIN : n])
        if found is None:
            continue
        if crossing(found, lower, upper) is not None:
            said.append(n)
        errors.append(abs(found.level + ahead * found.slope - value[n - 1 + ahead]))
        stays.append(abs(value[n - 1] - value[n - 1 + ahead]))
    leads = [b - min(s for s in said if b - HORIZON_MIN <= s <= b) for b in begins
             if any(b - HORIZON_MIN <= s <= b for s in said)]  # fmt: skip
    wrong = sum(not out[s : s + HORIZON_MIN].any() for s in said)
    worse = float(np.nanmean(stays)) if stays else 0.0
    gained = 1 - float(np.nanmean(errors)) / worse if worse else 0.0
    lead = float(np.median(leads)) if leads else None
    return Skill(len(begins), len(leads), len(said), wrong, lead, round(gained, 3))
