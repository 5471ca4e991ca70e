"""What to mend first: the variation of a channel by cause, each with its interval, and on a length in µm.

Fitted on even and on odd weeks apart; products of the two fits are free of the noise's own variance, which
a single fit takes for an effect. Intervals are a jackknife over pairs of weeks. Shares after Lindeman,
Merenda & Gold (1980) are not used: with doors and people at the same hours they credited people who did
nothing with 0.085 K.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from ...model.figures import number_of, unit_name
from ...series import Bool, Float, Int
from .channel_record import DAY_S, ChannelRecord
from .figure import Answer, Figure, absent, percent

CELL_S = 300
LEAST_WEEKS = 8
RARE = 0.01
LITTLE = 0.01  # of one door that has faded over 12 min: 55 min after it
ALIKE = 0.95  # canonical correlation from which two causes cannot be told apart
MOST_REST = 0.9
OUTDOOR_LAGS_H = (0.0, 1.0, 6.0, 24.0)  # 0: at once; without it a fast part reads 1 % small
PEOPLE_LAGS_H = (0.5, 2.0)
# A leak decays: fading sums of doors follow any such course, where counts in steps of 0, 5, 10, 20, 40 and 80
# min read doors whose effect fades in 5 to 40 min 4 to 9 % small.
DOOR_FADINGS_S = (240.0, 720.0, 2160.0, 6480.0)
# The jackknife alone held a planted outdoor share in 35 of 40 made rooms, the others in 39.
WIDER = 1.2
IN_WORDS = {"day and week": "what follows the day and the week (set-back, working hours, sun)"}
METHOD = (
    "regression on even and odd weeks apart, products of both; jackknife over pairs of weeks, "
    f"widened by {WIDER:g}"
)


@dataclass(frozen=True)
class CauseInputs:
    """What may be a cause: outdoors, people present, instants of doors (UTC s), amplitude of the cycle.

    A cause that was not recorded falls into day and week, or into the rest.
    """

    outdoors: ChannelRecord | None = None
    people: ChannelRecord | None = None
    doors_s: Sequence[float] = ()
    cycle_amplitude: float = 0.0
    u_cycle: float = 0.0


@dataclass(frozen=True)
class _Weeks:
    """Normal equations week by week: (weeks, k, k), (weeks, k), sums of squares (weeks,);
    and of the whole: covariance and variance.
    """

    normal: Float
    right: Float
    square: Float
    covariance: Float
    variance: float
    number: Int


@dataclass
class _Columns:
    """Regressors of one group each: name -> columns (n, m)."""

    groups: dict[str, Float] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)


def causes(
    record: ChannelRecord, inputs: CauseInputs, um_per_K: float | None = None, length: str = "the length"
) -> Answer:
    """The variation by cause, in K and on a length in µm, largest first, with what is shared and the rest.

    length: what um_per_K is the expansion of, in words.
    """
    step_s = max(CELL_S, record.step_s)
    x = record.coarser(step_s) if record.step_s < step_s else record
    unit, weeks = record.difference_unit, _whole_weeks(x)
    if len(weeks) < LEAST_WEEKS:
        why, needed = f"{number_of(len(weeks), 'week')} recorded.", f"Record {LEAST_WEEKS} weeks or more."
        return Answer("causes", f"Not shown: {why}", (absent("largest cause", unit, why, needed, METHOD),))
    columns = _columns(x, inputs)
    groups = _merged(columns, x)
    names, design, place = list(groups), np.hstack(list(groups.values())), _places(groups)
    sums = _sums(x, design, weeks)
    account = _account(sums, place)
    parts = [_without(sums, pair) for pair in _pairs(len(weeks))]
    deviations = np.stack([_account(part, place) for part in parts])
    left_over = np.array([_left_over(part, place) for part in parts])
    question = inputs, unit, um_per_K, length
    return _answer(names, (account, deviations, left_over), sums, question, columns.remarks)


def _whole_weeks(x: ChannelRecord) -> Int:
    """Numbers of the weeks from the first cell on that are half full or more."""
    good = np.isfinite(x.value)
    number = np.arange(len(x)) * x.step_s // (7 * DAY_S)
    full = np.bincount(number[good], minlength=int(number.max(initial=0)) + 1) * x.step_s / (7 * DAY_S)
    return np.flatnonzero(full >= 0.5)


def _columns(x: ChannelRecord, inputs: CauseInputs) -> _Columns:
    columns = _Columns({"day and week": _calendar(x)})
    if inputs.outdoors is not None:
        columns.groups["outdoors"] = _lagged(x, inputs.outdoors, OUTDOOR_LAGS_H)
    else:
        columns.remarks.append("Outdoors was not recorded: its share is in day and week, or in the rest.")
    if inputs.people is not None:
        if float(np.nanmean(inputs.people.value > 0)) < RARE:
            columns.remarks.append("People were present in less than 1 % of the time: not shown.")
        else:
            columns.groups["people"] = _lagged(x, inputs.people, PEOPLE_LAGS_H)
    if len(inputs.doors_s):
        doors = _door_sums(x, np.asarray(inputs.doors_s, np.float64))
        if float((doors[:, 1] > LITTLE).mean()) < RARE:
            columns.remarks.append("Doors were open in less than 1 % of the time: not shown.")
        else:
            columns.groups["doors"] = doors
    return columns


def _calendar(x: ChannelRecord) -> Float:
    """Three harmonics of the day, others at the weekend, and the level of each weekday."""
    local = x.local_s
    angle = 2 * np.pi * (local % DAY_S) / DAY_S
    day = np.stack([f(k * angle) for k in (1, 2, 3) for f in (np.cos, np.sin)], axis=1)
    weekday = (local // DAY_S + 3) % 7
    weekend = (weekday >= 5).astype(np.float64)[:, None]
    levels = (weekday[:, None] == np.arange(1, 7)).astype(np.float64)
    return np.hstack((day, weekend * day, levels))


def _on_cells(x: ChannelRecord, other: ChannelRecord) -> Float:
    """Another record at the cells of x; NaN where it has none."""
    coarse = other.coarser(x.step_s) if other.step_s < x.step_s else other
    at = (x.at_s - coarse.start_s) // coarse.step_s
    inside = (at >= 0) & (at < len(coarse))
    value = np.full(len(x), np.nan)
    value[inside] = coarse.value[at[inside]]
    return value


def _lagged(x: ChannelRecord, cause: ChannelRecord, lags_h: Sequence[float]) -> Float:
    """A cause behind first-order lags; short gaps are bridged, long ones stay NaN."""
    from scipy.signal import lfilter

    value = _on_cells(x, cause)
    good = np.isfinite(value)
    filled = np.interp(np.arange(len(value)), np.flatnonzero(good), value[good])
    away = _far_from(good, max(1, int(3 * 3600 / x.step_s)))
    rows = []
    for lag_h in lags_h:
        share = 1 - np.exp(-x.step_s / 3600 / lag_h) if lag_h else 1.0
        lagged = lfilter([share], [1, share - 1], filled, zi=[(1 - share) * filled[0]])[0]
        rows.append(np.where(away, np.nan, lagged))
    return np.stack(rows, axis=1)


def _far_from(good: Bool, most: int) -> Bool:
    """Cells inside gaps longer than `most`."""
    edges = np.diff(np.concatenate(([0], (~good).astype(np.int8), [0])))
    far = np.zeros(len(good), np.bool_)
    for begin, end in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        far[begin:end] = end - begin > most
    return far


def _door_sums(x: ChannelRecord, doors: Float) -> Float:
    """Means over each cell of Σ exp(−(t − door)/θ) over the doors before t, for each θ: shape (n, θ)."""
    from scipy.signal import lfilter

    place = (doors - x.start_s) / x.step_s
    place = place[(place >= 0) & (place < len(x))]
    cell = place.astype(np.int64)
    left_s = (cell + 1 - place) * x.step_s  # from the door to the end of its cell
    columns = []
    for fading_s in DOOR_FADINGS_S:
        over_cell = fading_s / x.step_s
        faded = np.exp(-left_s / fading_s)
        at_end = lfilter([1.0], [1.0, -np.exp(-x.step_s / fading_s)], np.bincount(cell, faded, len(x)))
        before = np.concatenate(([0.0], at_end[:-1]))
        own = np.bincount(cell, over_cell * (1 - faded), len(x))
        columns.append(own + before * over_cell * (1 - np.exp(-x.step_s / fading_s)))
    return np.stack(columns, axis=1)


def _merged(columns: _Columns, x: ChannelRecord) -> dict[str, Float]:
    """Groups of causes; two that move together are one, and the answer says so."""
    groups = dict(columns.groups)
    thin = slice(None, None, max(1, int(1800 / x.step_s)))  # half-hours tell what moves together as well
    groups_thin = {name: columns[thin] for name, columns in groups.items()}
    good = np.isfinite(x.value[thin]) & np.isfinite(np.hstack(list(groups_thin.values()))).all(axis=1)
    names = list(groups)
    for i, name in enumerate(names):
        for other in names[i + 1 :]:
            if (
                name in groups
                and other in groups
                and _canonical(groups_thin[name][good], groups_thin[other][good]) > ALIKE
            ):
                groups[f"{name} or {other}"] = np.hstack((groups.pop(name), groups.pop(other)))
                columns.remarks.append(f"{name.capitalize()} and {other} move together and are shown as one.")
                return groups
    return groups


def _canonical(a: Float, b: Float) -> float:
    """Largest canonical correlation of two groups of columns (n, p) and (n, q)."""
    from scipy.linalg import cholesky, solve_triangular

    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    halves = []
    for columns in (a, b):
        gram = columns.T @ columns
        halves.append(cholesky(gram + 1e-12 * np.trace(gram) * np.eye(len(gram)), lower=True))
    across = solve_triangular(halves[0], a.T @ b, lower=True)
    return float(np.linalg.svd(solve_triangular(halves[1], across.T, lower=True), compute_uv=False)[0])


def _places(groups: Mapping[str, Float]) -> list[slice]:
    ends = np.cumsum([0, *(g.shape[1] for g in groups.values())])
    return [slice(int(a), int(b)) for a, b in pairwise(ends)]


def _sums(x: ChannelRecord, design: Float, weeks: Int) -> _Weeks:
    good = np.isfinite(x.value) & np.isfinite(design).all(axis=1)
    number = np.arange(len(x)) * x.step_s // (7 * DAY_S)
    centre = design[good].mean(axis=0)
    normal, right, square = [], [], []
    for week in weeks:
        here = good & (number == week)
        # The level of each half of the weeks is free: an intercept stands in front.
        rows = np.column_stack((np.ones(int(here.sum())), design[here] - centre))
        normal.append(rows.T @ rows)
        value = x.value[here] - 20.0
        right.append(rows.T @ value)
        square.append(value @ value)
    used = good & np.isin(number, weeks)
    covariance = np.atleast_2d(np.cov(design[used].T))
    variance = float(x.value[used].var())
    return _Weeks(np.array(normal), np.array(right), np.array(square), covariance, variance, weeks)


def _without(sums: _Weeks, pair: Int) -> _Weeks:
    keep = np.setdiff1d(np.arange(len(sums.normal)), pair)
    normal, right, square = (part[keep] for part in (sums.normal, sums.right, sums.square))
    return _Weeks(normal, right, square, sums.covariance, sums.variance, sums.number[keep])


def _left_over(sums: _Weeks, place: list[slice]) -> float:
    """Variance that no cause explains, the cycle included, of these weeks alone."""
    normal, right = sums.normal.sum(axis=0), sums.right.sum(axis=0)
    n, mean = normal[0, 0], normal[0, 1:] / normal[0, 0]
    covariance = normal[1:, 1:] / n - np.outer(mean, mean)
    own = replace(sums, covariance=covariance)
    return float(sums.square.sum() / n - (right[0] / n) ** 2 - _account(own, place).sum())


def _pairs(n: int) -> list[Int]:
    """Places of weeks in pairs; a last single one goes with the pair before it."""
    return [np.arange(2 * i, 2 * i + 2 if 2 * i + 4 <= n else n) for i in range(n // 2)]


def _account(sums: _Weeks, place: list[slice]) -> Float:
    """C_gh (groups, groups) = ½(β_A,g S_gh β_B,h + β_B,g S_gh β_A,h) from even (A) and odd (B) weeks."""
    betas = []
    for half in (0, 1):
        mine = np.arange(len(sums.number)) % 2 == half
        normal, right = sums.normal[mine].sum(axis=0), sums.right[mine].sum(axis=0)
        ridge = 1e-9 * np.trace(normal) / len(normal) * np.eye(len(normal))
        betas.append(np.linalg.solve(normal + ridge, right)[1:])
    a, b = betas
    account = np.empty((len(place), len(place)))
    for g, here in enumerate(place):
        for h, there in enumerate(place):
            s = sums.covariance[here, there]
            account[g, h] = 0.5 * (a[here] @ s @ b[there] + b[here] @ s @ a[there])
    return account


@dataclass(frozen=True)
class _Cause:
    """One cause: its standard deviation in the unit of differences, with its interval; `shown`: beyond 0."""

    name: str
    size: float
    low: float
    high: float
    shown: bool


def _by_cause(names: list[str], account: Float, deviations: Float) -> list[_Cause]:
    """Causes with intervals, largest first: of the variance by the jackknife, then its root."""
    from scipy.stats import t

    from .disturbance import jackknife

    g = len(deviations)
    half = WIDER * float(t.ppf(0.975, g - 1)) * jackknife(deviations)
    items = []
    for i, name in enumerate(names):
        c, d = float(account[i, i]), float(half[i, i])
        low, high = (float(np.sqrt(max(v, 0.0))) for v in (c - d, c + d))
        items.append(_Cause(name, float(np.sqrt(max(c, 0.0))), low, high, c - d > 0))
    return sorted(items, key=lambda item: -item.size)


def _answer(
    names: list[str],
    accounts: tuple[Float, Float, Float],
    sums: _Weeks,
    question: tuple[CauseInputs, str, float | None, str],
    remarks: list[str],
) -> Answer:
    account, deviations, left_over = accounts
    inputs, unit, um_per_K, length = question
    items = _by_cause(names, account, deviations)
    cycle = inputs.cycle_amplitude**2 / 2
    shared = float(account.sum() - np.trace(account))
    rest = sums.variance - float(account.sum()) - cycle
    figures = [_figure(item, unit, float(len(deviations))) for item in items]
    if cycle:
        method = "amplitude of the cycles, overtones included, over √2"
        figures.append(Figure("cycle", cycle**0.5, unit, *_cycle_ends(inputs), method=method))
    figures.append(_rest_figure(rest, left_over, inputs, unit))
    figures.append(Figure("whole variation", sums.variance**0.5, unit, method="standard deviation"))
    lines = [*remarks]
    if abs(shared) > 0.05 * sums.variance:
        lines.append(
            f"Causes share {percent(shared / sums.variance)} of the variance, which belongs to none alone."
        )
    headline = _headline(items, sums, (rest, cycle), (unit, um_per_K, length))
    return Answer(
        "causes", headline, tuple(figures), tuple(lines), _table(items, sums, (rest, inputs), um_per_K)
    )


def _rest_figure(rest: float, left_over: Float, inputs: CauseInputs, unit: str) -> Figure:
    """What no cause explains: its variance by the jackknife, with that of the cycle, then its root."""
    from scipy.stats import t

    from .disturbance import jackknife

    g = len(left_over)
    own = WIDER * float(t.ppf(0.975, g - 1)) * float(jackknife(left_over))
    half = float(np.hypot(own, 2 * inputs.cycle_amplitude * inputs.u_cycle))
    value, low, high = (max(v, 0.0) ** 0.5 for v in (rest, rest - half, rest + half))
    method = f"variance that no cause explains; jackknife over pairs of weeks, widened by {WIDER:g}"
    return Figure("rest", value, unit, low, high, float(g), method)


def _cycle_ends(inputs: CauseInputs) -> tuple[float, float]:
    """95 % interval of the standard deviation of the cycle."""
    low, high = (inputs.cycle_amplitude + sign * 2 * inputs.u_cycle for sign in (-1, 1))
    return max(low, 0.0) / 2**0.5, high / 2**0.5


def _figure(item: _Cause, unit: str, n: float) -> Figure:
    if item.shown:
        return Figure(item.name, item.size, unit, item.low, item.high, n, METHOD)
    why = f"{item.size:.3f} {unit_name(unit)}, between 0 and {item.high:.3f}: not distinguished from 0."
    return Figure(item.name, item.size, unit, 0.0, item.high, n, METHOD, shown=False, why_not=why)


def _headline(
    items: list[_Cause], sums: _Weeks, rest: tuple[float, float], units: tuple[str, float | None, str]
) -> str:
    unit, um_per_K, length = units
    name = unit_name(unit)
    shown = [item for item in items if item.shown]
    cycle = rest[1] ** 0.5
    if rest[0] > MOST_REST * sums.variance or (not shown and not cycle):
        return "The causes that are recorded do not explain this room."
    first, size = ("the air-handling cycle", cycle) if not shown or cycle > shown[0].size else (
        shown[0].name, shown[0].size
    )  # fmt: skip
    left = max(sums.variance - size**2, 0.0) ** 0.5
    um = "" if um_per_K is None else f", {size * um_per_K:.1f} µm on {length}"
    whole = sums.variance**0.5
    return (
        f"Start with {IN_WORDS.get(first, first)}: without it, {whole:.2f} {name} would become {left:.2f} "
        f"{name}. It costs {size:.2f} {name}{um}."
    )


def _table(
    items: list[_Cause], sums: _Weeks, others: tuple[float, CauseInputs], um_per_K: float | None
) -> dict[str, dict[str, list[object]]]:
    """Steps down: each cause, and what is left when it and those above are mended, in quadrature."""
    rows = [(item.name, item.size, item.low, item.high, item.shown) for item in items]
    rest, inputs = others
    if inputs.cycle_amplitude:
        rows.append(("cycle", inputs.cycle_amplitude / 2**0.5, *_cycle_ends(inputs), True))
    rows.sort(key=lambda row: (not row[4], -row[1]))
    left, remaining = list[float](), sums.variance
    for row in rows:
        remaining = max(remaining - row[1] ** 2, 0.0) if row[4] else remaining
        left.append(remaining**0.5)
    factor = um_per_K or 0.0
    table: dict[str, list[object]] = {
        "cause": [row[0] for row in rows],
        "size": [row[1] for row in rows],
        "low": [row[2] for row in rows],
        "high": [row[3] for row in rows],
        "shown": [row[4] for row in rows],
        "left": list(left),
        "um": [row[1] * factor if um_per_K is not None else None for row in rows],
    }
    whole: dict[str, list[object]] = {
        "whole": [sums.variance**0.5],
        "rest": [max(rest, 0.0) ** 0.5],
        "um_per_K": [um_per_K],
    }
    return {"causes": table, "whole": whole}
