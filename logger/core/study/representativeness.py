"""Where to put the probe: which permanent position, or which few, predict the air of the machine's volume.

Offsets and weights are fitted to the other days and tried on each day in turn (leave-one-block-out, Stone
1974; blocks for dependence, Burman, Chow & Nolan 1994).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ...model.figures import number_of, unit_name
from ...series import Float, Int
from .channel_record import DAY_S, ChannelRecord
from .figure import Answer, Figure, absent, percent
from .noise import in_blocks, regress

CELL_S = 300
LEAST_BLOCKS = 5
WISHED_BLOCKS = 7
LEAST_SHARE = 0.9
MOST_TOGETHER = 3
RIDGE = 1e-5
LATER = (
    1.2  # the weeks after are worse by up to so much or more: 8 % for one probe, 17 % for three, in trials
)
WEEKS_AFTER = 2
METHOD = (
    "days left out one by one; offset and weights from the other days; interval: chi-square, the independent "
    "pieces by the memory of what is left"
)


@dataclass(frozen=True)
class Choice:
    """A set of permanent positions: offset and weights on the whole record,
    mean square of each left-out day (blocks,), and what the whole record predicts (n,).
    """

    names: tuple[str, ...]
    offset: float
    weights: Float
    squares: Float
    prediction: Float

    @property
    def rms(self) -> float:
        """Root of the mean square of what is left, days weighed alike."""
        return float(np.sqrt(self.squares.mean()))


def representativeness(
    permanent: Mapping[str, ChannelRecord], volume: Mapping[str, ChannelRecord], um_per_K: float | None = None
) -> Answer:
    """Which of the permanent positions predicts the mean of the volume's positions best, and how well."""
    names = list(permanent)
    unit = next(iter(volume.values())).difference_unit
    at_s, v, columns, block = _common(permanent, volume)
    usable = _usable(columns, v)
    blocks = len(np.unique(block[np.isfinite(v)]))
    if blocks < LEAST_BLOCKS:
        why = f"{number_of(blocks, 'day')} with readings of the volume and of permanent probes."
        needed = f"Record {WISHED_BLOCKS} days or more with all of them in place."
        return Answer("site", f"Not shown: {why}", (absent("rms", unit, why, needed, METHOD),))
    usable_names = [i for i in range(len(names)) if usable[i] >= LEAST_SHARE]
    dropped = [
        f"{names[i]} has readings in {percent(usable[i])} of the time only."
        for i in range(len(names))
        if i not in usable_names
    ]
    if not usable_names:
        why = "no permanent probe has readings in 90 % of the time."
        return Answer("site", f"Not shown: {why}", (absent("rms", unit, why, method=METHOD),), tuple(dropped))
    good = np.isfinite(v) & np.isfinite(columns[usable_names]).all(axis=0)
    chosen = [names[i] for i in usable_names]
    data = _Data(at_s[good], v[good], columns[usable_names][:, good], block[good], chosen)
    choices = _choices(data)
    return _answer(choices, data, unit, um_per_K, dropped)


@dataclass(frozen=True)
class _Data:
    """Cells that all have: seconds (n,), volume (n,), candidates (k, n), local day (n,)."""

    at_s: Float
    v: Float
    x: Float
    block: Int
    names: list[str]


def _common(
    permanent: Mapping[str, ChannelRecord], volume: Mapping[str, ChannelRecord]
) -> tuple[Float, Float, Float, Int]:
    """Cells of 5 min: UTC seconds (n,), mean of the volume (n,), permanent probes (k, n), local day (n,)."""
    records = [*permanent.values(), *volume.values()]
    step_s = max([CELL_S, *(r.step_s for r in records)])
    coarse = [r.coarser(step_s) if r.step_s < step_s else r for r in records]
    start = max(r.start_s for r in coarse)
    end = min(r.start_s + len(r) * step_s for r in coarse)
    n = max(0, (end - start) // step_s)
    rows = np.stack([r.value[(start - r.start_s) // step_s :][:n] for r in coarse])
    x, inside = rows[: len(permanent)], rows[len(permanent) :]
    v = np.where(np.isfinite(inside).all(axis=0), inside.mean(axis=0), np.nan)
    first = coarse[0]
    local = first.local_s[(start - first.start_s) // step_s :][:n]
    return start + step_s * np.arange(n, dtype=np.float64), v, x, local // DAY_S


def _usable(x: Float, v: Float) -> Float:
    finite = np.isfinite(v)
    return np.asarray((np.isfinite(x) & finite).sum(axis=1) / max(1, int(finite.sum())))


def _choices(data: _Data) -> list[Choice]:
    """Every set of one, two and three, best first."""
    k, centre = len(data.names), float(data.v.mean())
    days = _sums(data, centre)
    whole = _Sums(*(part.sum(axis=0, keepdims=True) for part in (days.n, days.first, days.second)))
    others = _Sums(whole.n - days.n, whole.first - days.first, whole.second - days.second)
    choices = []
    for size in range(1, min(MOST_TOGETHER, k) + 1):
        for chosen in combinations(range(k), size):
            squares = _left_out(others, days, chosen)
            offset, weights = (fit[0] for fit in _fit_centred(whole, chosen))
            prediction = centre + offset + weights @ (data.x[list(chosen)] - centre)
            named = tuple(data.names[i] for i in chosen)
            choices.append(Choice(named, float(offset), weights, squares, prediction))
    return sorted(choices, key=lambda c: c.rms)


@dataclass(frozen=True)
class _Sums:
    """Sums over the cells of each day: count (days,), of columns and v (days, k + 1), of products."""

    n: Float
    first: Float
    second: Float


def _sums(data: _Data, centre: float) -> _Sums:
    """About the centre, as differences of small numbers keep their digits."""
    rows = np.vstack((data.x, data.v)) - centre
    n, first, second = [], [], []
    for day in np.unique(data.block):
        mine = rows[:, data.block == day]
        n.append(float(mine.shape[1]))
        first.append(mine.sum(axis=1))
        second.append(mine @ mine.T)
    return _Sums(np.array(n), np.array(first), np.array(second))


def _fit_centred(s: _Sums, chosen: tuple[int, ...]) -> tuple[Float, Float]:
    """Offset about the centre (days,) and weights (days, size); of one probe the weight is 1,
    of more they lean to equal ones.
    """
    at, size = list(chosen), len(chosen)
    mean = s.first / s.n[:, None]
    weights: Float = np.full((len(mean), size), 1 / size)
    if size > 1:
        covariance = s.second / s.n[:, None, None] - mean[:, :, None] * mean[:, None, :]
        a = covariance[:, at][:, :, at] + RIDGE * np.eye(size)
        right = covariance[:, at, -1] + RIDGE / size
        weights = np.asarray(np.linalg.solve(a, right[:, :, None])[:, :, 0], np.float64)
    return mean[:, -1] - (weights * mean[:, at]).sum(axis=1), weights


def _left_out(others: _Sums, days: _Sums, chosen: tuple[int, ...]) -> Float:
    """Mean square on each day of what the other days predict for it, shape (days,)."""
    offset, weights = _fit_centred(others, chosen)
    vector = np.zeros_like(days.first)
    vector[:, -1] = 1.0
    vector[:, list(chosen)] -= weights
    square = np.einsum("di,dij,dj->d", vector, days.second, vector)
    square += -2 * offset * (vector * days.first).sum(axis=1) + days.n * offset**2
    return np.asarray(np.maximum(square / days.n, 0.0))


def not_worse(best: Choice, other: Choice) -> bool:
    """Whether the record cannot tell that another choice is worse: difference of squares, day by day."""
    from scipy.stats import t

    apart = other.squares - best.squares
    n = len(apart)
    return bool(apart.mean() < t.ppf(0.975, n - 1) * apart.std(ddof=1) / n**0.5)


@dataclass(frozen=True)
class _Pieces:
    """How many independent pieces what is left has, and half-width of the interval of its mean."""

    n: float
    half: float


def _pieces(choice: Choice, data: _Data) -> _Pieces:
    """From the error model of what is left: squares of noise with a memory θ forget within θ/2.

    Days taken as independent held the rms of made rooms in 98 of 100 where what is left forgets within an
    hour, in 82 to 91 where it takes 6 h, and in 63 where it takes a day.
    """
    t, left = in_blocks(data.at_s, data.v - choice.prediction)
    fit = regress(np.ones((len(t), 1)), left, t)
    q = float(np.exp(-2 * np.median(np.diff(t)) / fit.memory))
    n = len(t) / (1 + 2 * (1 - fit.white) ** 2 * q / (1 - q))
    _, low, high = fit.interval(np.ones(1))
    return _Pieces(max(2.0, n), (high - low) / 2)


def _answer(
    choices: list[Choice], data: _Data, unit: str, um_per_K: float | None, remarks: list[str]
) -> Answer:
    singles = [c for c in choices if len(c.names) == 1]
    best = singles[0]
    ties = [c.names[0] for c in singles[1:] if not_worse(best, c)]
    together = next((c for c in choices if len(c.names) > 1), None)
    advised = together if together is not None and not not_worse(together, best) else None
    pieces = _pieces(best, data)
    figures = [_rms(best, pieces.n, unit, "rms of the best position"), _offset(best, pieces, unit)]
    if advised is not None:
        name = f"rms of {' and '.join(advised.names)}"
        figures.append(_rms(advised, _pieces(advised, data).n, unit, name))
    if um_per_K is not None:
        low, high = ((end or 0.0) * um_per_K for end in (figures[0].low, figures[0].high))
        value, method = best.rms * um_per_K, "rms times α·L"
        figures.append(Figure("on the length", value, "µm", low, high, pieces.n, method))
    lines = [
        *remarks,
        _expected(best, pieces.n, unit),
    ]
    if ties:
        lines.append(f"The record does not distinguish it from {', '.join(ties)}: these are not worse.")
    if advised is not None:
        weights = ", ".join(f"{w:.2f} {n}" for n, w in zip(advised.names, advised.weights, strict=True))
        offset = f"{advised.offset:+.3f} {unit_name(unit)}".replace("-", "−")
        lines.append(f"Together better: {weights}, offset {offset}.".replace("-0.", "−0."))
    elif together is not None:
        lines.append("Two or three together are not shown to be better than the best one.")
    return Answer(
        "site", _headline(best, unit, ties), tuple(figures), tuple(lines), _tables(choices, best, data)
    )


def _expected(best: Choice, n: float, unit: str) -> str:
    """What the weeks after may leave: by the ratio of two variances (F), and never less than in trials."""
    from scipy.stats import f

    later = max(LATER, float(f.ppf(0.975, WEEKS_AFTER * n, n)) ** 0.5)
    times = f"{later:.1f}"
    return (
        f"Expect up to {times} times this in the {WEEKS_AFTER} weeks after: "
        f"{float(times) * best.rms:.3f} {unit_name(unit)}."
    )


def _rms(choice: Choice, n: float, unit: str, name: str) -> Figure:
    """rms with its interval from n independent pieces."""
    from scipy.stats import chi2

    low, high = (choice.rms * float(n / chi2.ppf(p, n)) ** 0.5 for p in (0.975, 0.025))
    return Figure(name, choice.rms, unit, low, high, n, METHOD)


def _offset(choice: Choice, pieces: _Pieces, unit: str) -> Figure:
    low, high = choice.offset - pieces.half, choice.offset + pieces.half
    method = "mean of what is left; white noise and a memory, averaged"
    return Figure(f"offset of {choice.names[0]}", choice.offset, unit, low, high, pieces.n, method)


def _headline(best: Choice, unit: str, ties: list[str]) -> str:
    name = unit_name(unit)
    tie = f", or {' or '.join(ties[:2])}" if ties else ""
    act = f"{'add' if best.offset >= 0 else 'take off'} {abs(best.offset):.3f} {name}"
    return f"Keep {best.names[0]}{tie}: {act}, and it departs from the volume by {best.rms:.3f} {name} (rms)."


def _tables(choices: list[Choice], best: Choice, data: _Data) -> dict[str, dict[str, list[object]]]:
    listed = [c for c in choices if len(c.names) == 1] + [c for c in choices if len(c.names) > 1][:3]
    rms = [_rms(c, _pieces(c, data).n, "K", "rms") for c in listed]
    worst = int(np.argmax(best.squares))
    day = np.unique(data.block)[worst]
    here = data.block == day
    return {
        "candidates": {
            "position": [" + ".join(c.names) for c in listed],
            "rms": [c.rms for c in listed],
            "low": [item.low for item in rms],
            "high": [item.high for item in rms],
            "offset": [c.offset for c in listed],
            "not worse": [c is best or not_worse(best, c) for c in listed],
        },
        "worst day": {
            "cell": list(range(int(here.sum()))),
            "volume": data.v[here].tolist(),
            "prediction": best.prediction[here].tolist(),
        },
    }
