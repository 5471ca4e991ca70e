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
from .forecast_model import ForecastModel, learn

WINDOW_MIN = 60
LEAST = 20  # minutes with a value, below which nothing is said
HORIZON_MIN = 60  # a crossing that is further away is not told
AHEAD_MIN = 30  # of the value by which forecasts are compared with "it stays as it is"
EVERY_MIN = 15
LEAST_T = 1.0  # of a daily gain that counts
LEAST_FORECASTS = 96  # a day of them, below which no skill is known


@dataclass(frozen=True)
class Crossing:
    """Minutes until a limit is crossed, with the interval in which that is likely; None: perhaps never."""

    limit: float
    minutes: float
    earliest: float
    latest: float | None


@dataclass(frozen=True)
class FitLine:
    """Level now, slope per minute, and the standard uncertainty of each."""

    level: float
    slope: float
    u_level: float
    u_slope: float


def line(minute: Float, value: Float) -> FitLine | None:
    """The line through values at minutes up to now (0, earlier ones negative); None: too few."""
    return lines(minute, value[None])[0]


def lines(minute: Float, values: Float) -> list[FitLine | None]:
    """The line of each row of `values`, shape (k, n), at the same n minutes."""
    has_value = np.isfinite(values)
    fits: list[FitLine | None] = [None] * len(values)
    complete = np.flatnonzero(has_value.all(axis=1))
    for row in set(range(len(values))) - set(complete.tolist()):
        (fits[row],) = _fit_rows(minute[has_value[row]], values[row, has_value[row]][None])
    for row, fit in zip(complete.tolist(), _fit_rows(minute, values[complete]), strict=True):
        fits[row] = fit
    return fits


def _fit_rows(t: Float, y: Float) -> list[FitLine | None]:
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
    columns = (mean[:, 0] - slope * middle, slope, u_level, u_slope)
    return [FitLine(*numbers) for numbers in zip(*(column.tolist() for column in columns), strict=True)]


def crossing(fit: FitLine, lower: float | None, upper: float | None) -> Crossing | None:
    """The next crossing from inside; None where the slope is not proven to lead to one within the horizon.

    >>> c = crossing(FitLine(20.2, 0.6 / 60, 0.0, 0.0), 19.0, 21.0)
    >>> c is None, crossing(FitLine(20.7, 0.6 / 60, 0.0, 0.0), 19.0, 21.0).minutes
    (True, 30.0)
    """
    if abs(fit.slope) <= 2 * fit.u_slope:
        return None
    limit = upper if fit.slope > 0 else lower
    if limit is None:
        return None
    gap = abs(limit - fit.level) if (limit - fit.level) * fit.slope > 0 else 0.0
    minutes = gap / abs(fit.slope)
    if gap == 0.0 or minutes > HORIZON_MIN:
        return None
    fast, slow = abs(fit.slope) + 2 * fit.u_slope, abs(fit.slope) - 2 * fit.u_slope
    earliest = max(0.0, gap - 2 * fit.u_level) / fast
    return Crossing(limit, round(minutes, 6), earliest, (gap + 2 * fit.u_level) / slow)


def stays_within(fit: FitLine, lower: float | None, upper: float | None) -> bool:
    """Whether the line shows, at k = 2, that no limit is reached within the horizon.

    >>> stays_within(FitLine(20.0, 0.0, 0.01, 0.001), 19.0, 21.0)
    True
    >>> stays_within(FitLine(21.01, 0.17, 0.0, 0.0), None, 21.0)
    False
    """
    now = 2 * fit.u_level
    then = now + 2 * fit.u_slope * HORIZON_MIN
    end = fit.level + fit.slope * HORIZON_MIN
    least, most = min(fit.level - now, end - then), max(fit.level + now, end + then)
    return (lower is None or least >= lower) and (upper is None or most <= upper)


@dataclass(frozen=True)
class Gain:
    """What forecasts of a value half an hour ahead gain over "it stays as it is": mean absolute errors.

    model: that forecasts it; None: the straight line does. t: of the model's daily gain.
    """

    forecasts: int
    error: float
    staying: float
    t: float | None = None
    model: ForecastModel | None = None

    @property
    def skill(self) -> float:
        """1 − error / error of staying; 0 where nothing is gained."""
        return 1 - self.error / self.staying if self.staying > 0 else 0.0

    @property
    def speaks(self) -> bool:
        """Whether a forecast may be printed: measured for a day at least, and better than staying.

        By a model its daily gain must exceed its own scatter, too.
        """
        proven = self.t is None or self.t >= LEAST_T
        return self.forecasts >= LEAST_FORECASTS and self.error < self.staying and proven


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
    fits = lines(np.arange(1 - window, 1) * step_s / 60, past)
    at = [k for k, fit in enumerate(fits) if fit is not None]
    forecasts = np.array([fit.level + AHEAD_MIN * fit.slope for fit in fits if fit is not None])
    now, then = value[last[at]], value[last[at] + ahead]
    if not at:
        return Gain(0, 0.0, 0.0)
    return Gain(len(at), float(np.abs(forecasts - then).mean()), float(np.abs(now - then).mean()))


def better_gain(
    value: Float, limits: tuple[float | None, float | None], grid: tuple[int, int], resolution: float = 0.0
) -> Gain:
    """The gain of the better of both: the straight line, and the regression towards staying.

    value: cells of `grid` (number of the first since 1970, length in s). With other cells than whole parts of
    a minute the line alone is tried.
    """
    first, step_s = grid
    by_line = gain(value, *limits, step_s)
    if 60 % step_s or not len(value):
        return by_line
    minutes, begin = in_minutes(value, first, step_s)
    model, score = learn(minutes, begin + len(minutes), limits, resolution)
    if model is None or score.forecasts < LEAST_FORECASTS:
        return by_line
    by_model = Gain(score.forecasts, score.error, score.staying, score.t, model)
    return by_line if by_line.speaks and by_line.skill > by_model.skill else by_model


def in_minutes(value: Float, first: int, step_s: int) -> tuple[Float, int]:
    """Means of whole minutes from cells of step_s, and the number of the first minute since 1970."""
    k = 60 // step_s
    skip = -first % k
    n = (len(value) - skip) // k
    blocks = value[skip : skip + n * k].reshape(n, k)
    count = np.isfinite(blocks).sum(axis=1)
    total = np.where(np.isfinite(blocks), blocks, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), (first + skip) // k


@dataclass(frozen=True)
class Skill:
    """How forecasts did: crossings predicted in time, predictions that were wrong, minutes of warning.

    `value_skill`: 1 − error / error of "it stays as it is", of the value half an hour ahead.
    """

    crossings: int
    predicted: int
    predictions: int
    wrong: int
    lead_min: float | None
    value_skill: float

    @property
    def has_skill(self) -> bool:
        """Whether it may be trusted with a notice: most are predicted, and few predictions are wrong."""
        return (
            self.crossings >= 5
            and self.predicted >= self.crossings / 2
            and self.wrong <= self.predictions / 4
        )


def skill(value: Float, lower: float, upper: float) -> Skill:
    """Over minute values of a record, shape (n,): a forecast every 5 min, each against what came."""
    ahead, minute = 30, np.arange(-WINDOW_MIN + 1, 1, dtype=np.float64)
    out = (value > upper) | (value < lower)
    begins = [n for n in np.flatnonzero(out) if n >= WINDOW_MIN and not out[n - ahead : n].any()]
    announced, errors, staying_errors = [], [], []
    for n in range(WINDOW_MIN, len(value) - HORIZON_MIN, 5):
        fit = None if out[n - 1] else line(minute, value[n - WINDOW_MIN : n])
        if fit is None:
            continue
        if crossing(fit, lower, upper) is not None:
            announced.append(n)
        errors.append(abs(fit.level + ahead * fit.slope - value[n - 1 + ahead]))
        staying_errors.append(abs(value[n - 1] - value[n - 1 + ahead]))
    leads = [b - min(s for s in announced if b - HORIZON_MIN <= s <= b) for b in begins
             if any(b - HORIZON_MIN <= s <= b for s in announced)]  # fmt: skip
    wrong = sum(not out[s : s + HORIZON_MIN].any() for s in announced)
    worse = float(np.nanmean(staying_errors)) if staying_errors else 0.0
    gained = 1 - float(np.nanmean(errors)) / worse if worse else 0.0
    lead = float(np.median(leads)) if leads else None
    return Skill(len(begins), len(leads), len(announced), wrong, lead, round(gained, 3))
