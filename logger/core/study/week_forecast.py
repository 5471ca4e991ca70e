"""How probable each start of the week to come is: the map of the past weeks, moved by how the last ones went.

    logit p = a + b·logit c_f + g·[two weeks' map − c_f; last week − its map; last two days − their map]

c_f: the pooled map with weights that halve every 8 weeks. The coefficients are ridged towards (0, 1, 0), the
168 outcomes of a week count as one observation a day, and p, the plain map and the plain share are mixed
by how well each foretold the weeks so far (softmax of log scores). Only weeks before the one foretold enter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Bool, Float
from .best_hours import HOURS, PSEUDO, neighbours

FIRST = 8  # weeks before the first forecast
HALVES_WEEKS = 8.0
A_DAY = 1 / 24  # weight of one outcome: neighbouring hours say the same
RIDGE = 2.0
LEAST, MOST = 0.005, 0.995
TURNS = 30


@dataclass(frozen=True)
class PastForecasts:
    """Forecasts that were made from earlier weeks alone, shape (weeks − 8, 168), against what came.

    mixed: what would have been promised; map: the plain map; good, sure: outcomes; ahead: the forecast of
    the week to come, shape (168,), and map_ahead the plain map for it. Hours are those of the local week.
    """

    mixed: Float
    map: Float
    good: Bool
    sure: Bool
    ahead: Float
    map_ahead: Float


def foretell(good: Bool, sure: Bool, first_day: int = 0) -> PastForecasts:
    """Forecasts for each week from the ninth on and for the one to come.

    good, sure: outcomes of starts, shape (weeks, 168), Monday first; each row is a week that begins on
    weekday `first_day` (0: Monday). Raises ValueError with fewer than 9 weeks.
    """
    weeks = len(good)
    if weeks <= FIRST:
        raise ValueError(f"{weeks} weeks foretell nothing: {FIRST + 1} are needed.")
    states = [_State.before(good[:week], sure[:week], first_day) for week in range(FIRST, weeks + 1)]
    mixed = np.full((weeks - FIRST, HOURS), np.nan)
    scores = np.zeros(3)
    for number, state in enumerate(states):
        past = range(number)
        coefficients = _fit(
            np.concatenate([states[i].features for i in past]) if number else np.empty((0, 5)),
            np.concatenate([good[FIRST + i] for i in past]) if number else np.empty(0, np.bool_),
            np.concatenate([sure[FIRST + i] for i in past]) if number else np.empty(0, np.bool_),
        )
        several = np.stack((_inverse(state.features @ coefficients), state.map, state.share))
        weight = np.exp(scores - scores.max())
        promise = np.clip(weight @ several / weight.sum(), LEAST, MOST)
        if number == weeks - FIRST:
            return PastForecasts(
                mixed, np.stack([s.map for s in states[:-1]]), good[FIRST:], sure[FIRST:], promise, state.map
            )
        mixed[number] = promise
        scores += _log_scores(several, good[FIRST + number], sure[FIRST + number])
    raise AssertionError("the last state is that of the week to come")


@dataclass(frozen=True)
class _State:
    """What is known before a week: plain map (168,), plain share (168,), and the features (168, 5)."""

    map: Float
    share: Float
    features: Float

    @classmethod
    def before(cls, good: Bool, sure: Bool, first_day: int) -> _State:
        age = np.arange(len(good))[::-1]
        plain = pooled(good, sure, np.ones(len(good)))
        faded = pooled(good, sure, 0.5 ** (age / HALVES_WEEKS))
        recent = pooled(good[-2:], sure[-2:], np.ones(2), faded)
        days_ahead = (np.arange(HOURS) // 24 - first_day) % 7
        last_two = days_ahead >= 5  # the week before ended with these days
        week = 4 * _excess(good[-1], sure[-1], faded)
        days = 4 * _excess(good[-1], sure[-1] & last_two, faded) * np.exp(-days_ahead / 2)
        f = logit(faded)
        features = np.stack((np.ones(HOURS), f, logit(recent) - f, np.full(HOURS, week), days), axis=1)
        share = float((good & sure).sum() + 0.5) / float(sure.sum() + 1)
        return cls(plain, np.full(HOURS, share), features)


def pooled(good: Bool, sure: Bool, weight: Float, prior: Float | None = None) -> Float:
    """Probability of each start, shape (168,), from weighted weeks and what neighbouring hours say."""
    n, k = weight @ sure.astype(np.float64), weight @ (good & sure).astype(np.float64)
    share = float(k.sum() + 0.5) / float(n.sum() + 1)
    before = neighbours(n, k) if prior is None else prior
    before = np.where(np.isfinite(before), before, share)
    return np.clip((k + PSEUDO * before) / (n + PSEUDO), LEAST, MOST)


def logit(p: Float) -> Float:
    """ln(p / (1 − p)) of probabilities, moved off 0 and 1."""
    inside = np.clip(p, LEAST, MOST)
    return np.asarray(np.log(inside / (1 - inside)))


def _inverse(x: Float) -> Float:
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -30, 30))))


def _excess(good: Bool, sure: Bool, chart: Float) -> float:
    """How much oftener the known hours were stable than the map says; 0 where none is known."""
    return float(good[sure].mean() - chart[sure].mean()) if sure.any() else 0.0


def _fit(features: Float, good: Bool, sure: Bool) -> Float:
    """Coefficients by damped Newton steps on the ridged likelihood: undamped ones diverge to 0 and 1."""
    start = np.zeros(5)
    start[1] = 1.0
    if not sure.any():
        return start
    x, y = features[sure], good[sure].astype(np.float64)

    def loss(beta: Float) -> float:
        z = np.clip(x @ beta, -30, 30)
        return float(A_DAY * (np.logaddexp(0, z) - y * z).sum() + 0.5 * RIDGE * ((beta - start) ** 2).sum())

    beta, value = start, loss(start)
    for _ in range(TURNS):
        p = _inverse(x @ beta)
        slope = A_DAY * x.T @ (p - y) + RIDGE * (beta - start)
        bend = A_DAY * (x * (p * (1 - p))[:, None]).T @ x + RIDGE * np.eye(5)
        step, scale = np.linalg.solve(bend, slope), 1.0
        while loss(beta - scale * step) > value and scale > 1e-6:
            scale /= 2
        beta = beta - scale * step
        previous, value = value, loss(beta)
        if previous - value < 1e-9:
            break
    return beta


def _log_scores(several: Float, good: Bool, sure: Bool) -> Float:
    """Log score of each forecast of a week, its hours counted as one observation a day, shape (3,)."""
    p = np.clip(several[:, sure], LEAST, MOST)
    return np.asarray(A_DAY * np.where(good[sure], np.log(p), np.log(1 - p)).sum(axis=1))
