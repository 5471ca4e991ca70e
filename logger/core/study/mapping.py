"""Where it is too warm: positions of a mapping campaign against each other, by what side by side can tell.

    d_i = (b_i + a_i)/2          correction of each probe from side by side before and after
    u_rel² = (u_b² + u_a²)/4 + u_drift² + resolution²/12,    u_drift = √(mean (a_i − b_i)²)/√12
    D_i = mean of (y_i − mean of all y),  y_i = x_i − d_i

*In this campaign*: u_rel alone, for what was, was. *As a rule*: the scatter of the state in time on top.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...model.figures import number_of, unit_name
from ...series import Bool, Float, Int
from .channel_record import ChannelRecord
from .figure import Answer, Figure, absent, percent
from .noise import in_blocks, regress
from .uniformity import Instants, at_instants, probe_noise, worst_span

FEWEST = 9  # positions for a statement on the volume (common practice of chamber guides, no source)
LEAST_RULE_S = 24 * 3600
LEAST_SHARE = 0.9
LEAST_READ = 0.5  # of the time of the position read longest
CLOSURE_K = 0.02
DRIFT_K = 0.01  # taken for the drift where nothing was compared afterwards
DRAWS = 4000
SURE = 0.9
MOST_BEYOND = 0.05  # of the time
BLOCK_S = 600
LEAST_BLOCKS = 6  # of a comparison side by side: an hour
WITHOUT_NOISE = "only a comparison side by side shows the noise of the probes."
METHOD = "mean against the mean of all positions, corrected side by side"


@dataclass(frozen=True)
class Campaign:
    """Records of one channel a position over the state, and side by side before and after (or None).

    places: x, y, z in m; lower, upper: limits of the air temperature, or None; U: of each probe (k = 2).
    """

    state: Mapping[str, ChannelRecord]
    places: Mapping[str, tuple[float, float, float]]
    before: Mapping[str, ChannelRecord] | None = None
    after: Mapping[str, ChannelRecord] | None = None
    limits: tuple[float, float] | None = None
    U: Mapping[str, float] | None = None


@dataclass(frozen=True)
class _Comparison:
    """Side by side: each probe against the mean of all, and its standard uncertainty, shape (positions,).

    at_s (n,), x (positions, n): the readings that were compared.
    """

    mean: Float
    u: Float
    at_s: Int
    x: Float


@dataclass(frozen=True)
class _Doubts:
    """Relative standard uncertainty of each position, probes that were knocked, noise of a 5 min mean."""

    u: Float
    knocked: dict[str, str]
    noise: float | None


def mapping(campaign: Campaign) -> Answer:
    """Deviation of each position, uniformity at one instant, stability, warmest and coldest position."""
    unit = next(iter(campaign.state.values())).difference_unit
    names, failed = _without_failed(campaign)
    at_s, x = _common({name: campaign.state[name] for name in names})
    whole = np.asarray(np.isfinite(x).all(axis=0))
    if len(names) < 2 or whole.sum() < 10:
        why = f"{number_of(len(names), 'position')} read together in {number_of(int(whole.sum()), 'cell')}."
        figure = absent("uniformity", unit, why, "Place 9 probes or more and log them together.", METHOD)
        return Answer("map", f"Not shown: {why}", (figure,))
    compared = tuple(_side_by_side(together, names) for together in (campaign.before, campaign.after))
    correction, u_rel, notes, knocked = _corrections(campaign, names, compared)
    y = x[:, whole] - correction[:, None]
    noise = probe_noise([(item.at_s, item.x) for item in compared if item is not None])
    doubts = _Doubts(u_rel, knocked, noise)
    return _answer(campaign, (names, at_s[whole], y), doubts, [*failed, *_share(whole), *notes])


def _without_failed(campaign: Campaign) -> tuple[list[str], list[str]]:
    """Positions whose probe was read for at least half of the time, and a sentence for each that was not."""
    read = {name: int(np.isfinite(r.value).sum()) * r.step_s for name, r in campaign.state.items()}
    longest = max(read.values())
    working = [name for name, seconds in read.items() if seconds >= LEAST_READ * longest and seconds]
    sentences = [
        f"{name} was read in {percent(seconds / max(longest, 1))} of the time of the others and is left out."
        for name, seconds in read.items()
        if name not in working
    ]
    return working, sentences


def _share(whole: Bool) -> list[str]:
    share = float(whole.mean())
    low = "" if share >= LEAST_SHARE else " (90 % are expected)"
    return [f"Every position was read in {percent(share)} of the time{low}."]


def _common(records: Mapping[str, ChannelRecord]) -> tuple[Int, Float]:
    """UTC seconds (n,) and values (positions, n) of the cells that all records have."""
    step_s = max(r.step_s for r in records.values())
    rows = [r.coarser(step_s) if r.step_s < step_s else r for r in records.values()]
    start = max(r.start_s for r in rows)
    end = min(r.start_s + len(r) * step_s for r in rows)
    n = max(0, (end - start) // step_s)
    values = np.stack([r.value[(start - r.start_s) // step_s :][:n] for r in rows])
    return start + np.arange(n, dtype=np.int64) * step_s, values


def _side_by_side(records: Mapping[str, ChannelRecord] | None, names: list[str]) -> _Comparison | None:
    if records is None:
        return None
    at_s, x = _common({name: records[name] for name in names})
    good = np.isfinite(x).all(axis=0)
    at_s, x = at_s[good], x[:, good]
    blocks = np.unique(at_s // BLOCK_S)
    if len(blocks) < LEAST_BLOCKS:
        return None
    away = x - x.mean(axis=0)
    means = np.stack([away[:, at_s // BLOCK_S == b].mean(axis=1) for b in blocks], axis=1)
    u = means.std(axis=1, ddof=1) / len(blocks) ** 0.5
    return _Comparison(away.mean(axis=1), np.asarray(u), at_s, x)


def _corrections(
    campaign: Campaign, names: list[str], compared: tuple[_Comparison | None, ...]
) -> tuple[Float, Float, list[str], dict[str, str]]:
    """Correction and relative standard uncertainty (positions,), remarks, and probes that were knocked."""
    before, after = compared
    resolution = np.array([campaign.state[name].resolution for name in names])
    fixed = resolution**2 / 12
    if before is None and after is None:
        U = np.array([(campaign.U or {}).get(name, 0.1) for name in names])
        return np.zeros(len(names)), np.sqrt(fixed + (U / 2) ** 2), [_not_compared(campaign)], {}
    if before is None or after is None:
        closure_at = before if before is not None else after
        assert closure_at is not None  # noqa: S101 (one of both is there)
        u = np.sqrt(fixed + closure_at.u**2 + DRIFT_K**2)
        when = "before" if before is not None else "after"
        return (
            closure_at.mean,
            u,
            [f"Compared {when} only: closure unknown, drift taken as {DRIFT_K:g} K."],
            {},
        )
    # Against the median: one probe that was knocked moves the mean of all, and no other one is to blame.
    closure = after.mean - before.mean
    closure = closure - np.median(closure)
    bound = np.maximum(2 * np.sqrt(before.u**2 + after.u**2), CLOSURE_K)
    within = closure[np.abs(closure) <= bound]
    drift = float(np.sqrt((within**2).mean()) / 12**0.5) if len(within) else float(np.abs(closure).max())
    u = np.sqrt((before.u**2 + after.u**2) / 4 + drift**2 + fixed)
    knocked = {
        name: f"drifted or was knocked by {closure[i]:+.3f} K between the comparisons.".replace("-", "−")
        for i, name in enumerate(names)
        if abs(closure[i]) > bound[i]
    }
    most = float(np.abs(within if len(within) else closure).max())
    notes = [f"Closure: at most {most:.3f} K between the comparisons{', others aside' if knocked else ''}."]
    return (before.mean + after.mean) / 2, u, notes, knocked


def _not_compared(campaign: Campaign) -> str:
    short = campaign.before is not None or campaign.after is not None
    why = f" for {LEAST_BLOCKS * BLOCK_S // 60} min or more" if short else ""
    return (
        f"Not compared side by side{why}: positions differ by what their certificates allow, and the noise "
        "of the probes is in the uniformity."
    )


def _answer(
    campaign: Campaign, data: tuple[list[str], Int, Float], doubts: _Doubts, remarks: list[str]
) -> Answer:
    (names, at_s, y), knocked = data, doubts.knocked
    unit = next(iter(campaign.state.values())).difference_unit
    working = [i for i, name in enumerate(names) if name not in knocked]
    remarks = [*remarks, *(f"{name} {why} Its position is not shown." for name, why in knocked.items())]
    if len(working) < 2:
        figure = absent(
            "uniformity", unit, "too few positions closed.", "Compare side by side again.", METHOD
        )
        return Answer("map", "Not shown: too few positions closed.", (figure,), tuple(remarks))
    names, y, u = [names[i] for i in working], y[working], doubts.u[working]
    away = y - y.mean(axis=0)
    deviation = away.mean(axis=1)
    instants = at_instants(at_s, y, doubts.noise)
    worst = instants.value[:, int(instants.spread.argmax())]
    pair = names[int(worst.argmax())], names[int(worst.argmin())]
    stability = np.ptp(instants.value, axis=1)
    figures = [
        *_uniformity(instants, u, unit),
        _stability(instants, doubts.noise, unit),
        *_spots(names, deviation, u, unit),
    ]
    remarks.append(f"Largest difference between {pair[0]} and {pair[1]}.")
    remarks += _volume_remark(len(names))
    rule = _as_a_rule(away, at_s, u)
    remarks += [] if rule is not None else ["Less than 24 h: nothing is said about other days."]
    tables = _tables(campaign, (names, y), (deviation, u, stability), rule)
    tables["uniformity"] = _over_time(instants)
    remarks += _not_to_use(tables["positions"])
    return Answer("map", _headline(figures, len(names), unit), tuple(figures), tuple(remarks), tables)


def _not_to_use(table: Mapping[str, Sequence[Any]]) -> list[str]:
    """A sentence for each position that was beyond the limits, U included, for more than 5 % of the time."""
    return [
        f"Not to be used: {name}, beyond the limits (U included) in {percent(share)} of the time."
        for name, share in zip(table["position"], table["beyond limits"], strict=True)
        if share is not None and share > MOST_BEYOND
    ]


def _uniformity(instants: Instants, u: Float, unit: str) -> list[Figure]:
    """The largest difference at one instant: in the median, in 95 % of the time, and at its worst."""
    U = float(2 * 2**0.5 * np.sqrt((u**2).mean()))
    spread, U_instant = instants.spread, float(np.hypot(U, 2 * instants.left))
    values = (
        ("uniformity, 95 % of the time", float(np.quantile(spread, 0.95)), U),
        ("uniformity, median", float(np.median(spread)), U),
        ("uniformity, largest", float(spread.max()), U_instant),
    )
    method = "5 min means without the probes' noise; U of a difference side by side"
    return [
        Figure(name, value, unit, max(0.0, value - half), value + half, method=method)
        for name, value, half in values
    ]


def _stability(instants: Instants, noise: float | None, unit: str) -> Figure:
    """Span of the 5 min means at the position where it is widest."""
    name, method = "stability, worst position", "span of 5 min means; U of two instants, noise side by side"
    if noise is None:
        value = float(np.ptp(instants.value, axis=1).max())
        return Figure(name, value, unit, method="span of 5 min means", no_interval=WITHOUT_NOISE)
    value, low, high = worst_span(instants, noise)
    return Figure(name, value, unit, low, high, method=method)


def _volume_remark(n: int) -> list[str]:
    if n >= FEWEST:
        return []
    return [
        f"{number_of(n, 'position')}: a statement on these positions, not on the volume, for which "
        f"{FEWEST} are needed."
    ]


def _spots(names: list[str], deviation: Float, u: Float, unit: str) -> list[Figure]:
    """Warmest and coldest position, each shown where it is the extreme in 90 % of draws."""
    draws = deviation + u * np.random.default_rng(1).normal(size=(DRAWS, len(names)))
    figures = []
    for word, places in (("warmest", draws.argmax(axis=1)), ("coldest", draws.argmin(axis=1))):
        counts = np.bincount(places, minlength=len(names)) / DRAWS
        order = np.argsort(-counts)
        best, second = int(order[0]), int(order[1])
        value, U = float(deviation[best]), 2 * float(u[best])
        if counts[best] >= SURE:
            figures.append(Figure(f"{word}: {names[best]}", value, unit, value - U, value + U, method=METHOD))
        else:
            why = f"{names[best]} or {names[second]}, which do not differ by more than U."
            figures.append(Figure(word, value, unit, method=METHOD, shown=False, why_not=why))
    return figures


def _as_a_rule(away: Float, at_s: Int, u: Float) -> Float | None:
    """Half-widths (positions,) of the deviations on other days of this kind; None for less than 24 h."""
    from scipy.stats import t

    if at_s[-1] - at_s[0] < LEAST_RULE_S - 600:
        return None
    halves = []
    for row, own in zip(away, u, strict=True):
        time, value = in_blocks(at_s.astype(np.float64), row, most=120)
        fit = regress(np.ones((len(value), 1)), value, time, longest=(time[-1] - time[0]) / 6)
        halves.append(t.ppf(0.975, fit.degrees) * np.sqrt(fit.covariance[0, 0] + own**2))
    return np.array(halves)


def _tables(
    campaign: Campaign,
    data: tuple[list[str], Float],
    results: tuple[Float, Float, Float],
    rule: Float | None,
) -> dict[str, dict[str, list[object]]]:
    (names, y), (deviation, u, stability) = data, results
    beyond: list[object] = [None] * len(names)
    if campaign.limits is not None:
        low, high = campaign.limits
        level = np.array([(campaign.U or {}).get(name, 0.0) for name in names])[:, None]
        outside = (y + level > high) | (y - level < low)
        beyond = [round(float(share), 4) for share in outside.mean(axis=1)]
    places = [campaign.places.get(name, (None, None, None)) for name in names]
    return {
        "positions": {
            "position": list(names),
            "x_m": [p[0] for p in places],
            "y_m": [p[1] for p in places],
            "z_m": [p[2] for p in places],
            "mean": y.mean(axis=1).tolist(),
            "deviation": deviation.tolist(),
            "U": (2 * u).tolist(),
            "as a rule": [None] * len(names) if rule is None else rule.tolist(),
            "p5": np.quantile(y, 0.05, axis=1).tolist(),
            "p95": np.quantile(y, 0.95, axis=1).tolist(),
            "stability": stability.tolist(),
            "beyond limits": beyond,
        }
    }


def _over_time(instants: Instants) -> dict[str, list[object]]:
    thin = slice(None, None, max(1, len(instants.at_s) // 300))
    hours = (instants.at_s[thin] - instants.at_s[0]) / 3600
    read = np.ptp(instants.read, axis=0)[thin]
    return {
        "hour": hours.tolist(),
        "difference": instants.spread[thin].tolist(),
        "difference as read": read.tolist(),
    }


def _headline(figures: list[Figure], n: int, unit: str) -> str:
    name = unit_name(unit)
    warm = next(item for item in figures if item.name.startswith("warmest"))
    what = f"Uniformity {figures[0].value:.2f} {name} in 95 % of the time over {number_of(n, 'position')}"
    if not warm.shown:
        return f"{what}; warmest: {warm.why_not}"
    place, deviation = warm.name.removeprefix("warmest: "), f"{warm.value:+.2f}".replace("-", "−")
    return f"{what}; warmest {place}, {deviation} {name}."
