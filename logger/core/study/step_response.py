"""How fast it follows: time constants of a room, a probe or a machine from steps in the record.

    y = start until d; then end + size·g(t − d),  g = exp(−t/τ)  or  (τ₁e^(−t/τ₁) − τ₂e^(−t/τ₂))/(τ₁ − τ₂)

ln τ and d by variable projection (Golub & Pereyra 1973), levels and size linear; a second exponential where
BIC falls by more than 10; intervals from the error model of `noise.py` on the Jacobian.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...model.figures import number_of
from ...series import Bool, Float
from .channel_record import DAY_S, ChannelRecord, subtract_course
from .figure import Answer, Figure, absent, percent
from .noise import in_blocks, regress

BIN_S = 900  # of the course of the day
SIDE_S = 20 * 60  # means of so long are compared to find a step
FOUND = 8.0  # robust standard deviations
BEFORE_S = 3600  # record before a step that is fitted along
LONGEST_S = 60 * 3600
LEAST_TAUS = 3.0
LEAST_R2 = 0.97
HOPEFUL_R2 = 0.8
MOST_TRIALS = 40  # of one fit; on what is no step it goes on for hundreds
LEAST_SIZE = 10.0  # noises
LEAST_SAID_S = 360.0  # a guess in hours below it says nothing
WIDEST = 0.25  # half-width of τ
MOST_FITTED = (
    100  # of the steps that the record shows, the largest: doors of a year are a thousand small ones
)
WITHOUT_START = (
    "it counts from the start of the step as marked or seen in the record, and how exact that is, is not "
    "known."
)
METHOD = "variable projection; white noise and a memory on the Jacobian, averaged"


@dataclass(frozen=True)
class StepFit:
    """One step: start (UTC s), dead time and time constants in s, size, standard uncertainty of ln τ.

    taus: how many τ were recorded; r2: of the cells; degrees: of the interval; noise: of the cells;
    second_s: a second, shorter time constant, or None; why_not: why it does not count, empty where it does.
    u_size, u_ln_second: standard uncertainties of the size and of the logarithm of second_s.
    """

    at_s: float
    dead_s: float
    tau_s: float
    u_ln: float
    degrees: float
    size: float
    start: float
    taus: float
    r2: float
    noise: float
    second_s: float | None
    why_not: str
    needed: str
    u_size: float = float("nan")
    u_ln_second: float = float("nan")

    @property
    def ready_s(self) -> float:
        """Seconds from the start of the step to 95 % of it."""
        logs = np.log([self.tau_s] if self.second_s is None else [self.tau_s, self.second_s])
        since = np.geomspace(0.5, 12, 400) * self.tau_s
        left = response(since, 0.0, logs)
        return self.dead_s + float(np.interp(-0.05, -left, since))


def find_steps(record: ChannelRecord) -> list[tuple[float, float]]:
    """Starts (UTC s) and sizes: where the mean of the next 20 min departs from that of the last 20."""
    side = max(2, int(SIDE_S // record.step_s))
    flat = _without_day(record)
    value = flat.value
    good = np.isfinite(value)
    total = np.concatenate(([0.0], np.cumsum(np.where(good, value, 0.0))))
    count = np.concatenate(([0], np.cumsum(good)))
    n = len(value)
    change = np.full(n, np.nan)
    middle = np.arange(side, n - side)
    whole = (count[middle + side] - count[middle - side]) == 2 * side
    after = (total[middle + side] - total[middle]) / side
    before = (total[middle] - total[middle - side]) / side
    change[middle] = np.where(whole, after - before, np.nan)
    seen = np.isfinite(change)
    if seen.sum() < 100:
        return []
    scale = 1.4826 * float(np.median(np.abs(change[seen] - np.median(change[seen]))))
    high = np.where(seen, np.abs(change), 0.0) > FOUND * max(scale, 1e-9)
    starts = []
    for begin, end in _stretches(high, 2 * side):
        peak = begin + int(np.nanargmax(np.abs(change[begin:end])))
        starts.append((_start_of(record, value, peak, side), abs(float(change[peak]))))
    return starts


def _without_day(record: ChannelRecord) -> ChannelRecord:
    """The record without its usual course of the day:
    the median of the days, which steps on a few do not bend.
    """
    if record.span_s < 5 * DAY_S:
        return record
    day = record.local_s // DAY_S
    day, bins = day - day.min(), record.local_s % DAY_S // BIN_S
    count = np.zeros((int(day.max()) + 1, DAY_S // BIN_S))
    total = np.zeros_like(count)
    good = np.isfinite(record.value)
    np.add.at(count, (day[good], bins[good]), 1.0)
    np.add.at(total, (day[good], bins[good]), record.value[good])
    means = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    whole = means[(count > 0).mean(axis=1) > 0.9]
    if len(whole) < 5:
        return record
    away = np.nan_to_num(whole - np.nanmedian(whole, axis=1, keepdims=True))
    return subtract_course(record, np.median(away, axis=0), BIN_S)


def _stretches(high: Bool, join: int) -> list[tuple[int, int]]:
    places = np.flatnonzero(high)
    if not len(places):
        return []
    parts = np.split(places, np.flatnonzero(np.diff(places) > join) + 1)
    return [(int(part[0]), int(part[-1]) + 1) for part in parts]


def _start_of(record: ChannelRecord, value: Float, peak: int, side: int) -> float:
    """First quarter of an hour around the peak in which 90 % of cells are > 4 s off the hour before."""
    quarter, hour = max(1, int(900 // record.step_s)), max(4, int(3600 // record.step_s))
    for begin in range(max(hour, peak - side), peak + side):
        before, here = value[begin - hour : begin], value[begin : begin + quarter]
        if not np.isfinite(before).any() or not np.isfinite(here).any():
            continue
        spread = max(float(np.nanstd(before)), record.resolution / 3.5, 1e-6)
        if np.nanmean(np.abs(here - np.nanmean(before)) > 4 * spread) >= 0.9:
            return float(record.start_s + begin * record.step_s)
    return float(record.start_s + peak * record.step_s)


def step_test(record: ChannelRecord, steps_s: Sequence[float] = ()) -> Answer:
    """Time constant from the steps at these instants (UTC s), or from those that the record shows."""
    marked = len(steps_s) > 0
    seen = [(start, np.inf) for start in sorted(steps_s)] if marked else find_steps(record)
    starts = [start for start, _ in seen]
    if not starts:
        figure = absent(
            "time constant", "h", "no clear step in the data.",
            "Mark one: switch the air handling off and on, and log 3 time constants after it.", METHOD,
        )  # fmt: skip
        return Answer("step", "Not shown: no clear step in the data.", (figure,))
    flat = _without_day(record)
    fits, least = list[StepFit](), sorted((size for _, size in seen), reverse=True)[:MOST_FITTED][-1]
    for number, (start, size) in enumerate(seen):
        following = starts[number + 1] if number + 1 < len(starts) else np.inf
        if size >= least:
            fits.append(fit_step(flat, start, min(following - 600, start + LONGEST_S)))
    answer = _answer(flat, fits, record.difference_unit)
    if len(fits) < len(starts):
        remark = f"Of {len(starts)} steps in the record the {len(fits)} largest were looked at."
        return replace(answer, remarks=(remark, *answer.remarks))
    return answer


def fit_step(record: ChannelRecord, start_s: float, end_s: float) -> StepFit:
    """One step from an hour before its start up to `end_s`."""
    first, last = (
        int(np.clip((at_s - record.start_s) // record.step_s + more, 0, len(record)))
        for at_s, more in ((start_s - BEFORE_S, -1), (min(end_s, start_s + LONGEST_S), 2))
    )
    value = record.value[first:last]
    at: Float = (
        record.start_s + (first + np.arange(len(value), dtype=np.float64) + 0.5) * record.step_s - start_s
    )
    here = (at >= -BEFORE_S) & (at < end_s - start_s) & np.isfinite(value)
    t, y = at[here], value[here]
    if (t < 0).sum() < 8 or (t > 0).sum() < 12:
        return _refused(start_s, "too few readings around the step.", "Log every 60 s from 1 h before it.")
    t, y = in_blocks(t, y)
    return _fit(t, y, start_s)


def _refused(start_s: float, why: str, needed: str) -> StepFit:
    nan = float("nan")
    return StepFit(start_s, nan, nan, nan, 3.0, nan, nan, 0.0, nan, nan, None, why, needed)


def response(t: Float, dead_s: float, ln_taus: Float) -> Float:
    """g(t − d): 1 at the step, falling to 0; 0 before it. One or two time constants."""
    since = np.maximum(t - dead_s, 0.0)
    taus = np.exp(ln_taus)
    g = np.exp(-since / taus[0])
    if len(taus) == 2 and abs(taus[0] - taus[1]) > 1e-6 * taus[0]:
        g = (taus[0] * g - taus[1] * np.exp(-since / taus[1])) / (taus[0] - taus[1])
    return np.asarray(np.where(t < dead_s, 1.0, g))


def _levels(t: Float, y: Float, parameters: Float) -> tuple[Float, Float]:
    """End and size, linear, for a dead time and ln τ; and the residuals."""
    design = np.column_stack((np.ones(len(t)), response(t, parameters[0], parameters[1:])))
    levels = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], np.float64)
    return levels, y - design @ levels


def _solve(t: Float, y: Float, first: Float) -> tuple[Float, Float, float]:
    from scipy.optimize import least_squares

    longest = np.log(10 * t[-1])
    low = [-900.0, *[np.log(20.0)] * (len(first) - 1)]
    high = [min(1800.0, t[-1] / 3), *[longest] * (len(first) - 1)]
    start = np.clip(first, np.array(low) + 1e-6, np.array(high) - 1e-6)
    scale = np.array([300.0, *[1.0] * (len(first) - 1)])
    solved = least_squares(
        lambda p: _levels(t, y, p)[1], start, bounds=(low, high), x_scale=scale, max_nfev=MOST_TRIALS
    )
    levels, rest = _levels(t, y, solved.x)
    return solved.x, levels, float(rest @ rest)


def _fit(t: Float, y: Float, start_s: float) -> StepFit:
    n = len(t)
    tries = [_solve(t, y, np.array([0.0, np.log(tau)])) for tau in (t[-1] / 8, t[-1] / 3, t[-1])]
    parameters, levels, square = min(tries, key=lambda item: item[2])
    tau = float(np.exp(parameters[1]))
    # What one exponential leaves mostly unexplained is no step, and a second one makes none of it.
    if square < (1 - HOPEFUL_R2) * float(((y - y.mean()) ** 2).sum()):
        twice = [_solve(t, y, np.array([0.0, parameters[1], np.log(tau * share)])) for share in (0.1, 0.4)]
        second = min(twice, key=lambda item: item[2])
        # Of two models the one with the second exponential must win by more than 10 in BIC.
        if n * np.log(second[2] / square) + np.log(n) < -10:
            parameters, levels, square = second
    order = np.argsort(-parameters[1:])
    parameters = np.concatenate((parameters[:1], parameters[1:][order]))
    return _judged(t, y, (parameters, levels, square), start_s)


def _judged(t: Float, y: Float, fit: tuple[Float, Float, float], start_s: float) -> StepFit:
    parameters, levels, square = fit
    rest = y - levels[0] - levels[1] * response(t, parameters[0], parameters[1:])
    jacobian = _jacobian(t, parameters, levels)
    try:
        model = regress(jacobian, rest, t)
    except ValueError:
        return _refused(start_s, "the record does not determine the step.", "Log 3 time constants after it.")
    u = np.sqrt(np.diag(model.covariance))
    taus_s = [
        float(np.exp(at + (more if abs(more) < 0.5 else 0.0)))
        for at, more in zip(parameters[1:], model.beta[1:], strict=False)
    ]
    tau, u_ln, second = taus_s[0], float(u[1]), taus_s[1] if len(taus_s) == 2 else None
    noise = float(np.sqrt(square / max(1, len(t) - 4)))
    r2 = 1 - square / float(((y - y.mean()) ** 2).sum())
    taus, size = float((t[-1] - parameters[0]) / tau), -float(levels[1] + model.beta[-1])
    why, needed = _why_not((tau, u_ln, taus), (size, noise, r2))
    start = float(levels[0] + levels[1])
    return StepFit(
        start_s,
        float(parameters[0]),
        tau,
        u_ln,
        model.degrees,
        size,
        start,
        taus,
        r2,
        noise,
        second,
        why,
        needed,
        float(u[-1]),
        float(u[2]) if second is not None else float("nan"),
    )


def _jacobian(t: Float, parameters: Float, levels: Float) -> Float:
    """Derivatives of the fitted curve by d, ln τ (each), end and size, shape (n, k)."""
    columns = []
    for place in range(len(parameters)):
        step = 5.0 if place == 0 else 1e-4
        ends = []
        for sign in (-1, 1):
            moved = parameters.copy()
            moved[place] += sign * step
            ends.append(levels[1] * response(t, moved[0], moved[1:]))
        columns.append((ends[1] - ends[0]) / (2 * step))
    columns += [np.ones(len(t)), response(t, parameters[0], parameters[1:])]
    return np.column_stack(columns)


def _why_not(times: tuple[float, float, float], size: tuple[float, float, float]) -> tuple[str, str]:
    tau, u_ln, taus = times
    step, noise, r2 = size
    if taus < LEAST_TAUS:
        more = (LEAST_TAUS - taus) * tau / 3600
        return f"{taus:.1f} time constants recorded.", f"Log {more:.1f} h longer after such a step."
    if abs(step) < LEAST_SIZE * noise:
        return "the step is smaller than 10 times the noise.", "Make a larger step."
    if r2 < LEAST_R2:
        return (
            f"the curve explains {percent(r2)} of the cells; 97 % are needed.",
            "Make a larger or a cleaner step.",
        )
    if 2 * u_ln > WIDEST:
        why = f"the time constant is known to ±{percent(2 * u_ln)} only."
        if 2 * u_ln > 1:
            why = "the record leaves the time constant open."
        return why, "Log longer, or make a larger step."
    return "", ""


def _answer(record: ChannelRecord, fits: list[StepFit], unit: str) -> Answer:
    good = [fit for fit in fits if not fit.why_not]
    tables = {"steps": _table(fits)}
    if not good:
        worst = max(fits, key=lambda fit: fit.taus)
        figure = absent("time constant", "h", worst.why_not, worst.needed, METHOD)
        # A slow drift fits many hours as well: a guess is given only where it is one within a factor of 2.
        near = 2 * worst.u_ln < np.log(2) and worst.tau_s >= LEAST_SAID_S
        seen = f" (about {worst.tau_s / 3600:.1f} h)" if near else ""
        return Answer("step", f"Not shown{seen}: {worst.why_not}", (figure,), (), tables)
    figures = _figures(good, unit)
    remarks = [f"{len(good)} of {number_of(len(fits), 'step')} fitted."]
    tables["fit"] = _curve(record, max(good, key=lambda f: abs(f.size)))
    tau, ready = figures[0], figures[1]
    size = f"{tau.value:.2f} h ({tau.low:.2f} to {tau.high:.2f})"
    headline = f"Follows in {size}; 95 % of a step after {ready.value:.1f} h."
    return Answer("step", headline, tuple(figures), tuple(remarks), tables)


def _figures(good: list[StepFit], unit: str) -> list[Figure]:
    """Time constants of all steps together, when 95 % of a step are over, and the largest step."""
    from scipy.stats import t

    n, largest = float(len(good)), max(good, key=lambda fit: abs(fit.size))
    tau, low, high = (s / 3600 for s in _together([(f.tau_s, f.u_ln, f.degrees) for f in good]))
    figures = [Figure("time constant", tau, "h", low, high, n, METHOD)]
    ready, dead = (
        float(np.median([f.ready_s for f in good])) / 3600,
        float(np.median([f.dead_s for f in good])),
    )
    method = "time constants and dead time of the fit; interval: that of the time constant"
    first, last = (ready * end / tau for end in (low, high))
    figures.append(Figure("95 % of a step after", ready, "h", first, last, n, method))
    why = WITHOUT_START
    figures.append(Figure("dead time", dead / 60, "min", n_independent=n, method=METHOD, no_interval=why))
    seconds = [(f.second_s, f.u_ln_second, f.degrees) for f in good if f.second_s is not None]
    if seconds:
        value, low, high = (s / 60 for s in _together(seconds))
        figures.append(Figure("second time constant", value, "min", low, high, float(len(seconds)), METHOD))
    half = float(t.ppf(0.975, largest.degrees)) * largest.u_size
    size = largest.size
    figures.append(Figure("size of the largest step", size, unit, size - half, size + half, 1.0, METHOD))
    return figures


def _together(items: Sequence[tuple[float, float, float]]) -> tuple[float, float, float]:
    """Weighted mean of times (s, standard uncertainty of the logarithm, degrees), with its 95 % interval."""
    from scipy.stats import t

    logs, n = np.log([item[0] for item in items]), len(items)
    u = np.array([max(item[1], 1e-4) for item in items])
    weight = 1 / u**2
    mean = float((weight * logs).sum() / weight.sum())
    # Steps that differ by more than their own uncertainties widen the interval of the mean.
    own = float(weight.sum() ** -0.5)
    between = float(np.sqrt((weight * (logs - mean) ** 2).sum() / max(1, n - 1) / weight.sum()))
    degrees = min(item[2] for item in items) + (n - 1 if n > 1 else 0)
    half = float(t.ppf(0.975, degrees)) * max(own, between if n > 1 else 0.0)
    return float(np.exp(mean)), float(np.exp(mean - half)), float(np.exp(mean + half))


def _table(fits: list[StepFit]) -> dict[str, list[object]]:
    def plain(value: float | None) -> float | None:
        return None if value is None or not np.isfinite(value) else float(value)

    return {
        "utc_s": [int(fit.at_s) for fit in fits],
        "size": [plain(fit.size) for fit in fits],
        "tau_h": [plain(fit.tau_s / 3600) for fit in fits],
        "dead_min": [plain(fit.dead_s / 60) for fit in fits],
        "second_min": [plain(None if fit.second_s is None else fit.second_s / 60) for fit in fits],
        "recorded_tau": [plain(fit.taus) for fit in fits],
        "r2": [plain(fit.r2) for fit in fits],
        "why not": [fit.why_not for fit in fits],
    }


def _curve(record: ChannelRecord, fit: StepFit) -> dict[str, list[object]]:
    """The step with its fit, in hours since the start, at most 240 points."""
    at = record.at_s + record.step_s / 2 - fit.at_s
    here = (at >= -BEFORE_S) & (at < min(6 * fit.tau_s, LONGEST_S)) & np.isfinite(record.value)
    t, y = in_blocks(at[here].astype(np.float64), record.value[here])
    logs = np.log([fit.tau_s] if fit.second_s is None else [fit.tau_s, fit.second_s])
    curve = fit.start + fit.size * (1 - response(t, fit.dead_s, logs))
    return {"hour": (t / 3600).tolist(), "value": y.tolist(), "fit": curve.tolist()}
