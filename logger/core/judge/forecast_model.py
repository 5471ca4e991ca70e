"""A value within the hour, by a regression towards "it stays as it is", and how likely it leaves its limits.

    y(t + h) − y(t) = Σ b_k f_k,   no constant; each f_k a difference, 0 where nothing is known

Fitted by absolute deviations (six reweightings) with a ridge towards 0, which is staying, for each of twelve
horizons; judged on days that were not fitted, a day a block (Diebold & Mariano 1995). Crossings: paths of
past errors around the forecast, from instants like this one in clock and restlessness; the share that leaves
the limits is calibrated on what came true. Ridge and reach were chosen on made rooms and open recordings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Bool, Float, Int

DAY_MIN = 1440
FITTED_DAYS, JUDGED_DAYS, REACH_DAYS = 28, 14, 7
HORIZONS = tuple(range(5, 65, 5))  # minutes
EVERY = 15  # minutes between the instants that are fitted and judged
TURNS = 6
RIDGE = 0.2
LIKE_MIN, LIKE_MOST = 60, 400  # past instants for the paths
CLOCK_MIN = 180
RESTLESS = 0.5  # in the logarithm
LEAST_JUDGED = 96
FEATURES = 8


@dataclass(frozen=True)
class ForecastModel:
    """What was learned from a value up to `end` (number of the minute): coefficients, errors, calibration.

    series: minutes before `end` that later features look back to; beta: (12, 8), 0 where staying is as good;
    errors: (m, 12) of past forecasts, with clock (minute of the day) and restlessness of each, (m,);
    recalibration: a, b of logit P' = a + b·logit P; came_true: share of promises of 0.5 or more that did.
    """

    end: int
    series: Float
    beta: Float
    errors: Float
    clock: Int
    restlessness: Float
    recalibration: tuple[float, float]
    came_true: float | None
    promises: int


@dataclass(frozen=True)
class ForecastScore:
    """Mean absolute errors 30 min ahead on days not fitted, by model and by staying; t of the daily gain."""

    forecasts: int
    error: float
    staying: float
    t: float


@dataclass(frozen=True)
class Leaving:
    """How probable the limits are left within 60 min, and when: minutes at 10, 50 and 90 % of those paths.

    upper: which limit most of the paths reach; fan: 10 and 90 % of the value at each horizon, shape (2, 12);
    now: the value that they begin from.
    """

    probability: float
    minutes: tuple[float, float, float] | None
    upper: bool
    fan: Float
    now: float


def features(y: Float, at: Int, h: int) -> Float:
    """The eight features at minutes `at` of a series y (n,) for h minutes ahead, shape (len(at), 8)."""
    now = y[at]
    back = _back(y, at)
    total, count = _sums(y)
    columns = [
        (now - back(60)) * h / 60,
        (now - back(15)) * h / 15,
        (now - 2 * back(30) + back(60)) * h / 30,
        _mean(total, count, at, 10) - now,
        _mean(total, count, at, DAY_MIN) - now,
        _nanmean([back(DAY_MIN * k - h) - back(DAY_MIN * k) for k in range(1, REACH_DAYS + 1)]),
        back(REACH_DAYS * DAY_MIN - h) - back(REACH_DAYS * DAY_MIN),
        _nanmean([back(DAY_MIN * k) - back(DAY_MIN * k + 60) for k in range(1, REACH_DAYS + 1)]) * h / 60,
    ]
    return np.nan_to_num(np.stack(columns, axis=1))


def _back(y: Float, at: Int) -> _Back:
    return _Back(y, at)


class _Back:
    """Values so many minutes before the instants; NaN before the beginning."""

    def __init__(self, y: Float, at: Int) -> None:
        self._y, self._at = y, at

    def __call__(self, minutes: int) -> Float:
        place = self._at - minutes
        inside = (place >= 0) & (place < len(self._y))
        return np.where(inside, self._y[np.clip(place, 0, len(self._y) - 1)], np.nan)


def _sums(y: Float) -> tuple[Float, Float]:
    good = np.isfinite(y)
    total = np.concatenate(([0.0], np.cumsum(np.where(good, y, 0.0))))
    return total, np.concatenate(([0.0], np.cumsum(good)))


def _mean(total: Float, count: Float, at: Int, minutes: int) -> Float:
    begin = np.maximum(at + 1 - minutes, 0)
    n = count[at + 1] - count[begin]
    return np.where(n >= minutes / 2, (total[at + 1] - total[begin]) / np.maximum(n, 1), np.nan)


def _nanmean(columns: list[Float]) -> Float:
    several = np.stack(columns)
    n = np.isfinite(several).sum(axis=0)
    return np.where(n > 0, np.nansum(several, axis=0) / np.maximum(n, 1), np.nan)


def restlessness(y: Float, at: Int) -> Float:
    """Mean absolute change over 5 min in the last 3 h, in the logarithm."""
    change = (
        np.abs(y - np.concatenate((np.full(5, np.nan), y[:-5]))) if len(y) > 5 else np.full(len(y), np.nan)
    )
    total, count = _sums(change)
    return np.asarray(np.log(np.maximum(np.nan_to_num(_mean(total, count, at, CLOCK_MIN), nan=0.0), 1e-6)))


def fit(x: Float, y: Float, span_min: float, h: int) -> Float:
    """Coefficients of least absolute deviations with a ridge towards 0, shape (8,)."""
    scale = np.sqrt((x**2).mean(axis=0)) + 1e-12
    z, weight, beta = x / scale, np.ones(len(y)), np.zeros(x.shape[1])
    ridge = RIDGE * max(1.0, 100 / max(span_min / h, 1e-9))
    small = max(1e-4, 0.05 * float(np.median(np.abs(y))))
    for _ in range(TURNS):
        normal = (z * weight[:, None]).T @ z / weight.sum()
        right = (z * weight[:, None]).T @ y / weight.sum()
        beta = np.linalg.solve(normal + 0.05 * ridge * np.eye(len(beta)), right)
        weight = 1 / np.maximum(np.abs(y - z @ beta), small)
    return np.asarray(beta / scale)


def learn(
    y: Float, end: int, limits: tuple[float | None, float | None], resolution: float = 0.0
) -> tuple[ForecastModel | None, ForecastScore]:
    """Model and score from minutes y (n,) that end before minute number `end`; None: under 2 days of record.

    limits: lower and upper, None where there is none.
    """
    n = len(y)
    at = _instants(y)
    nothing = ForecastScore(0, 0.0, 0.0, 0.0)
    if n < 2 * DAY_MIN or len(at) < LEAST_JUDGED:
        return None, nothing
    changes, several = _changes(y, at)
    forecast = _walk(at, changes, several, n)
    score, beats = _judge(at, changes, forecast)
    beta = np.stack([_fit_known(several[i], changes[:, i], at, h) for i, h in enumerate(HORIZONS)])
    beta[~beats] = 0.0
    forecast[:, ~beats] = 0.0  # staying is as good there
    errors = changes - forecast
    whole = np.isfinite(errors).all(axis=1)
    clock, restless = (end - n + at) % DAY_MIN, restlessness(y, at)
    model = ForecastModel(
        end, y[-(REACH_DAYS + 1) * DAY_MIN :], beta, errors[whole], clock[whole], restless[whole],
        (0.0, 1.0), None, 0,
    )  # fmt: skip
    return _calibrated(model, (y, at, forecast, clock, restless), limits, resolution), score


def walk_forward(y: Float, days: int | None = None) -> tuple[Int, Float, Float]:
    """Instants (m,), what came (m, 12) and what was forecast from earlier days, 0 where nothing was (m, 12).

    days: how many days from the end are forecast; None: all that can be.
    """
    at = _instants(y)
    if not len(at):
        return at, np.empty((0, len(HORIZONS))), np.empty((0, len(HORIZONS)))
    changes, several = _changes(y, at)
    return at, changes, _walk(at, changes, several, len(y), len(y) // DAY_MIN if days is None else days)


def _instants(y: Float) -> Int:
    at = np.arange(60, max(60, len(y) - HORIZONS[-1]), EVERY)
    return np.asarray(at[np.isfinite(y[at])])


def _changes(y: Float, at: Int) -> tuple[Float, list[Float]]:
    changes = np.stack([y[at + h] - y[at] for h in HORIZONS], axis=1)
    return changes, [features(y, at, h) for h in HORIZONS]


def _fit_known(x: Float, change: Float, at: Int, h: int) -> Float:
    finite = np.isfinite(change)
    if finite.sum() < 50:
        return np.zeros(FEATURES)
    return fit(x[finite], change[finite], float(np.ptp(at[finite])), h)


def _walk(at: Int, changes: Float, several: list[Float], n: int, days: int = JUDGED_DAYS) -> Float:
    """Forecast changes, shape as `changes`, each day's from what was known before it; 0 on the first two."""
    forecast = np.zeros_like(changes)
    day = (n - 1 - at) // DAY_MIN  # days back from the end
    for back in range(min(days, int(day.max())), -1, -1):
        here = day == back
        for i, h in enumerate(HORIZONS):
            past = (at + h < n - (back + 1) * DAY_MIN) & (at >= n - (back + 1 + FITTED_DAYS) * DAY_MIN)
            if not past.any() or np.ptp(at[past]) < 2 * DAY_MIN:
                continue
            forecast[here, i] = several[i][here] @ _fit_known(several[i][past], changes[past, i], at[past], h)
    return forecast


def _judge(at: Int, changes: Float, forecast: Float) -> tuple[ForecastScore, Bool]:
    """The score at 30 min, and at which horizons the model is not worse than staying (t ≥ −1)."""
    judged = forecast.any(axis=1) & np.isfinite(changes).all(axis=1)
    beats = np.zeros(len(HORIZONS), np.bool_)
    half_hour = HORIZONS.index(30)
    score = ForecastScore(int(judged.sum()), 0.0, 0.0, 0.0)
    if judged.sum() < LEAST_JUDGED:
        return score, beats
    day = at[judged] // DAY_MIN
    day -= day.min()
    n = np.bincount(day)
    for i in range(len(HORIZONS)):
        stay, error = np.abs(changes[judged, i]), np.abs(changes[judged, i] - forecast[judged, i])
        daily = np.bincount(day, weights=stay - error)[n > 0] / n[n > 0]
        spread = float(daily.std(ddof=1)) / len(daily) ** 0.5 if len(daily) > 1 else 0.0
        t = float(daily.mean()) / max(spread, 1e-12) if len(daily) > 1 else 0.0
        beats[i] = t >= -1
        if i == half_hour:
            score = ForecastScore(int(judged.sum()), float(error.mean()), float(stay.mean()), t)
    return score, beats


def leaving(
    model: ForecastModel,
    y: Float,
    first: int,
    limits: tuple[float | None, float | None],
    resolution: float = 0.0,
) -> Leaving | None:
    """What is expected from the last minute of y (n,), whose first minute has the number `first`.

    y goes on where the model's series ends, or overlaps with it. None where the last minute has no value or
    lies beyond a limit, or where too little is known.
    """
    if not len(y):
        return None
    return leavings(model, y, first, np.array([len(y) - 1]), (limits, resolution))[0]


def leavings(
    model: ForecastModel,
    y: Float,
    first: int,
    at: Int,
    bounds: tuple[tuple[float | None, float | None], float],
) -> list[Leaving | None]:
    """What is expected from each of these minutes of y, as if nothing behind it were known; see `leaving`.

    bounds: limits, and the resolution of the channel.
    """
    earlier = np.full(max(0, first - (model.end - len(model.series))), np.nan)
    n = min(len(earlier), len(model.series))
    earlier[:n] = model.series[:n]
    whole = np.concatenate((earlier, y))
    places = len(earlier) + at
    steps = np.stack([features(whole, places, h) @ model.beta[i] for i, h in enumerate(HORIZONS)], axis=1)
    unrest = restlessness(whole, places)
    return [
        _paths(model, float(y[i]), steps[k], ((first + int(i)) % DAY_MIN, float(unrest[k])), bounds)
        if np.isfinite(y[i])
        else None
        for k, i in enumerate(at)
    ]


def _paths(
    model: ForecastModel,
    now: float,
    step: Float,
    here: tuple[int, float],
    bounds: tuple[tuple[float | None, float | None], float],
) -> Leaving | None:
    (lower, upper), resolution = bounds
    low, high = -np.inf if lower is None else lower, np.inf if upper is None else upper
    if not low <= now <= high or len(model.errors) < LIKE_MIN:
        return None
    paths = now + step + model.errors[_like(model, here)]
    if resolution > 0:
        paths = np.round(paths / resolution) * resolution
    out = (paths < low) | (paths > high)
    leaves: Bool = np.asarray(out.any(axis=1))
    share = (float(leaves.sum()) + 0.5) / (len(paths) + 1)
    a, b = model.recalibration
    probability = float(1 / (1 + np.exp(-(a + b * np.log(share / (1 - share))))))
    minutes, over = None, False
    if leaves.any():
        first = np.array(HORIZONS)[out[leaves].argmax(axis=1)] - 2.5
        minutes = tuple(float(q) for q in np.quantile(first, (0.1, 0.5, 0.9)))
        above: Bool = np.asarray((paths > high).any(axis=1))
        over = bool(above[leaves].mean() >= 0.5)
    fan = np.quantile(paths, (0.1, 0.9), axis=0)
    return Leaving(probability, minutes, over, np.asarray(fan), now)  # type: ignore[arg-type]


def _like(model: ForecastModel, here: tuple[int, float]) -> Int:
    """Past instants like this one: within 3 h of the clock and e^½ in restlessness, 60 to 400 of them."""
    apart = np.abs(model.clock - here[0])
    apart = np.minimum(apart, DAY_MIN - apart) / CLOCK_MIN
    distance = np.maximum(apart, np.abs(model.restlessness - here[1]) / RESTLESS)
    n = int(np.clip((distance <= 1).sum(), LIKE_MIN, LIKE_MOST))
    return np.argpartition(distance, min(n, len(distance) - 1))[:n]


def _calibrated(
    model: ForecastModel,
    past: tuple[Float, Int, Float, Int, Float],
    limits: tuple[float | None, float | None],
    resolution: float,
) -> ForecastModel:
    """The model with its probabilities set against what came true on the judged days."""
    y, at, forecast, clock, restless = past
    recent = np.flatnonzero(at >= len(y) - JUDGED_DAYS * DAY_MIN)
    shares, outcomes = [], []
    low = -np.inf if limits[0] is None else limits[0]
    high = np.inf if limits[1] is None else limits[1]
    for i in recent:
        ahead = y[at[i] + 1 : at[i] + HORIZONS[-1] + 1]
        if not np.isfinite(ahead).all():
            continue
        expected = _paths(
            model, float(y[at[i]]), forecast[i], (int(clock[i]), float(restless[i])), (limits, resolution)
        )
        if expected is not None:
            shares.append(expected.probability)
            outcomes.append(bool(((ahead < low) | (ahead > high)).any()))
    if len(shares) < LEAST_JUDGED:
        return model
    p, came = np.array(shares), np.array(outcomes, np.float64)
    a, b = _recalibrate(np.log(p / (1 - p)), came)
    again = 1 / (1 + np.exp(-(a + b * np.log(p / (1 - p)))))
    promised = again >= 0.5
    true = float(came[promised].mean()) if promised.any() else None
    return ForecastModel(
        model.end, model.series, model.beta, model.errors, model.clock, model.restlessness,
        (a, b), true, int(promised.sum()),
    )  # fmt: skip


def _recalibrate(x: Float, came: Float) -> tuple[float, float]:
    """a, b of logit P' = a + b·x by damped Newton steps, ridged towards (0, 1) as by a day of outcomes."""
    beta, start = np.array([0.0, 1.0]), np.array([0.0, 1.0])
    design, a_day = np.column_stack((np.ones(len(x)), x)), 0.1  # neighbouring instants say the same

    def loss(b: Float) -> float:
        z = np.clip(design @ b, -30, 30)
        return float(a_day * (np.logaddexp(0, z) - came * z).sum() + ((b - start) ** 2).sum())

    value = loss(beta)
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))
        slope = a_day * design.T @ (p - came) + 2 * (beta - start)
        bend = a_day * (design * (p * (1 - p))[:, None]).T @ design + 2 * np.eye(2)
        step, scale = np.linalg.solve(bend, slope), 1.0
        while loss(beta - scale * step) > value and scale > 1e-6:
            scale /= 2
        beta = beta - scale * step
        previous, value = value, loss(beta)
        if previous - value < 1e-9:
            break
    return float(beta[0]), float(beta[1])
