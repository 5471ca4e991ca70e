"""Did it help? Daily means before and after an intervention, the weather taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...model.figures import number_of, unit_name
from ...series import Bool, Float, Int
from .channel_record import DAY_S, ChannelRecord
from .figure import Answer, Figure, absent, effect
from .noise import Regression, regress

LAGS_H = (1, 3, 6, 12, 24, 48, 96)
LEAST_DAYS = 7
MOST_GAP_H = 24.0  # around the intervention, before it is spoken of
LEAST_HOURS = 18  # of a day that counts
OVERLAP = 1 / 3
WEEKDAY_DAYS = 28  # from so many days on weekdays may have levels of their own
NO_MODEL = (
    "days hang together and follow the weather; taken as independent, they held it in only half of the made "
    "rooms."
)
A_CHOICE = "it is the best of the seven that were tried (1 to 96 h), not a measurement."
METHOD = "daily means on a step, outdoors through a first-order lag; white noise and a memory, averaged"


@dataclass(frozen=True)
class Comparison:
    """What is compared: instant of the intervention (UTC s), days left out around it, and other marks.

    others_s: instants of other interventions.
    """

    at_s: int
    left_out_days: float = 1.0
    others_s: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Days:
    """Whole local days: number, mean and standard deviation of the channel, mean of outdoors (or NaN)."""

    number: Int
    mean: Float
    spread: Float
    after: Bool

    def plain_columns(self, usable: Bool) -> Float:
        """Level, step, and levels of the weekdays where the record asks for them, shape (usable days, k)."""
        after = self.after[usable].astype(np.float64)
        plain: Float = np.column_stack((np.ones(len(after)), after))
        weekday = (self.number[usable] + 3) % 7
        levels = (weekday[:, None] == np.arange(1, 7)).astype(np.float64)
        n = len(plain)
        if n < WEEKDAY_DAYS or (np.bincount(weekday, minlength=7) < 3).any():
            return plain
        several: Float = np.column_stack((plain, levels - levels.mean(axis=0)))
        squares = [float(_rest(design, self.mean[usable]) ** 2 @ np.ones(n)) for design in (plain, several)]
        better = n * np.log(squares[1] / squares[0]) + 6 * np.log(n) < -10
        return several if better else plain


def _rest(design: Float, y: Float) -> Float:
    return np.asarray(y - design @ np.linalg.lstsq(design, y, rcond=None)[0])


def before_and_after(
    record: ChannelRecord, what: Comparison, outdoors: ChannelRecord | None = None
) -> Answer:
    """The shift of the level and of the daily spread, with intervals, beside the plain difference."""
    hourly = record.coarser(3600) if record.step_s < 3600 else record
    days = _days(hourly, what)
    unit = record.difference_unit
    refusal = _refusal(days, what)
    if refusal is not None:
        level = absent("shift of the daily mean", unit, *refusal, METHOD)
        spread = absent("change of the daily spread", "%", *refusal, METHOD)
        headline = "Not shown: " + refusal[0]
        return Answer("change", headline, (level, spread), (), {"days": _table(days, None)})
    z, lag_h = _weather(days, outdoors) if outdoors is not None else (None, None)
    if z is not None:
        overlap = _overlap_refusal(z, days.after)
        if overlap is not None:
            level = absent("shift of the daily mean", unit, *overlap, METHOD)
            headline = "Not shown: " + overlap[0]
            return Answer("change", headline, (level,), (), {"days": _table(days, z)})
    fit = _fit(days, days.mean, z)
    spread_fit = _fit(days, np.log(np.maximum(days.spread, 1e-9)), z)
    answer = _answer(days, (fit, spread_fit), (z, lag_h), unit)
    gap_h = _gap_around(hourly, what.at_s)
    if gap_h <= MOST_GAP_H:
        return answer
    gap = f"The intervention lies in a gap of {gap_h:.0f} h: whatever else was changed in it counts, too."
    return replace(answer, remarks=(*answer.remarks, gap))


def _gap_around(hourly: ChannelRecord, at_s: int) -> float:
    """Hours without a reading around an instant; 0 where it was read."""
    good = hourly.at_s[np.isfinite(hourly.value)]
    place = int(np.searchsorted(good, at_s, side="right"))
    if place in (0, len(good)):
        return 0.0
    return float(good[place] - good[place - 1] - hourly.step_s) / 3600


def _days(hourly: ChannelRecord, what: Comparison) -> _Days:
    number = hourly.local_s // DAY_S
    first = int(number.min())
    count = int(number.max()) - first + 1
    value = hourly.value
    good = np.isfinite(value)
    place = number[good] - first
    hours = np.bincount(place, minlength=count) * hourly.step_s / 3600
    n = np.maximum(np.bincount(place, minlength=count), 1)
    mean = np.bincount(place, weights=value[good], minlength=count) / n
    square = np.bincount(place, weights=(value[good] - mean[place]) ** 2, minlength=count) / n
    # The middle of each day in UTC seconds, by the offset in force on it.
    offset = np.zeros(count)
    offset[number - first] = hourly.offset_s
    middle = (np.arange(count) + first + 0.5) * DAY_S - offset
    far = np.abs(middle - what.at_s) >= what.left_out_days * DAY_S
    keep = (hours >= LEAST_HOURS) & far
    return _Days(
        (np.arange(count) + first)[keep], mean[keep], np.sqrt(square)[keep], (middle > what.at_s)[keep]
    )


def _refusal(days: _Days, what: Comparison) -> tuple[str, str] | None:
    before, after = int((~days.after).sum()), int(days.after.sum())
    if before < LEAST_DAYS or after < LEAST_DAYS:
        why = f"{number_of(before, 'whole day')} before the intervention and {after} after it."
        short = "before it" if before < LEAST_DAYS else "after it"
        return why, f"Record {LEAST_DAYS} days or more {short}; 14 are better."
    others = [at for at in what.others_s if at != what.at_s]
    if others:
        why = (
            f"{len(others)} other intervention{'s lie' if len(others) > 1 else ' lies'} inside the interval."
        )
        return why, "Choose an interval that holds one intervention only."
    return None


def _weather(days: _Days, outdoors: ChannelRecord) -> tuple[Float, float]:
    """Daily means of outdoors behind the lag that leaves the smallest residual, and that lag in h."""
    out = outdoors.coarser(3600) if outdoors.step_s < 3600 else outdoors
    best: tuple[float, Float, float] | None = None
    for lag_h in LAGS_H:
        z = _lagged_days(out, lag_h, days.number)
        usable = np.isfinite(z)
        if usable.sum() < 2 * LEAST_DAYS:
            continue
        design = np.column_stack((days.plain_columns(usable), z[usable]))
        rest = _rest(design, days.mean[usable])
        square = float(rest @ rest) / usable.sum()
        if best is None or square < best[0]:
            best = (square, z, float(lag_h))
    if best is None:
        return np.full(len(days.number), np.nan), 0.0
    return best[1], best[2]


def _lagged_days(out: ChannelRecord, lag_h: float, days: Int) -> Float:
    """Daily means of outdoors behind a first-order lag, at the days asked for; NaN where it has gaps."""
    value = out.value
    good = np.isfinite(value)
    if not good.any():
        return np.full(len(days), np.nan)
    place = np.arange(len(value))
    filled = np.interp(place, place[good], value[good])
    share = 1 - np.exp(-out.step_s / 3600 / lag_h)
    from scipy.signal import lfilter

    lagged = lfilter([share], [1, share - 1], filled, zi=[(1 - share) * filled[0]])[0]
    number = out.local_s // DAY_S
    first, last = int(min(number[0], days.min())), int(max(number.max(), days.max()))
    cells = np.bincount(number - first, minlength=last - first + 1)
    read = np.bincount(number[good] - first, minlength=len(cells))
    total = np.bincount(number - first, weights=lagged, minlength=len(cells))
    enough = read * out.step_s >= LEAST_HOURS * 3600
    means = np.where(enough, total / np.maximum(cells, 1), np.nan)
    return np.asarray(means[days - first])


def _overlap_refusal(z: Float, after: Bool) -> tuple[str, str] | None:
    """Where the weather before and after hardly overlaps, no regression can tell it from the intervention."""
    a, b = z[~after & np.isfinite(z)], z[after & np.isfinite(z)]
    if len(a) < LEAST_DAYS or len(b) < LEAST_DAYS:
        return (
            f"outdoors was recorded on {len(a)} days before and {len(b)} after only.",
            "Record outdoors too, 7 days or more on each side.",
        )
    common = min(a.max(), b.max()) - max(a.min(), b.min())
    if common >= OVERLAP * min(np.ptp(a), np.ptp(b)):
        return None
    colder = b.mean() < a.mean()
    return (
        f"outdoors after is {abs(b.mean() - a.mean()):.0f} K {'colder' if colder else 'warmer'} than before; "
        "the two ranges overlap by less than a third.",
        "Wait for days whose weather is like that before, or compare with the season of another year.",
    )


def _fit(days: _Days, y: Float, z: Float | None) -> Regression:
    usable = np.ones(len(y), np.bool_) if z is None else np.isfinite(z)
    columns = list(days.plain_columns(usable).T)
    if z is not None:  # third, behind level and step
        columns.insert(2, z[usable] - z[usable].mean())
    t = days.number[usable].astype(np.float64)
    return regress(np.column_stack(columns), y[usable], t, longest=len(t) / 2)


def _answer(
    days: _Days,
    fits: tuple[Regression, Regression],
    weather: tuple[Float | None, float | None],
    unit: str,
) -> Answer:
    (fit, spread), (z, lag_h) = fits, weather
    name = unit_name(unit)
    shift, low, high = fit.interval(_unit_vector(fit, 1))
    plain = float(days.mean[days.after].mean() - days.mean[~days.after].mean())
    n = fit.degrees
    level = effect("shift of the daily mean", shift, low, high, unit, n=n, method=METHOD)
    growth, a, b = (100 * (np.exp(v) - 1) for v in spread.interval(_unit_vector(spread, 1)))
    change = effect("change of the daily spread", growth, a, b, "%", n=spread.degrees, method=METHOD)
    method = "difference of means, no model"
    figures = [level, change, Figure("plain difference", plain, unit, method=method, no_interval=NO_MODEL)]
    if z is not None:
        c, c_low, c_high = fit.interval(_unit_vector(fit, 2))
        per = f"{unit}/K"
        figures.append(effect("share of outdoors", c, c_low, c_high, per, n=n, method=METHOD))
        method = "smallest residual of seven lags"
        figures.append(Figure("lag of outdoors", lag_h, "h", method=method, no_interval=A_CHOICE))
    remarks = [
        f"{int((~days.after).sum())} days before, {int(days.after.sum())} after; the noise of a day is taken "
        f"as about {fit.residual_sd:.3f} {name} with a memory of about {fit.memory:.1f} d."
    ]
    if z is None:
        remarks.append("No outdoor channel: the shift is not separated from the weather.")
    return Answer("change", _headline(level, plain, z is not None, name), tuple(figures), tuple(remarks), {
        "days": _table(days, z, _weekday_part(days, fit, z)), "model": _model(fit, z),
    })  # fmt: skip


def _headline(level: Figure, plain: float, weather: bool, unit: str) -> str:
    how = "weather taken out" if weather else "not separated from the weather"
    plain_text = f"{plain:+.2f}".replace("-", "−")
    if level.shown:
        misleads = weather and (level.low is not None and level.high is not None)
        misleads = misleads and not (level.low or 0) <= plain <= (level.high or 0)
        tail = f"; the plain difference, {plain_text} {unit}, would mislead" if misleads else ""
        return f"{level.text}, {how}{tail}."
    return f"No shift is shown, {how}: {level.why_not.removesuffix('.')}."


def _unit_vector(fit: Regression, place: int) -> Float:
    vector = np.zeros(len(fit.beta))
    vector[place] = 1.0
    return vector


def _model(fit: Regression, z: Float | None) -> dict[str, list[float]]:
    """Level before, shift, slope on outdoors, and the outdoors at which the level holds."""
    middle = 0.0 if z is None else float(np.nanmean(z))
    slope = float(fit.beta[2]) if z is not None else 0.0
    return {
        "before": [float(fit.beta[0])],
        "shift": [float(fit.beta[1])],
        "slope": [slope],
        "outdoors": [middle],
    }


def _weekday_part(days: _Days, fit: Regression, z: Float | None) -> Float | None:
    """What the weekday adds to each day's mean by the fit, shape (days,); None where weekdays are alike."""
    usable = np.ones(len(days.mean), np.bool_) if z is None else np.isfinite(z)
    levels = days.plain_columns(usable)[:, 2:]
    if not levels.shape[1]:
        return None
    part = np.full(len(days.mean), np.nan)
    part[usable] = levels @ fit.beta[2 if z is None else 3 :]
    return part


def _table(days: _Days, z: Float | None, weekday: Float | None = None) -> dict[str, list[object]]:
    from datetime import date, timedelta

    epoch = date(1970, 1, 1)
    return {
        "day": [(epoch + timedelta(days=int(n))).isoformat() for n in days.number],
        "number": [int(n) for n in days.number],
        "after": [bool(a) for a in days.after],
        "mean": days.mean.tolist(),
        "without weekday": (days.mean if weekday is None else days.mean - weekday).tolist(),
        "spread": days.spread.tolist(),
        "outdoors": [None] * len(days.mean) if z is None else z.tolist(),
    }
