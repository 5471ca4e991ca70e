"""Ready on Monday: how long a zone takes to be ready after a set-back, from the returns in the record.

    ln R = a + b·ln(D/band) + c·outdoors + e,    bound = exp(prediction + t_p(n − k)·s·√(1 + xᵀ(XᵀX)⁻¹x))

D: departure of the air when the air handling returns. A prediction outside what was seen is refused: without
that, bounds of 90 % held in 62 to 75 of 100 winters only.

Of the logarithm, since long returns differ by more than short ones: on made rooms of air and walls, the plant
near its power, twice as many got a bound as by R itself, and 0.90 to 0.91 of these held.

A bound that 9 of 10 keep lies 1.3 standard deviations of a return above the mean, whatever the method: where
returns scatter by 3 h, it is 4 h too early on average. One that would be more than 1.5 h early is not shown.
Of those that were shown 0.82 to 0.90 held on made returns with 12 or more of them; with 8, where only a small
scatter by chance lets a bound pass, 0.72: hence the 12.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...model.figures import number_of
from ...series import Float
from .figure import Answer, Figure, absent

LEAST_RETURNS = 8
LEAST_BOUND = 12  # returns, for the time that 9 of 10 keep
MOST_EARLY_H = 1.5
BEYOND = 0.1
PROMISED = 0.9
NEWEST = 8
HUBER = 1.345  # scales: 95 % efficient where all is normal (Huber 1981, from memory)
LEAST_SCALE = 1e-3
LIMITED = 0.925  # √E[max(z, −HUBER)²] of a normal z, integrated
DEGREES_EACH = 0.7  # of a return: 600 made records of 8 to 40 returns scattered like 0.66 to 0.86
TURNS = 30
A_BOUND = "it is a bound, which 9 of 10 further returns keep."
METHOD = "Huber's M-estimate of ln hours on ln departure and outdoors; bound for one further return"
LEAST_H = 0.1  # shorter returns count as so long


@dataclass(frozen=True)
class Return:
    """One return: departure in K and outdoors in °C at its start, hours until ready;
    None: never before the next.
    """

    at_s: int
    departure: float
    outdoors: float | None
    hours: float | None


@dataclass(frozen=True)
class Coming:
    """The return that is asked about: expected departure in K, outdoors in °C (or None)."""

    departure: float
    outdoors: float | None


def set_back_return(returns: Sequence[Return], coming: Coming, band: float) -> Answer:
    """Hours until ready for a coming return: expected, and the bound that 9 of 10 keep;
    band: half width in K.
    """
    refusal = _refusal(returns, coming)
    tables = {"returns": _table(returns)}
    if refusal is not None:
        figure = absent("ready after, 9 of 10", "h", *refusal, METHOD)
        return Answer("return", f"Not shown: {refusal[0]}", (figure,), (), tables)
    complete = [r for r in returns if r.hours is not None]
    weather = coming.outdoors is not None and all(r.outdoors is not None for r in complete)
    design = np.array([_row(r.departure, r.outdoors if weather else None, band) for r in complete])
    hours = np.array([r.hours for r in complete], np.float64)
    x = np.array(_row(coming.departure, coming.outdoors if weather else None, band))
    fit = _fit(design, hours)
    expected, bound = _predict(fit, len(complete), x)
    scatter = _scatter(fit, design)
    early = _early_figure(fit, len(complete), x, bound)
    last = _bound_figure(bound, early.value or 0.0, scatter.value or 0.0, len(complete))
    if not last.shown:
        early = absent(early.name, "h", "no time that 9 of 10 keep is shown.", method=METHOD)
    figures = (_further(fit, len(complete), x), last, early, scatter)
    remarks = [] if weather else ["Without outdoors: a colder spell than those recorded would take longer."]
    remarks.append(_left_out_in_turn(design, hours))
    headline = f"Start {bound:.1f} h before work to be ready in 9 of 10; with {expected:.1f} h, in 1 of 2."
    if not last.shown:
        why = last.why_not.removesuffix(".")
        headline = (
            f"Half of the returns are ready after {expected:.1f} h; when 9 of 10 are is not shown: {why}."
        )
    return Answer("return", headline, figures, tuple(remarks), tables)


def _bound_figure(bound: float, early: float, sd: float, n: int) -> Figure:
    """The time that 9 of 10 keep; not shown with few returns, or where it would be early by far."""
    name = "ready after, 9 of 10"
    if n < LEAST_BOUND:
        why, needed = f"{number_of(n, 'return')} recorded.", f"Record {LEAST_BOUND} returns or more."
        return Figure(name, bound, "h", None, None, n, METHOD, shown=False, why_not=why, needed=needed)
    if early <= MOST_EARLY_H:
        return Figure(name, bound, "h", n_independent=n, method=METHOD, no_interval=A_BOUND)
    why = (
        f"returns scatter by {sd:.1f} h, so that a start {bound:.1f} h before work would be {early:.1f} h "
        f"early on average; {MOST_EARLY_H:g} h is the most."
    )
    needed = f"Find what makes them differ (set-back, heating, doors), then record {LEAST_BOUND} more."
    return Figure(name, bound, "h", None, None, n, METHOD, shown=False, why_not=why, needed=needed)


def _early_figure(fit: _Fit, n: int, x: Float, bound: float) -> Figure:
    """How early a start in time for 9 of 10 is on average: the bound less the mean of such returns."""
    from scipy.stats import t

    sd, degrees = fit.sd / LIMITED, DEGREES_EACH * (n - len(x))
    # Of a logarithm that is normal the mean lies above the middle; both, and the scatter, are estimates.
    mean = float(x @ fit.beta) + sd**2 / 2
    u = sd * (float(x @ fit.inverse @ x) + sd**2 / (2 * degrees)) ** 0.5
    half = float(t.ppf(0.975, degrees)) * u
    value, low, high = (bound - float(np.exp(mean + more)) for more in (0.0, half, -half))
    method = f"{METHOD}; interval: that of the mean of such returns"
    return Figure("early on average by it", value, "h", low, high, float(n), method)


def _scatter(fit: _Fit, design: Float) -> Figure:
    """Standard deviation in h of a return of usual length; its interval is that of chi-square."""
    from scipy.stats import chi2

    (n, k), usual = design.shape, float(np.exp((design @ fit.beta).mean()))
    sd, degrees = usual * fit.sd / LIMITED, DEGREES_EACH * (n - k)
    low, high = (sd * float(degrees / chi2.ppf(p, degrees)) ** 0.5 for p in (0.975, 0.025))
    method = f"{METHOD}; chi-square, {degrees:.0f} degrees of freedom"
    return Figure("scatter of a return", sd, "h", low, high, float(n), method)


def _further(fit: _Fit, n: int, x: Float) -> Figure:
    """Hours expected, with the interval of one further return."""
    expected, high = _predict(fit, n, x, 0.975)
    return Figure("ready after, expected", expected, "h", expected**2 / high, high, float(n), METHOD)


def _left_out_in_turn(design: Float, hours: Float) -> str:
    """How the bound did on the returns of the record, each foretold from the others."""
    ready, early = 0, 0.0
    for i in range(len(hours)):
        others = np.arange(len(hours)) != i
        bound = _predict(_fit(design[others], hours[others]), len(hours) - 1, design[i])[1]
        ready += bool(bound >= hours[i])
        early += bound - float(hours[i])
    n = len(hours)
    word = f"{early / n:.1f} h early" if early >= 0 else f"{-early / n:.1f} h late"
    return f"Each of the {n} returns foretold from the others: {ready} ready by that time, on average {word}."


def _row(departure: float, outdoors: float | None, band: float) -> list[float]:
    row = [1.0, float(np.log(max(departure, 1e-6) / band))]
    return row if outdoors is None else [*row, outdoors]


@dataclass(frozen=True)
class _Fit:
    """Coefficients of ln hours (k,), standard deviation of a return, and (XᵀWX)⁻¹ (k, k)."""

    beta: Float
    sd: float
    inverse: Float


def _fit(design: Float, hours: Float) -> _Fit:
    """Huber's M-estimate: one return that was ready far earlier bends neither the line nor the bound."""
    y, (n, k) = np.log(np.maximum(hours, LEAST_H)), design.shape
    weight, beta, scale = np.ones(n), np.zeros(k), 0.0
    for _ in range(TURNS):
        root = np.sqrt(weight)
        beta = np.asarray(np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0], np.float64)
        rest = y - design @ beta
        # The median of what is left where k of n residuals may be 0, over that of a normal distribution.
        scale = max(1.4826 * float(np.sort(np.abs(rest))[(n + k) // 2 - 1 + (n + k) % 2]), LEAST_SCALE)
        before, weight = weight, np.minimum(1.0, HUBER * scale / np.maximum(np.abs(rest), 1e-12))
        if np.abs(weight - before).max() < 1e-5:
            break
    late = np.maximum(y - design @ beta, -HUBER * scale)
    sd = float(np.sqrt(late @ late / (n - k)))
    return _Fit(beta, sd, np.asarray(np.linalg.pinv(design.T @ (design * weight[:, None]))))


def _predict(fit: _Fit, n: int, x: Float, share: float = PROMISED) -> tuple[float, float]:
    """Hours by which half are ready, and by which that share of further returns is."""
    from scipy.stats import t

    wide = fit.sd * (1 + float(x @ fit.inverse @ x)) ** 0.5
    expected = float(x @ fit.beta)
    bound = expected + float(t.ppf(share, n - len(x))) * wide
    return float(np.exp(expected)), float(np.exp(bound))


def _refusal(returns: Sequence[Return], coming: Coming) -> tuple[str, str] | None:
    complete = [r for r in returns if r.hours is not None]
    if len(complete) < LEAST_RETURNS:
        return f"{number_of(len(complete), 'return')} recorded.", f"Record {LEAST_RETURNS} returns or more."
    newest = sorted(returns, key=lambda r: r.at_s)[-NEWEST:]
    late = [r for r in newest if r.hours is None]
    if late:
        return (
            f"the plant did not get there in {len(late)} of the last {len(newest)}.",
            "Begin the return earlier, or repair the plant, then record 8 more.",
        )
    return _beyond("departure", coming.departure, [r.departure for r in complete], "K") or (
        None
        if coming.outdoors is None
        else _beyond(
            "outdoors", coming.outdoors, [r.outdoors for r in complete if r.outdoors is not None], "°C"
        )
    )


def _beyond(name: str, value: float, seen: list[float], unit: str) -> tuple[str, str] | None:
    """A prediction more than 10 % of the range outside what was seen is refused."""
    if not seen:
        return None
    low, high = min(seen), max(seen)
    room = BEYOND * (high - low)
    if low - room <= value <= high + room:
        return None
    side = "below" if value < low else "above"
    return (
        f"{name} {value:.1f} {unit} lies {side} every return in the record ({low:.1f} to {high:.1f} {unit}).",
        "Record returns from such a start.",
    )


def _table(returns: Sequence[Return]) -> dict[str, list[object]]:
    return {
        "utc_s": [r.at_s for r in returns],
        "departure": [r.departure for r in returns],
        "outdoors": [r.outdoors for r in returns],
        "hours": [r.hours for r in returns],
    }
