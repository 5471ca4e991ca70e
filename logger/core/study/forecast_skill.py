"""Whether forecasts of a channel within the hour are worth anything: against "it stays as it is", by horizon.

Forecasts are those of `forecast_model`, each day's made from earlier days alone; days are the blocks of the
interval. Crossings: how promises came true, and the Brier score against the plain frequency (Brier 1950).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ...series import Bool, Float, Int
from ..judge.forecast_model import DAY_MIN, EVERY, HORIZONS, JUDGED_DAYS, learn, leavings, walk_forward
from .channel_record import ChannelRecord
from .figure import Answer, Figure, absent, effect, percent
from .mean_response import GROUPS

LEAST_DAYS = 7
SHOWN = (15, 30, 60)  # minutes
CLASSES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
LEAST_INSTANTS = 100
LEAST_LEFT = 3  # days
LIKELY = 0.5
CROSSING_FIGURES = (
    ("crossings, gain over their frequency", ""),
    ("of the crossings, foretold at 50 % or more", "%"),
    ("of those foretold, came true", "%"),
)
# The jackknife alone held the skill in 90 to 97 of 100 made rooms, the gain in 92 to 95, the shares in 80 to
# 91: what the model learned from the days before is one draw of chance for all days that are judged.
WIDER, WIDER_SHARE = 1.2, 1.7
OF_CROSSINGS = (
    "every 15 min of days not learned from, within the next 60 min; jackknife over groups of days, widened"
)
METHOD = "mean absolute error against staying, on days not fitted; jackknife over groups of days, widened"


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
    # Days that were judged, one after the other: a gap of weeks between them is no day.
    group = np.unique(at[judged] // DAY_MIN, return_inverse=True)[1]
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


def _skill(change: Float, forecast: Float, day: Int) -> tuple[float, float, float]:
    """1 − error / error of staying, and its 95 % interval from groups of days left out in turn."""
    error, stay = np.abs(change - forecast), np.abs(change)
    return _by_days(lambda chosen: 1 - float(error[chosen].sum() / stay[chosen].sum()), _groups(day))


def _groups(day: Int) -> Int:
    """Days in a row in at most twelve groups."""
    return np.asarray(day * min(GROUPS, int(day.max()) + 1) // (int(day.max()) + 1))


def _by_days(
    statistic: Callable[[Bool], float], group: Int, wider: float = WIDER
) -> tuple[float, float, float]:
    """A statistic of the instants that are chosen, with its interval: jackknife over groups of days."""
    from scipy.stats import t

    from .disturbance import jackknife

    whole = statistic(np.ones(len(group), np.bool_))
    without = np.array([statistic(group != number) for number in np.unique(group)])
    half = wider * float(t.ppf(0.975, len(without) - 1) * jackknife(without))
    return whole, whole - half, whole + half


def _crossings(
    record: ChannelRecord, limits: tuple[float, float]
) -> tuple[list[Figure], dict[str, list[object]]]:
    """Promises of leaving the limits within the hour on the last days, by a model that ends before them."""
    y = record.value
    days = min(JUDGED_DAYS, len(y) // DAY_MIN // 2)
    begin = len(y) - days * DAY_MIN
    model, _ = learn(y[:begin], begin, limits, record.resolution)
    forecast, came, day = [], [], []
    at = np.arange(begin + 60, len(y) - 60, EVERY)
    expected = leavings(model, y[begin:], begin, at - begin, (limits, record.resolution)) if model else []
    for i, leaving in zip(at, expected, strict=False):
        ahead = y[i + 1 : i + 61]
        if leaving is not None and np.isfinite(ahead).all():
            forecast.append(leaving.probability)
            came.append(bool(((ahead < limits[0]) | (ahead > limits[1])).any()))
            day.append((i - begin) // DAY_MIN)
    p, true, group = np.array(forecast), np.array(came, np.bool_), np.array(day, np.int64)
    left_on = len(np.unique(group[true])) if len(true) else 0
    if len(p) < LEAST_INSTANTS or left_on < LEAST_LEFT or true.all():
        why = f"the limits were left on {left_on} of the {days} days that were judged."
        if len(true) and true.all():
            why = "the limits were always left within the hour."
        needed = f"Record until they are left on {LEAST_LEFT} days or more."
        return [absent(name, unit, why, needed, OF_CROSSINGS) for name, unit in CROSSING_FIGURES], {}
    number = np.unique(group, return_inverse=True)[1]
    return _crossing_figures(p, true, _groups(number)), _by_promise(p, true)


def _crossing_figures(p: Float, true: Bool, group: Int) -> list[Figure]:
    """Gain over the plain frequency; of the leavings the share foretold; of those foretold the share true."""
    n, likely = float(len(np.unique(group))), p >= LIKELY

    def gain(chosen: Bool) -> float:
        variance = float(true[chosen].var())
        return 1 - float(((p[chosen] - true[chosen]) ** 2).mean()) / variance if variance else 0.0

    def share(what: Bool, of: Bool) -> Callable[[Bool], float]:
        return lambda chosen: 100 * float((what & of & chosen).sum()) / max(int((of & chosen).sum()), 1)

    (first, unit), (second, _), (third, _) = CROSSING_FIGURES
    figures = [effect(first, *_by_days(gain, group), unit, n=n, method=OF_CROSSINGS)]
    for name, what, of in ((second, likely, true), (third, true, likely)):
        if len(np.unique(group[of])) < LEAST_LEFT:
            why = f"foretold at {percent(LIKELY)} or more on {len(np.unique(group[of]))} days only."
            figures.append(absent(name, "%", why, "Record more days.", OF_CROSSINGS))
            continue
        value, low, high = _by_days(share(what, of), group, WIDER_SHARE)
        figures.append(Figure(name, value, "%", max(0.0, low), min(100.0, high), n, OF_CROSSINGS))
    return figures


def _by_promise(p: Float, true: Bool) -> dict[str, list[object]]:
    """By class of promises: their mean, the share that came true, how many times."""
    number = np.digitize(p, CLASSES[1:-1])
    kinds = [kind for kind in range(len(CLASSES) - 1) if (number == kind).any()]
    return {
        "promised": [float(p[number == kind].mean()) for kind in kinds],
        "came true": [float(true[number == kind].mean()) for kind in kinds],
        "times": [int((number == kind).sum()) for kind in kinds],
    }


def _headline(half: Figure) -> str:
    if half.shown and (half.value or 0) > 0:
        less = f"{100 * (half.value or 0):.0f} %"
        return f"Half an hour ahead the forecast errs {less} less than “it stays as it is”."
    return "Half an hour ahead no forecast is proven to beat “it stays as it is”: none is shown."
