"""What is regular: the cycle of the air handling, the day, the week. One answer for one channel."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...model.figures import unit_name
from ...series import Float
from .calendar_courses import day_bands, day_figure, week_figure
from .channel_record import ChannelRecord, mean_course, subtract_course
from .cycles import CELLS_A_PERIOD, COARSE_S, Cycle, CycleSearch, cycle_figures, search_cycles
from .figure import Answer, Figure, absent
from .spectra import Spectrum

LISTED = 3  # cycles


def regularity(record: ChannelRecord) -> Answer:
    """Cycles between 4 cells and 3 h, day and week of a channel, with the spectrum behind them."""
    search = search_cycles(record)
    figures: list[Figure] = []
    for number, cycle in enumerate(search.cycles[:LISTED], start=1):
        figures += cycle_figures(cycle, number, record)
    if not search.cycles:
        figures.append(_no_cycle(search, max(record.every_s, float(record.step_s))))
    day, week = day_figure(record), week_figure(record)
    remarks = [line for cycle in search.cycles[:LISTED] for line in _remarks(cycle, record)]
    remarks += _overtones(search)
    tables: dict[str, dict[str, Any]] = {"mean day": day_bands(record)}
    if search.estimate is not None:
        tables["spectrum"] = _spectrum_table(search)
        if search.cycles:
            tables["typical cycle"] = _typical_cycle(record, search.cycles[0])
    headline = _headline(figures, day, week)
    return Answer("cycles", headline, (*figures, day, week), tuple(remarks), tables)


def _no_cycle(search: CycleSearch, every_s: float) -> Figure:
    if search.why_not:
        return absent("cycle", "min", search.why_not, search.needed)
    if every_s >= COARSE_S:
        why = (
            f"readings every {every_s / 60:.0f} min show none of {CELLS_A_PERIOD * every_s / 60:.0f} min or "
            "longer; a shorter one would not be seen."
        )
        return absent("cycle", "min", why, "Log one probe every 60 s for 4 h.")
    why = f"none above its neighbours (highest {search.highest:.1f} times, {search.bound:.1f} needed)."
    return absent("cycle", "min", why)


def _overtones(search: CycleSearch) -> list[str]:
    """A sentence on lines that belong to the shape of a longer cycle."""
    if not search.overtones:
        return []
    periods = [f"{c.line_s / 60:.1f}" for c in sorted(search.overtones, key=lambda c: -c.line_s)]
    listed = " and ".join(part for part in (", ".join(periods[:-1]), periods[-1]) if part)
    return [
        f"Lines at {listed} min are whole parts of a longer cycle, as short pulses or a sawtooth have them: "
        "they are counted with it."
    ]


def _remarks(cycle: Cycle, record: ChannelRecord) -> list[str]:
    lines = []
    if cycle.halves is not None:
        first, second = cycle.halves
        unit = unit_name(record.difference_unit)
        lines.append(
            f"The cycle of {cycle.period_s / 60:.1f} min was ±{first:.2f} {unit} in the first half of the "
            f"record and ±{second:.2f} {unit} in the second: what was changed? Study the halves apart."
        )
    elif cycle.present < 0.5 * cycle.stretches:
        lines.append(
            f"The cycle of {cycle.period_s / 60:.1f} min comes and goes: it is clear in {cycle.present} of "
            f"{cycle.stretches} stretches; where it does, it is larger than the amplitude above."
        )
    if cycle.lengths_s is not None:
        low, high = (s / 60 for s in cycle.lengths_s)
        lines.append(f"Single cycles last {low:.1f} to {high:.1f} min (10 to 90 % of them).")
    if cycle.images_s is not None:
        images = " or ".join(f"{s / 60:.1f}" for s in cycle.images_s)
        every = max(record.every_s, record.step_s)
        lines.append(
            f"Readings every {every:.0f} s cannot tell this cycle from one of {images} min: log one probe "
            "faster for 4 h."
        )
    return lines


def _headline(figures: list[Figure], day: Figure, week: Figure) -> str:
    """12 min ±0.30 K, day ±0.6 K, week none."""
    first, parts, unit = figures[0], list[str](), unit_name(day.unit)
    if first.shown:
        parts.append(f"cycle of {first.value:.1f} min, ±{figures[1].value:.2f} {unit}")
    else:
        parts.append("cycle: none" if first.why_not.startswith("none") else "cycle: not shown")
    for name, item in (("day", day), ("week", week)):
        if item.shown:
            parts.append(f"{name} ±{item.value:.2f} {unit}")
        else:
            parts.append(f"{name}: none seen" if item.value is not None else f"{name}: not shown")
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "."


def _spectrum_table(search: CycleSearch) -> dict[str, list[float]]:
    """Against the period in min: amplitude of a sine of a taper's bandwidth, and of the background."""
    estimate = search.estimate
    assert estimate is not None  # noqa: S101 (the caller has one)
    keep = _thin(estimate)
    width = 6.0 / estimate.length_s
    return {
        "period_min": (1 / estimate.frequency[keep] / 60).tolist(),
        "amplitude": np.sqrt(2 * estimate.mean[keep] * width).tolist(),
        "background": np.sqrt(2 * search.level[keep] * width).tolist(),
    }


def _thin(estimate: Spectrum) -> Float:
    """Places for about 300 points, even in the logarithm, longest period last."""
    n = len(estimate.frequency)
    places = np.unique(np.round(np.geomspace(1, n, 400)).astype(np.int64) - 1)
    return np.asarray(places[::-1])


def _typical_cycle(record: ChannelRecord, cycle: Cycle) -> dict[str, list[float]]:
    """Three periods of the record about their mean, with the amplitude that the cycle has on the whole."""
    flat = subtract_course(record, mean_course(record)).value
    n = max(8, int(3 * cycle.period_s / record.step_s))
    good = np.isfinite(flat)
    whole = np.concatenate(([0], np.cumsum(~good)))
    begins = np.arange(0, len(flat) - n)
    begins = begins[whole[begins + n] == whole[begins]]
    if not len(begins):
        return {"minute": [], "departure": []}
    begins = begins[:: max(1, len(begins) // 1000)]
    wave = np.exp(-2j * np.pi * np.arange(n) * record.step_s / cycle.period_s)
    pieces = np.stack([flat[begin : begin + n] for begin in begins])
    amplitudes = 2 / n * np.abs((pieces - pieces.mean(axis=1, keepdims=True)) @ wave)
    piece = pieces[int(np.abs(amplitudes - cycle.amplitude).argmin())]
    return {
        "minute": (np.arange(n) * record.step_s / 60).tolist(),
        "departure": (piece - piece.mean()).tolist(),
    }
