"""The week to come: starts for jobs with promises that come true, beside how often earlier ones did.

Reliability is that of forecasts made from earlier weeks alone; weeks are the independent pieces. Where they
came true badly, or told less than the plain map of the hours of the week, the map is given instead, and why.
Brier (1950); reliability diagram: Bröcker & Smith (2007).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...model.figures import number_of
from ...series import Bool, Float
from .best_hours import HOURS, outcomes, start_name
from .figure import Answer, Figure, absent
from .week_forecast import FIRST, PastForecasts, foretell

LEAST_WEEKS = FIRST + 4  # four forecasts to look back on
JUDGED_WEEKS = 26
WORST = 0.05  # miscalibration above which the plain map is given
WORST_MAP = 0.10  # of that map, above which nothing is promised
CLASSES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
LISTED = 10
DRAWS = 400
NONE_YET = "the starts of fewer than four weeks could be compared with what came."
HIGHEST = 3  # starts of a week, whose promises are compared with what came
SHRUNK = 5.0  # weeks without a shift that count beside those recorded
METHOD = (
    "forecast from earlier weeks alone, less what the three highest of each past week promised too much; "
    "interval: of that shift, by weeks"
)


@dataclass(frozen=True)
class Job:
    """Something to measure that needs the zone stable for so many hours in a row."""

    name: str
    hours: int


@dataclass(frozen=True)
class Reliability:
    """Of each class of promises: mean promise, share that came true with its 95 % interval, how many.

    miscalibration: mean distance of both; skill: 1 − Brier score / that of the plain map; weeks judged.
    """

    promised: Float
    came_true: Float
    low: Float
    high: Float
    count: Float
    miscalibration: float
    skill: float
    weeks: int

    @property
    def refusal(self) -> str:
        """Why the forecast is not used; "" where it is."""
        if self.miscalibration > WORST:
            return (
                f"promises of the last {self.weeks} weeks were off by {100 * self.miscalibration:.0f} points"
            )
        if self.skill < 0:
            skill = f"{self.skill:+.2f}".replace("-", "−")
            return f"over {self.weeks} weeks the forecast was worse than the plain map (skill {skill})"
        return ""


@dataclass(frozen=True)
class Choices:
    """What became of the highest promises of each past week: the share that came true, over how many weeks.

    Chosen for being high they promise too much: on made rooms 5 to 9 points, where all starts together came
    true within 3. shift: to be added to a promise, at most 0; low, high: 95 % interval of the shift, or None;
    least: lower end of the share that came true (Jeffreys).
    """

    came_true: float
    shift: float
    low: float | None
    high: float | None
    least: float
    weeks: int

    def moved(self, promise: float) -> tuple[float, float | None, float | None]:
        """A promise as the choices so far bear it out, with its interval."""
        value = min(max(promise + self.shift, 0.0), 1.0)
        if self.low is None or self.high is None:
            return value, None, None
        low, high = (min(max(promise + end, 0.0), 1.0) for end in (self.low, self.high))
        return value, min(low, value, self.least), max(high, value)


def choices_so_far(past: PastForecasts, allowed: Bool) -> Choices:
    """The highest promises of each of the last weeks among the starts that are allowed, shape (168,)."""
    from scipy.stats import beta, t

    p, good, sure = (x[-JUDGED_WEEKS:] for x in (past.mixed, past.good, past.sure))
    apart, came = list[float](), list[float]()
    for promise, outcome, shown in zip(p, good, sure, strict=True):
        highest = np.argsort(-np.where(allowed, promise, -1.0), kind="stable")[:HIGHEST]
        highest = highest[shown[highest] & allowed[highest]]
        if len(highest):
            apart.append(float((outcome[highest] - promise[highest]).mean()))
            came.append(float(outcome[highest].mean()))
    n, k = len(apart), float(np.sum(came))
    if n < 4:
        return Choices(k / n if n else float("nan"), 0.0, None, None, 0.0, n)
    mean, half = float(np.mean(apart)), float(t.ppf(0.975, n - 1) * np.std(apart, ddof=1) / n**0.5)
    least, shift = float(beta.ppf(0.025, k + 0.5, n - k + 0.5)), min(mean * n / (n + SHRUNK), 0.0)
    return Choices(k / n, shift, mean - half, mean + half, least, n)


@dataclass(frozen=True)
class _Slot:
    """A job, where it is laid in (None: nowhere), and the promises for its starts, shape (168,).

    choices: what became of such choices. map_only: why the promises are those of the map; why_not: why these
    are no good either.
    """

    job: Job
    start: int | None
    promise: Float
    reliability: Reliability
    choices: Choices
    map_only: str
    why_not: str = ""


def slot_plan(
    stable: Bool, shown: Bool, jobs: Sequence[Job], first_day: int = 0, use: Bool | None = None
) -> Answer:
    """Starts in the week to come for each job; longest jobs first, none over another.

    stable, known: hours, shape (weeks, 168), of past weeks that began on weekday `first_day` (0: Monday) at
    00:00, columns in order from that day on; the week to come begins right behind the last of them.
    use: hours of use of the week, Monday first, shape (168,).
    """
    seen = np.flatnonzero(shown.any(axis=1))
    weeks = len(shown) - int(seen[0]) if len(seen) else 0
    if weeks < LEAST_WEEKS:
        why = f"{number_of(weeks, 'week')} with verdicts."
        figure = absent("best start", "%", why, f"Record {LEAST_WEEKS} weeks or more.", METHOD)
        return Answer("plan", f"Not shown: {why}", (figure,))
    stable, shown = stable[-weeks:], shown[-weeks:]
    taken = np.zeros(HOURS, np.bool_)
    slots = []
    for job in sorted(jobs, key=lambda item: -item.hours):
        slot = _lay_in(job, _forecasts(stable, shown, job.hours, first_day), taken, first_day, use)
        if slot.start is not None:
            taken[(slot.start + np.arange(job.hours)) % HOURS] = True
        slots.append(slot)
    slots.sort(key=lambda slot: [job.name for job in jobs].index(slot.job.name))
    return _answer(slots, weeks, first_day, use)


def _forecasts(stable: Bool, shown: Bool, hours: int, first_day: int) -> PastForecasts:
    good, sure = (np.roll(x, 24 * first_day, axis=1) for x in outcomes(stable, shown, hours))
    return foretell(good, sure, first_day)


def _lay_in(job: Job, past: PastForecasts, taken: Bool, first_day: int, use: Bool | None) -> _Slot:
    proof, why_not = reliability(past), ""
    refusal = proof.refusal
    if refusal:  # the map takes its place, with how its own promises came true
        past = replace(past, mixed=past.map)
        proof = reliability(past)
        if proof.miscalibration > WORST_MAP:
            why_not = (
                f"{refusal}, and the map of past weeks was off by {100 * proof.miscalibration:.0f} points."
            )
    promise = past.map_ahead if refusal else past.ahead
    order = (np.arange(HOURS) + 24 * first_day) % HOURS  # the first of equals comes first
    free = [start for start in order if _fits(int(start), job.hours, taken, first_day, use)]
    best = None if why_not else max(free, key=lambda start: float(promise[start]), default=None)
    empty = np.zeros(HOURS, np.bool_)
    allowed = np.array([_fits(start, job.hours, empty, first_day, use) for start in range(HOURS)])
    choices = choices_so_far(past, allowed)
    return _Slot(job, None if best is None else int(best), promise, proof, choices, refusal, why_not)


def _fits(start: int, hours: int, taken: Bool, first_day: int, use: Bool | None) -> bool:
    since = (start - 24 * first_day) % HOURS
    cells = (start + np.arange(hours)) % HOURS
    inside = since + hours <= HOURS and not taken[cells].any()
    return bool(inside and (use is None or use[cells].all()))


def reliability(past: PastForecasts, weeks: int = JUDGED_WEEKS) -> Reliability:
    """How forecasts of the last weeks came true, by classes of promises; weeks are drawn for the interval."""
    p, chart, good, sure = (x[-weeks:] for x in (past.mixed, past.map, past.good, past.sure))
    number = np.clip(np.digitize(p, CLASSES[1:-1]), 0, len(CLASSES) - 2)
    n, kinds = len(p), len(CLASSES) - 1
    counts, promises, trues = (np.zeros((n, kinds)) for _ in range(3))
    for kind in range(kinds):
        here = sure & (number == kind)
        counts[:, kind] = here.sum(axis=1)
        promises[:, kind] = np.where(here, p, 0).sum(axis=1)
        trues[:, kind] = (here & good).sum(axis=1)
    total = counts.sum(axis=0)
    promised, share = (_divided(x.sum(axis=0), total) for x in (promises, trues))
    drawn = np.random.default_rng(1).integers(0, n, (DRAWS, n))
    shares = _divided(trues[drawn].sum(axis=1), counts[drawn].sum(axis=1))
    low, high = _quantiles(shares, 0.025), _quantiles(shares, 0.975)
    off = np.nansum(total * np.abs(promised - share)) / max(float(total.sum()), 1.0)
    brier, plain = (float((((x - good) ** 2) * sure).sum()) for x in (p, chart))
    skill = 1 - brier / plain if plain > 0 else 0.0
    return Reliability(promised, share, low, high, total, float(off), skill, n)


def _divided(a: Float, b: Float) -> Float:
    return np.where(b > 0, a / np.maximum(b, 1e-12), np.nan)


def _quantiles(shares: Float, q: float) -> Float:
    filled = [column[np.isfinite(column)] for column in shares.T]
    return np.array([np.quantile(column, q) if len(column) else np.nan for column in filled])


def _answer(slots: Sequence[_Slot], weeks: int, first_day: int, use: Bool | None) -> Answer:
    figures = [_figure(slot, weeks) for slot in slots]
    remarks = [f"{weeks} weeks of verdicts; the week to come begins on {start_name(24 * first_day)[:3]}."]
    silent = [slot for slot in slots if slot.map_only and not slot.why_not]
    if silent:
        names = " and ".join(slot.job.name for slot in silent)
        remarks.append(f"For {names} the map of past weeks is given, since {silent[0].map_only}.")
    if use is not None:
        remarks.append("Jobs are planned within the hours of use.")
    first = slots[0]
    tables: dict[str, dict[str, list[object]]] = {
        "starts": _starts(slots, first_day, use),
        "reliability": _reliability_table(first.reliability),
        "jobs": {
            "job": [slot.job.name for slot in slots],
            "hours": [slot.job.hours for slot in slots],
            "start": [None if slot.start is None else start_name(slot.start) for slot in slots],
            "hour of week": [None if s.start is None else (s.start - 24 * first_day) % HOURS for s in slots],
            "promise": [_promised(slot) for slot in slots],
        },
    }
    if not first.why_not:
        tables["week"] = _week(slots, first_day, use)
    return Answer("plan", _headline(slots), tuple(figures), tuple(remarks), tables)


def _promised(slot: _Slot) -> float | None:
    return None if slot.start is None else _percent(slot.choices.moved(float(slot.promise[slot.start]))[0])


def _percent(p: float) -> float:
    return round(100 * float(p), 1)


def _figure(slot: _Slot, weeks: int) -> Figure:
    name = f"{slot.job.name}, {slot.job.hours} h"
    if slot.why_not:
        needed = "The room changes its ways: plan by its last days, and record 8 weeks more."
        return absent(name, "%", slot.why_not, needed, METHOD)
    if slot.start is None:
        why = "no stretch of that length is left within the hours of use."
        return absent(name, "%", why, "Plan a shorter job, or fewer of them.", METHOD)
    value, low, high = (
        None if x is None else _percent(x) for x in slot.choices.moved(float(slot.promise[slot.start]))
    )
    why = "" if low is not None else NONE_YET
    name = f"{name}: {start_name(slot.start)}"
    return Figure(name, value, "%", low, high, weeks, METHOD, no_interval=why)


def _headline(slots: Sequence[_Slot]) -> str:
    best = next((slot for slot in slots if slot.start is not None), None)
    unsure = next((slot for slot in slots if slot.why_not), None)
    if best is None and unsure is not None:
        return f"{unsure.job.name}: not shown, since {unsure.why_not}"
    if best is None:
        return "No job fits into the hours of use of the week to come."
    assert best.start is not None  # noqa: S101 (chosen so)
    text = f"{best.job.name}: {start_name(best.start)}, {_promised(best):.0f} %"
    text += " (by the map of past weeks; the forecast is not shown)" if best.map_only else ""
    share, weeks = best.choices.came_true, best.choices.weeks
    if not np.isfinite(share):
        return f"{text}."
    return f"{text}; the best starts of the last {weeks} weeks were right {100 * share:.0f} of 100 times."


def _starts(slots: Sequence[_Slot], first_day: int, use: Bool | None) -> dict[str, list[object]]:
    """The ten best starts of each job."""
    free = np.zeros(HOURS, np.bool_)
    table: dict[str, list[object]] = {"job": [], "start": [], "promise": []}
    for slot in (slot for slot in slots if not slot.why_not):
        starts = [s for s in range(HOURS) if _fits(s, slot.job.hours, free, first_day, use)]
        for start in sorted(starts, key=lambda s: -float(slot.promise[s]))[:LISTED]:
            table["job"].append(slot.job.name)
            table["start"].append(start_name(start))
            table["promise"].append(_percent(slot.choices.moved(float(slot.promise[start]))[0]))
    return table


def _week(slots: Sequence[_Slot], first_day: int, use: Bool | None) -> dict[str, list[object]]:
    """Promise of each start hour for the first job, in order from the first day of the week to come."""
    order = [int(start) for start in (np.arange(HOURS) + 24 * first_day) % HOURS]
    return {
        "start": [start_name(start) for start in order],
        "promise": [_percent(slots[0].promise[start]) for start in order],
        "in use": [True if use is None else bool(use[start]) for start in order],
    }


def _reliability_table(proof: Reliability) -> dict[str, list[object]]:
    def column(values: Float) -> list[object]:
        return [_percent(v) if np.isfinite(v) else None for v in values]

    return {
        "promised": column(proof.promised),
        "came true": column(proof.came_true),
        "low": column(proof.low),
        "high": column(proof.high),
        "starts": [int(c) for c in proof.count],
        "miscalibration": [_percent(proof.miscalibration)] * len(proof.count),
        "skill": [round(proof.skill, 3)] * len(proof.count),
    }
