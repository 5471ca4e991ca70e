"""Whether forecasts of a channel within the hour are worth anything: against "it stays as it is", by horizon.

Forecasts are those of `forecast_model`, each day's made from earlier days alone; days are the blocks of the
interval. Crossings: how promises came true, and the Brier score against the plain frequency (Brier 1950).
"""

from __future__ import annotations

import numpy as np

from ...series import Float
from ..judge.forecast_model import DAY_MIN, EVERY, HORIZONS, JUDGED_DAYS, learn, leavings, walk_forward
from .channel_record import ChannelRecord
from .figure import Answer, Figure, absent, effect
from .mean_response import GROUPS

LEAST_DAYS = 7
SHOWN = (15, 30, 60)  # minutes
CLASSES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
METHOD = "mean absolute error against staying, on days not fitted; jackknife over groups of days"


def forecast_skill(record: ChannelRecord, limits: tuple[float, float] | None) -> Answer:
    """Skill by horizon with its interval and, with limits, how promises of a crossing came true."""
    if record.step_s != 60:
        why = f"readings every {record.step_s} s."
        return _refused(why, "Log this channel every 60 s.")
    days = record.span_s / 86_400
    if days < LEAST_DAYS:
        return _refused(f"{days:.1f} days recorded.", f"Record {LEAST_DAYS} days or more.")
    at, changes, forecast = walk_forward(record.value)
    judged = forecast.any(axis=1) & np.isfinite(changes).all(axis=1)
    group = (at[judged] - at[judged].min(initial=0)) // DAY_MIN
    if not len(group) or group.max() < 2:
        return _refused("fewer than 3 days could be judged.", f"Record {LEAST_DAYS} days without gaps.")
    rows = [_skill(changes[judged, i], forecast[judged, i], group) for i in range(len(HORIZONS))]
    figures = [
        effect(f"skill at {h} min", *rows[HORIZONS.index(h)], "", n=float(group.max() + 1), method=METHOD)
        for h in SHOWN
    ]
    tables: dict[str, dict[str, list[object]]] = {
        "skill": {
            "minutes": list(HORIZONS),
            "skill": [row[0] for row in rows],
            "low": [row[1] for row in rows],
            "high": [row[2] for row in rows],
        }
    }
    if limits is not None:
        crossings, tables["crossings"] = _crossings(record, limits)
        figures += crossings
    half = figures[SHOWN.index(30)]
    return Answer("forecast", _headline(half), tuple(figures), (), tables)


def _refused(why: str, needed: str) -> Answer:
    figure = absent("skill at 30 min", "", why, needed, METHOD)
    return Answer("forecast", f"Not shown: {why}", (figure,))


def _skill(
    change: Float, forecast: Float, day: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[float, float, float]:
    """1 − error / error of staying, and its 95 % interval from groups of days left out in turn."""
    from scipy.stats import t

    from .disturbance import jackknife

    groups = day * min(GROUPS, int(day.max()) + 1) // (int(day.max()) + 1)
    error = np.bincount(groups, weights=np.abs(change - forecast))
    stay = np.bincount(groups, weights=np.abs(change))
    whole = 1 - float(error.sum() / stay.sum())
    without = 1 - (error.sum() - error) / (stay.sum() - stay)
    half = float(t.ppf(0.975, len(without) - 1) * jackknife(without))
    return whole, whole - half, whole + half


def _crossings(
    record: ChannelRecord, limits: tuple[float, float]
) -> tuple[list[Figure], dict[str, list[object]]]:
    """Promises of leaving the limits within the hour on the last days, by a model that ends before them."""
    y = record.value
    days = min(JUDGED_DAYS, len(y) // DAY_MIN // 2)
    begin = len(y) - days * DAY_MIN
    model, _ = learn(y[:begin], begin, limits, record.resolution)
    forecast, came = [], []
    at = np.arange(begin + 60, len(y) - 60, EVERY)
    expected = leavings(model, y[begin:], begin, at - begin, (limits, record.resolution)) if model else []
    for i, leaving in zip(at, expected, strict=False):
        ahead = y[i + 1 : i + 61]
        if leaving is not None and np.isfinite(ahead).all():
            forecast.append(leaving.probability)
            came.append(bool(((ahead < limits[0]) | (ahead > limits[1])).any()))
    p, true = np.array(forecast), np.array(came, np.float64)
    if len(p) < 100 or not 0 < true.mean() < 1:
        why = "the limits were not left, or always, on the days that were judged."
        return [absent("crossings, gain over their frequency", "", why, method=METHOD)], {}
    number = np.digitize(p, CLASSES[1:-1])
    kinds = [kind for kind in range(len(CLASSES) - 1) if (number == kind).any()]
    gain = 1 - float(((p - true) ** 2).mean() / true.var())
    figure = Figure(
        "crossings, gain over their frequency", gain, "", method="Brier score, days not learned from"
    )
    return [figure], {
        "promised": [float(p[number == kind].mean()) for kind in kinds],
        "came true": [float(true[number == kind].mean()) for kind in kinds],
        "times": [int((number == kind).sum()) for kind in kinds],
    }


def _headline(half: Figure) -> str:
    if half.shown and (half.value or 0) > 0:
        less = f"{100 * (half.value or 0):.0f} %"
        return f"Half an hour ahead the forecast errs {less} less than “it stays as it is”."
    return "Half an hour ahead no forecast is proven to beat “it stays as it is”: none is shown."
