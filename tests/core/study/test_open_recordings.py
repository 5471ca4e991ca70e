"""Open recordings of real rooms, and results that other libraries give by another way.

Recordings and their licences: tests/data/nab_temperature (an office, a year of hours, with gaps) and
tests/data/uci_room_occupancy_4probe (four probes of an office, every 30 s, days of 2017).
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize

from logger.core.study.calendar_courses import day_figure, week_figure
from logger.core.study.channel_record import ChannelRecord
from logger.core.study.disturbance import disturbance
from logger.core.study.noise import regress
from logger.core.study.representativeness import representativeness
from logger.core.study.slot_plan import Job, reliability, slot_plan
from logger.core.study.week_forecast import foretell
from logger.series import Float
from tests.core.study.planted import red_noise

DATA = Path(__file__).parents[2] / "data"
DAY_S = 86_400


def on_cells(at_s: Float, value: Float, step_s: int, unit: str = "degC") -> ChannelRecord:
    """A record of these readings: means of cells, NaN where there is none."""
    start = int(at_s[0] // step_s * step_s)
    cell = ((at_s - start) // step_s).astype(np.int64)
    n = np.bincount(cell)
    mean = np.where(n > 0, np.bincount(cell, weights=value) / np.maximum(n, 1), np.nan)
    return ChannelRecord(
        "a.temperature", unit, start, step_s, mean, np.zeros(len(mean), np.int64), 0.01, step_s
    )


def office_year() -> ChannelRecord:
    with (DATA / "nab_temperature" / "ambient_temperature_system_failure.csv").open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    at = [datetime.fromisoformat(row["timestamp"]).replace(tzinfo=UTC).timestamp() for row in rows]
    return on_cells(np.array(at), np.array([(float(row["value"]) - 32) / 1.8 for row in rows]), 3600)


def office_days() -> tuple[dict[str, ChannelRecord], Float]:
    """Four probes, and the instants at which the room was entered after an hour of nobody."""
    with (DATA / "uci_room_occupancy_4probe" / "Occupancy_Estimation.csv").open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    texts = [f"{row['Date'].replace('/', '-')}T{row['Time']}" for row in rows]
    at = np.array([datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() for text in texts])
    count = np.array([int(row["Room_Occupancy_Count"]) for row in rows])
    entered = [
        at[i]
        for i in np.flatnonzero((count[1:] > 0) & (count[:-1] == 0)) + 1
        if count[max(0, i - 120) : i].max() == 0
    ]
    probes = {
        f"S{n}": on_cells(at, np.array([float(row[f"S{n}_Temp"]) for row in rows]), 60) for n in (1, 2, 3, 4)
    }
    return probes, np.array(entered)


@pytest.mark.parametrize(("period_s", "figure"), [(DAY_S, day_figure), (7 * DAY_S, week_figure)])
def test_day_and_week_of_an_office_are_those_of_a_periodogram(period_s: int, figure: object) -> None:
    """scipy's Lomb–Scargle periodogram, which takes gaps as they are, gives the same amplitude."""
    from scipy.signal import lombscargle

    record = office_year()
    good = np.isfinite(record.value)
    at, value = record.at_s[good].astype(np.float64), record.value[good]
    away = value - np.polynomial.Polynomial.fit(at, value, 1)(at)
    lines = 2 * np.pi / period_s * np.array([1.0, 1.5])
    power = lombscargle(at, away, lines, floating_mean=True)
    other = float(np.sqrt(4 * power[0] / len(at)))
    item = figure(record)  # type: ignore[operator]
    assert item.value == pytest.approx(other, rel=0.05)
    assert item.shown


def test_an_office_whose_doors_are_few_shows_no_effect() -> None:
    """People came in on some days of a real office: too few, or not told from 0."""
    probes, entered = office_days()
    peak = disturbance(probes["S1"], [float(at) for at in entered]).figure("peak")
    assert peak.shown is False
    assert peak.why_not


def test_the_probe_that_stands_for_the_others_is_told_or_refused() -> None:
    """Four days of an office: fewer than the five that are needed, and the answer says so."""
    probes, _ = office_days()
    volume = {"S2": probes["S2"], "S3": probes["S3"]}
    answer = representativeness({"S1": probes["S1"], "S4": probes["S4"]}, volume)
    item = answer.figures[0]
    assert item.shown or "day" in item.why_not or "blocks" in item.why_not


@pytest.mark.slow
def test_the_noise_model_is_the_likelihood_of_another_optimiser() -> None:
    """The averaged memory lies where scipy's `minimize` of the Gaussian likelihood puts it."""
    n = 240
    t = np.arange(n, dtype=np.float64)
    y = red_noise(n, 10 * 60, 1.0, np.random.default_rng(7))
    fit = regress(np.ones((n, 1)), y, t, longest=60)

    def minus(x: Float) -> float:
        theta, sd = np.exp(x)
        cov = sd**2 * np.exp(-np.abs(t[:, None] - t[None, :]) / theta) + 1e-9 * np.eye(n)
        sign, log = np.linalg.slogdet(cov)
        assert sign > 0
        away = y - y.mean()
        return float(0.5 * (log + away @ np.linalg.solve(cov, away)))

    best = float(np.exp(minimize(minus, np.log([5.0, 1.0]), method="Nelder-Mead").x[0]))
    assert best / 2 < fit.memory < best * 2


@pytest.mark.slow
@pytest.mark.parametrize("half_K", [0.5, 1.0, 1.5])
def test_promises_on_an_office_year_come_true_or_are_withdrawn(half_K: float) -> None:
    """Hours within ±0.5, 1 and 1.5 K of the median, 46 weeks: off by 5 points at most and no worse than the
    plain map, or the answer says that the forecast, or anything, is not shown.
    """
    record = office_year()
    day = record.at_s // DAY_S + 3
    monday = int(np.argmax((day % 7 == 0) & (record.at_s % DAY_S == 0)))
    weeks = (len(record) - monday) // 168
    value = record.value[monday : monday + weeks * 168].reshape(weeks, 168)
    finite = np.isfinite(value)
    stable = finite & (np.abs(value - np.nanmedian(value)) <= half_K)
    proof = reliability(foretell(stable, finite))
    print(f"±{half_K} K: miscalibration {proof.miscalibration:.3f}, skill {proof.skill:+.3f}")
    answer = slot_plan(stable, finite, [Job("a bore", 1)])
    withdrawn = proof.miscalibration > 0.05 or proof.skill < 0
    assert ("not shown" in answer.headline) == withdrawn
