"""Day and week: lines at the exact periods of the room's clock, against the noise beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Float
from .channel_record import DAY_S, ChannelRecord, mean_course, subtract_course
from .figure import Figure, absent, percent

WEEK_S = 7 * DAY_S
BIN_S = 900
BESIDE = range(2, 7)  # lines of 1/T beside the period whose power is taken as noise
LEAST_DAYS = 7
LEAST_WEEKS = 4
METHOD = "least squares at the exact period, with level and slope; noise from the lines beside it"


@dataclass(frozen=True)
class CalendarLine:
    """Amplitude at an exact period, its standard uncertainty `u` of 2·k degrees of freedom; p: by chance."""

    period_s: int
    amplitude: float
    u: float
    k: int
    p: float


def calendar_line(record: ChannelRecord, period_s: int) -> CalendarLine | None:
    """The line of a period by the room's clock; None where the record is too short for lines beside it."""
    from scipy.stats import f as f_ratio

    coarse = record.coarser(BIN_S) if BIN_S % record.step_s == 0 and record.step_s < BIN_S else record
    good = np.isfinite(coarse.value)
    at, value = coarse.local_s[good].astype(np.float64), coarse.value[good]
    if len(at) < 20:
        return None
    at -= at[0]
    span = float(at[-1] - at[0]) + coarse.step_s
    own = 1 / period_s
    beside = [own + sign * k / span for sign in (-1, 1) for k in BESIDE]
    beside = [f for f in beside if f > 0.9 / span and not _is_overtone(f, period_s, span)]
    if len(beside) < 3:
        return None
    power = [_amplitude(at, value, f) ** 2 / 2 for f in beside]
    k, variance = len(beside), float(np.mean(power))
    amplitude = _amplitude(at, value, own)
    p = float(f_ratio.sf(amplitude**2 / (2 * variance), 2, 2 * k)) if variance > 0 else 0.0
    return CalendarLine(period_s, amplitude, variance**0.5, k, p)


def _is_overtone(frequency: float, period_s: int, span: float) -> bool:
    """Whether a line is an overtone of the week, or of the period: then it is no noise."""
    base = 1 / max(period_s, WEEK_S) if span >= 3 * WEEK_S else 1 / period_s
    order = round(frequency / base)
    return order >= 1 and abs(frequency - order * base) < 0.5 / span


def _amplitude(at: Float, value: Float, frequency: float) -> float:
    angle = 2 * np.pi * frequency * at
    x = at / at[-1] - 0.5
    design = np.stack((np.cos(angle), np.sin(angle), np.ones(len(at)), x), axis=1)
    coefficients = np.linalg.lstsq(design, value, rcond=None)[0]
    return float(np.hypot(coefficients[0], coefficients[1]))


def day_figure(record: ChannelRecord) -> Figure:
    """Amplitude of the course of the day, from a week of record on."""
    return _figure(record, DAY_S, "amplitude of the day", LEAST_DAYS)


def week_figure(record: ChannelRecord) -> Figure:
    """Amplitude of the course of the week beside that of the day, from four weeks of record on."""
    flat = subtract_course(record, mean_course(record))
    return _figure(flat, WEEK_S, "amplitude of the week", LEAST_WEEKS * 7)


def _figure(record: ChannelRecord, period_s: int, name: str, least_days: int) -> Figure:
    from scipy.stats import t

    days, unit = record.span_s / DAY_S, record.difference_unit
    if days < least_days - 0.01:
        needed = f"Record {least_days} days or more ({least_days - days:.1f} days longer)."
        return absent(name, unit, f"{days:.1f} days recorded.", needed, METHOD)
    if record.share < 0.5:
        why = f"only {percent(record.share)} of the time has readings."
        return absent(name, unit, why, "Record with readings for at least half of the time.", METHOD)
    line = calendar_line(record, period_s)
    if line is None:
        return absent(name, unit, "too few readings beside the period.", f"Record {least_days} days.", METHOD)
    half = float(t.ppf(0.975, 2 * line.k)) * line.u
    if line.p > 0.05:
        why = (
            f"{line.amplitude:.3f} {unit} does not stand out of what varies beside it "
            f"(up to {half:.3f} {unit} by chance)."
        )
        high, n = line.amplitude + half, 2.0 * line.k
        return Figure(name, line.amplitude, unit, 0.0, high, n, METHOD, shown=False, why_not=why)
    if line.amplitude < 0.5 * record.resolution:
        return absent(
            name, unit, f"below what the probe resolves ({record.resolution:g} {unit}).", method=METHOD
        )
    low = max(0.0, line.amplitude - half)
    return Figure(name, line.amplitude, unit, low, line.amplitude + half, 2.0 * line.k, METHOD)


def day_bands(record: ChannelRecord) -> dict[str, list[float | None]]:
    """By local hour: mean of the departures from each day's own mean, and their 10 and 90 % points."""
    from .channel_record import without_period_means

    value = without_period_means(record)
    hour = record.local_s % DAY_S // 3600
    columns: dict[str, list[float | None]] = {"hour": [], "mean": [], "p10": [], "p90": []}
    for h in range(24):
        here = value[(hour == h) & np.isfinite(value)]
        columns["hour"].append(h)
        enough = len(here) >= 3
        columns["mean"].append(float(here.mean()) if enough else None)
        columns["p10"].append(float(np.quantile(here, 0.1)) if enough else None)
        columns["p90"].append(float(np.quantile(here, 0.9)) if enough else None)
    return columns
