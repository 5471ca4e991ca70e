"""What to mend first: the variation of a channel by cause, each with its interval, and on a length in µm.

Fitted on even and on odd weeks apart; products of the two fits are free of the noise's own variance, which
a single fit takes for an effect. Intervals are a jackknife over pairs of weeks. Shares after Lindeman,
Merenda & Gold (1980) are not used: with doors and people at the same hours they credited people who did
nothing with 0.085 K.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from ...model.figures import number_of, unit_name
from ...series import Bool, Float, Int
from .cause_account import WIDER, Account, Cycle, account_of, ends, weekly_sums
from .channel_record import DAY_S, ChannelRecord
from .figure import Answer, Figure, absent, percent

CELL_S = 300
LEAST_WEEKS = 8
RARE = 0.01
LITTLE = 0.01  # of one door that has faded over 12 min: 55 min after it
ALIKE = 0.95  # canonical correlation from which two causes cannot be told apart
MOST_REST = 0.9
LITTLE_LESS = 0.97  # of the whole, above which fixing the first cause changes nothing
OUTDOOR_LAGS_H = (0.0, 1.0, 6.0, 24.0)  # 0: at once; without it a fast part reads 1 % small
PEOPLE_LAGS_H = (0.5, 2.0)
# A leak decays: fading sums of doors follow any such course, where counts in steps of 0, 5, 10, 20, 40 and 80
# min read doors whose effect fades in 5 to 40 min 4 to 9 % small.
DOOR_FADINGS_S = (240.0, 720.0, 2160.0, 6480.0)
IN_WORDS = {"day and week": "what follows the day and the week (set-back, working hours, sun)"}
METHOD = (
    "regression on even and odd weeks apart, products of both; jackknife over pairs of weeks, "
    f"widened by {WIDER:g}"
)


@dataclass(frozen=True)
class CauseInputs:
    """What may be a cause: outdoors, people present, instants of doors (UTC s), amplitude of the cycle.

    A cause that was not recorded falls into day and week, or into the rest. u_cycle: standard uncertainty of
    the amplitude; cycle_seen: share of its variance that means over 5 min show.
    """

    outdoors: ChannelRecord | None = None
    people: ChannelRecord | None = None
    doors_s: Sequence[float] = ()
    cycle_amplitude: float = 0.0
    u_cycle: float = 0.0
    cycle_seen: float = 1.0


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
    a, u = inputs.cycle_amplitude, inputs.u_cycle
    cycle = Cycle(a**2 / 2, 2 * a * u, inputs.cycle_seen)
    account = account_of(weekly_sums(x, design, weeks), place, cycle)
    return _answer(names, account, (inputs, unit, um_per_K, length), columns.remarks)


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


@dataclass(frozen=True)
class _Cause:
    """One cause: standard deviation in the unit of differences, with its interval; `shown`: beyond 0.

    place: among the groups of the account; None: the cycle.
    """

    name: str
    size: float
    low: float
    high: float
    shown: bool
    place: int | None


@dataclass(frozen=True)
class _Left:
    """A cause, and the standard deviation that remains when it and those before it are gone."""

    cause: _Cause
    value: float
    low: float
    high: float


def _by_cause(names: list[str], account: Account) -> list[_Cause]:
    """Causes with intervals, largest first: of the variance by the jackknife, then its root."""
    items = []
    for i, name in enumerate(names):
        c, half = float(account.groups[i, i]), account.half_width(account.parts[:, i, i])
        low, high = (v**0.5 for v in ends(c, half))
        items.append(_Cause(name, max(c, 0.0) ** 0.5, low, high, c - half > 0, i))
    return sorted(items, key=lambda item: -item.size)


def _steps_down(items: Sequence[_Cause], account: Account) -> list[_Left]:
    """The causes that are shown, at each step the one whose end leaves least."""
    steps, gone, cycle_gone = list[_Left](), set[int](), False
    todo = [item for item in items if item.shown]
    while todo:
        left = [
            account.remaining(
                gone if item.place is None else {*gone, item.place},
                cycle_gone=cycle_gone or item.place is None,
            )
            for item in todo
        ]
        best = min(range(len(todo)), key=lambda i: left[i][0])
        item = todo.pop(best)
        steps.append(_Left(item, *(v**0.5 for v in left[best])))
        if item.place is None:
            cycle_gone = True
        else:
            gone.add(item.place)
    return steps


def _answer(
    names: list[str],
    account: Account,
    question: tuple[CauseInputs, str, float | None, str],
    remarks: list[str],
) -> Answer:
    inputs, unit, um_per_K, length = question
    n = float(account.pairs)
    items = _by_cause(names, account)
    figures = [_figure(item, unit, n) for item in items]
    if inputs.cycle_amplitude:
        low, high = (v / 2**0.5 for v in _cycle_ends(inputs))
        cycle = _Cause("cycle", inputs.cycle_amplitude / 2**0.5, low, high, True, None)
        method = "amplitude of the cycles, overtones included, over √2; ± 2 u of the amplitude"
        figures.append(Figure("cycle", cycle.size, unit, low, high, method=method))
        items = sorted((*items, cycle), key=lambda item: -item.size)
    steps = _steps_down(items, account)
    figures += _totals(account, unit)
    if steps:
        figures += _first_figures(steps[0], unit, n, (um_per_K, length))
    answer_remarks = [*remarks, *_shared(account), *_against(steps, account)]
    headline = _headline(steps, account, (unit, um_per_K, length))
    tables = _tables(items, steps, account, um_per_K)
    return Answer("causes", headline, tuple(figures), tuple(answer_remarks), tables)


def _totals(account: Account, unit: str) -> list[Figure]:
    """The rest and the whole: variance with its interval, then the root."""
    by_pairs, n = f"jackknife over pairs of weeks, widened by {WIDER:g}", float(account.pairs)
    everything = range(len(account.groups))
    rest = [v**0.5 for v in account.remaining(everything, cycle_gone=True)]
    whole = account.whole, *ends(account.whole, account.half_width(account.wholes))
    value, low, high = (v**0.5 for v in whole)
    return [
        Figure("rest", *_valued(rest, unit), n, f"variance that no cause explains; {by_pairs}"),
        Figure("whole variation", value, unit, low, high, n, f"standard deviation; {by_pairs}"),
    ]


def _valued(value: Sequence[float], unit: str) -> tuple[float, str, float, float]:
    return value[0], unit, value[1], value[2]


def _first_figures(first: _Left, unit: str, n: float, length: tuple[float | None, str]) -> list[Figure]:
    """What is left without the first cause, and what it costs on the length."""
    name, item = first.cause.name, first.cause
    method = "variance without the cause and what it shares; jackknife over pairs of weeks"
    figures = [
        Figure(f"left without {name}", *_valued((first.value, first.low, first.high), unit), n, method)
    ]
    um, words = length
    if um is not None:
        sizes = item.size * um, item.low * um, item.high * um
        name = f"{name} on {words}"
        figures.append(Figure(name, *_valued(sizes, "µm"), n, "standard deviation times α·L"))
    return figures


def _shared(account: Account) -> list[str]:
    share = float(account.groups.sum() - np.trace(account.groups)) / account.whole
    if abs(share) <= 0.05:
        return []
    if share > 0:
        return [f"Causes share {percent(share)} of the variance, which belongs to none alone."]
    return [f"Causes work against each other: apart they would make {percent(-share)} more variance."]


def _against(steps: Sequence[_Left], account: Account) -> list[str]:
    """A sentence for each cause whose end leaves more than before."""
    lines, before = [], account.whole**0.5
    for step in steps:
        if step.value > before * 1.005:
            name = IN_WORDS.get(step.cause.name, step.cause.name)
            lines.append(f"Fixing {name} leaves more than before: it works against another cause.")
        before = step.value
    return lines


def _cycle_ends(inputs: CauseInputs) -> tuple[float, float]:
    """95 % interval of the amplitude of the cycle."""
    low, high = (inputs.cycle_amplitude + sign * 2 * inputs.u_cycle for sign in (-1, 1))
    return max(low, 0.0), high


def _figure(item: _Cause, unit: str, n: float) -> Figure:
    if item.shown:
        return Figure(item.name, item.size, unit, item.low, item.high, n, METHOD)
    why = f"{item.size:.3f} {unit_name(unit)}, between 0 and {item.high:.3f}: not distinguished from 0."
    return Figure(item.name, item.size, unit, 0.0, item.high, n, METHOD, shown=False, why_not=why)


def _headline(steps: Sequence[_Left], account: Account, units: tuple[str, float | None, str]) -> str:
    unit, um_per_K, length = units
    name = unit_name(unit)
    if not steps or account.rest > MOST_REST * account.whole:
        return "The causes that are recorded do not explain this room."
    if steps[0].value > LITTLE_LESS * account.whole**0.5 and len(steps) > 1:
        return _together(steps, account.whole**0.5, name)
    first, size = steps[0].cause.name, steps[0].cause.size
    words = "the air-handling cycle" if first == "cycle" else IN_WORDS.get(first, first)
    um = "" if um_per_K is None else f", {size * um_per_K:.1f} µm on {length}"
    return (
        f"Start with {words}: without it, {account.whole**0.5:.2f} {name} would become {steps[0].value:.2f} "
        f"{name}. It costs {size:.2f} {name}{um}."
    )


def _together(steps: Sequence[_Left], whole: float, unit: str) -> str:
    """Causes that hide each other: what fixing one leaves, and what fixing all that it takes leaves."""
    n = next((n for n, step in enumerate(steps, 1) if step.value <= LITTLE_LESS * whole), len(steps))
    words = [IN_WORDS.get(step.cause.name, step.cause.name) for step in steps[:n]]
    names = ", ".join(words[:-1]) + f" and {words[-1]}"
    return (
        f"Fix {names} together, since they work against each other: {whole:.2f} {unit} would become "
        f"{steps[n - 1].value:.2f} {unit}; one of them alone leaves {steps[0].value:.2f} {unit} or more."
    )


def _tables(
    items: Sequence[_Cause], steps: Sequence[_Left], account: Account, um_per_K: float | None
) -> dict[str, dict[str, list[object]]]:
    """Steps down, then what is not shown; the whole, and the rest with its interval."""
    rows = [*(step.cause for step in steps), *(item for item in items if not item.shown)]
    unknown: list[object] = [None] * (len(rows) - len(steps))
    table: dict[str, list[object]] = {
        "cause": [row.name for row in rows],
        "size": [row.size for row in rows],
        "low": [row.low for row in rows],
        "high": [row.high for row in rows],
        "shown": [row.shown for row in rows],
        "left": [*(step.value for step in steps), *unknown],
        "left low": [*(step.low for step in steps), *unknown],
        "left high": [*(step.high for step in steps), *unknown],
        "um": [row.size * um_per_K if um_per_K is not None else None for row in rows],
    }
    rest, whole = _totals(account, "K")
    ends_of_whole: dict[str, list[object]] = {
        "whole": [whole.value], "whole low": [whole.low], "whole high": [whole.high],
        "rest": [rest.value], "rest low": [rest.low], "rest high": [rest.high],
        "um_per_K": [um_per_K],
    }  # fmt: skip
    return {"causes": table, "whole": ends_of_whole}
