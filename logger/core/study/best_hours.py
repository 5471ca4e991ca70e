"""When to measure: for each hour of the week, how probable it is that N hours from then on are stable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...model.figures import number_of
from ...series import Bool, Float
from .figure import Answer, Column, Figure, absent, percent

HOURS = 168
LEAST_WEEKS = 4
POOLED_WEEKS = 8  # from so many weeks on neighbouring hours are taken in
PSEUDO = 4.0  # weeks that they count
BEST = 3
METHOD = (
    "beta quantiles (Jeffreys) of stable weeks; neighbouring weeks counted by their correlation; the lower "
    "end of an advised start allows for its choice among all that may be as good (Bonferroni)"
)
NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True)
class WeekMap:
    """For each start hour of the local week, shape (168,):
    weeks that count, weeks stable, probability, ends; a, b: the beta distribution of each.
    """

    weeks: Float
    stable: Float
    probability: Float
    low: Float
    high: Float
    a: Float
    b: Float

    def rivals(self, candidates: Bool) -> int:
        """How many of these starts, shape (168,), may be as good as the one whose lower end is highest."""
        here = candidates & np.isfinite(self.low)
        return int((self.high[here] >= self.low[here].max(initial=-1.0)).sum()) if here.any() else 1

    def low_of_chosen(self, start: int, rivals: int) -> float:
        """Lower end of a start that was chosen among so many for its high lower end.

        Its own lower end held in 13 to 100 of 100 made rooms: the best of many that are alike looks good by
        chance. At 0.025/rivals it held in 97 or more.
        """
        from scipy.stats import beta

        return float(beta.ppf(0.025 / rivals, self.a[start], self.b[start]))


def outcomes(stable: Bool, shown: Bool, hours: int) -> tuple[Bool, Bool]:
    """Whether [start, start + hours) was stable throughout, and whether that is known.

    stable, known: shape (weeks, 168), hour by hour of whole local weeks in a row; the last hours of one week
    go on into the next. One hour that is not stable decides, whatever is unknown beside it.
    """
    flat, sure = stable.reshape(-1), shown.reshape(-1)
    n = len(flat)
    whole, never = np.ones(n, np.bool_), np.zeros(n, np.bool_)
    for k in range(hours):
        ahead = np.roll(flat, -k) & np.roll(sure, -k)
        failed = np.roll(sure & ~flat, -k)
        if k:
            ahead[-k:] = failed[-k:] = False
        whole &= ahead
        never |= failed
    return whole.reshape(stable.shape), (whole | never).reshape(stable.shape)


def week_map(stable: Bool, shown: Bool, hours: int) -> WeekMap:
    """The map of starts from hours that were stable and hours whose verdict is known, (weeks, 168)."""
    from scipy.stats import beta

    good, sure = outcomes(stable, shown, hours)
    n, k = sure.sum(axis=0).astype(np.float64), (good & sure).sum(axis=0).astype(np.float64)
    effective = effective_weeks(good, sure)
    scale = np.where(n > 0, np.minimum(1.0, effective / max(float(n.max(initial=1.0)), 1.0)), 0.0)
    n_scaled, k_scaled = n * scale, k * scale
    if n.max(initial=0) >= POOLED_WEEKS:
        prior = neighbours(n, k)
        n_scaled, k_scaled = n_scaled + PSEUDO * np.isfinite(prior), k_scaled + PSEUDO * np.nan_to_num(prior)
    enough = n >= LEAST_WEEKS
    a, b = k_scaled + 0.5, n_scaled - k_scaled + 0.5
    low, high = beta.ppf(0.025, a, b), beta.ppf(0.975, a, b)
    probability = np.where(n_scaled > 0, a / (a + b), np.nan)
    blank = np.where(enough, 1.0, np.nan)
    return WeekMap(n, k, probability * blank, low * blank, high * blank, a, b)


def effective_weeks(good: Bool, sure: Bool) -> float:
    """Independent weeks, at least 3: n(1 − r)/(1 + r), r the correlation of neighbouring weeks."""
    total = sure.sum(axis=1)
    share = np.where(total > 0, (good & sure).sum(axis=1) / np.maximum(total, 1), np.nan)
    x = share[np.isfinite(share)]
    n = len(x)
    if n < 3 or np.ptp(x) == 0:
        return float(max(3, n))
    away = x - x.mean()
    r = float((away[1:] * away[:-1]).sum() / (away**2).sum())
    r = min(max(r, 0.0), 0.9)
    return max(3.0, n * (1 - r) / (1 + r))


def neighbours(n: Float, k: Float) -> Float:
    """What the hours around (Gaussian, 1 h) and the same hour of the other working days say, shape (168,)."""
    place = np.arange(HOURS)
    apart = np.abs(place[:, None] - place[None, :])
    apart = np.minimum(apart, HOURS - apart)
    near = np.exp(-0.5 * apart**2) * (apart <= 3)
    day, hour = place // 24, place % 24
    working = (day[:, None] < 5) & (day[None, :] < 5) & (hour[:, None] == hour[None, :])
    weight = near + working
    weight[place, place] = 0.0
    total = weight @ n
    return np.where(total > 0, (weight @ k) / np.maximum(total, 1e-9), np.nan)


def best_hours(stable: Bool, shown: Bool, hours: int, use: Bool | None = None) -> Answer:
    """Where N hours in a row are most likely stable; `use`: hours of use of the week, shape (168,)."""
    weeks = int(shown.any(axis=1).sum())
    if weeks < LEAST_WEEKS:
        why, needed = (
            f"{number_of(weeks, 'whole week')} with verdicts.",
            f"Record {LEAST_WEEKS} weeks or more.",
        )
        figure = absent("best start", "%", why, needed, METHOD)
        return Answer("hours", f"Not shown: {why}", (figure,))
    chart = week_map(stable, shown, hours)
    order = _best(chart, use)
    rivals = chart.rivals(np.ones(HOURS, np.bool_) if use is None else use)
    figures = tuple(_figure(chart, start, hours, rivals) for start in order)
    left_out = int((~shown).sum())
    remarks = [
        f"{weeks} weeks; {left_out} h without a verdict for want of evidence were left out. "
        "Guard band counts as not stable."
    ]
    if use is not None:
        remarks.append("Starts are chosen within the hours of use.")
    share, n = chosen_in_turn(stable, shown, hours, use)
    if n > LEAST_WEEKS:
        remarks.append(
            f"Each of {n} weeks left out in turn: the starts that the others advise were stable in "
            f"{percent(share)} of the cases."
        )
    best: dict[str, Column] = {"hour of week": order, "hours": [hours] * len(order)}
    tables: dict[str, Mapping[str, Column]] = {"week": _table(chart, use), "best": best}
    if rivals > len(order):
        remarks.append(
            f"{rivals} starts may be as good as the best one; its lower end allows for that choice."
        )
    return Answer("hours", _headline(figures, hours), figures, tuple(remarks), tables)


def chosen_in_turn(stable: Bool, shown: Bool, hours: int, use: Bool | None) -> tuple[float, int]:
    """Share of the weeks in which the starts that the other weeks advise were stable, and of how many weeks.

    It does not flatter the best of many, as the probability of the chosen start does: in made rooms, of
    which most hours are alike, by 7 to 14 points.
    """
    good, sure = outcomes(stable, shown, hours)
    came = list[float]()
    for week in np.flatnonzero(sure.any(axis=1)):
        others = np.arange(len(stable)) != week
        advised = np.array(_best(week_map(stable[others], shown[others], hours), use), np.int64)
        advised = advised[sure[week, advised]]
        if len(advised):
            came.append(float(good[week, advised].mean()))
    return (float(np.mean(came)) if came else float("nan")), len(came)


def _best(chart: WeekMap, use: Bool | None) -> list[int]:
    """The three starts whose lower end is highest, none next to another."""
    rank = np.where(np.isfinite(chart.low), chart.low, -1.0)
    if use is not None:
        rank = np.where(use, rank, -1.0)
    chosen: list[int] = []
    for start in np.argsort(-rank, kind="stable"):
        if rank[start] < 0 or len(chosen) == BEST:
            break
        if all(abs(int(start) - other) > 1 for other in chosen):
            chosen.append(int(start))
    return chosen


def start_name(start: int) -> str:
    """
    >>> start_name(34)
    'Tue 10:00'
    """
    return f"{NAMES[start // 24]} {start % 24:02d}:00"


def _figure(chart: WeekMap, start: int, hours: int, rivals: int) -> Figure:
    value, high = (100 * float(x[start]) for x in (chart.probability, chart.high))
    low = 100 * chart.low_of_chosen(start, rivals)
    name, weeks = f"{start_name(start)} for {hours} h", float(chart.weeks[start])
    return Figure(name, value, "%", low, high, weeks, METHOD)


def _headline(figures: Sequence[Figure], hours: int) -> str:
    if not figures:
        return "Not shown: no start has four weeks with a verdict."
    best = figures[0]
    start = best.name.removesuffix(f" for {hours} h")
    return f"Best start for {hours} h: {start}, {best.value:.0f} % ({best.low:.0f} to {best.high:.0f} %)."


def _table(chart: WeekMap, use: Bool | None) -> dict[str, list[object]]:
    def percent(values: Float) -> list[object]:
        return [round(100 * float(x), 1) if np.isfinite(x) else None for x in values]

    return {
        "start": [start_name(start) for start in range(HOURS)],
        "weeks": chart.weeks.astype(int).tolist(),
        "stable": chart.stable.astype(int).tolist(),
        "probability": percent(chart.probability),
        "low": percent(chart.low),
        "high": percent(chart.high),
        "in use": [True] * HOURS if use is None else use.tolist(),
    }
