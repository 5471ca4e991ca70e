"""Open recordings of real rooms, each question answered by another way; where the two may differ is said.

Recordings, sources and licences: tests/data/nab_temperature, uci_occupancy, uci_room_occupancy_4probe
(SOURCE.md in each). Other ways: scipy and numpy here; numbers of statsmodels 0.15.0 (GLSAR, HAC, OLS,
proportion_confint, seasonal_decompose; pandas 3 reading the same file) were computed once and are written in.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.signal import periodogram

from logger.core.judge.forecast_model import HORIZONS, walk_forward
from logger.core.study.best_hours import week_map
from logger.core.study.calendar_courses import day_figure, week_figure
from logger.core.study.causes import CauseInputs, causes
from logger.core.study.channel_record import ChannelRecord
from logger.core.study.forecast_skill import forecast_skill
from logger.core.study.intervention import Comparison, before_and_after
from logger.core.study.representativeness import representativeness
from logger.core.study.step_response import fit_step, step_test
from tests.core.study.test_open_recordings import DATA, DAY_S, office_days, office_year, on_cells


def longest_weeks() -> ChannelRecord:
    """The longest stretch of the office year without a gap, cut to whole weeks: 19 of them."""
    record = office_year()
    edges = np.diff(np.concatenate(([0], np.isfinite(record.value).astype(int), [0])))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    i = int((ends - begins).argmax())
    begin, n = int(begins[i]), int(ends[i] - begins[i]) // 168 * 168
    part = slice(begin, begin + n)
    start_s = record.start_s + begin * 3600
    return replace(record, start_s=start_s, value=record.value[part], offset_s=record.offset_s[part])


def test_day_and_week_are_those_of_a_periodogram_and_of_seasonal_means() -> None:
    """Over whole weeks both periods are lines of scipy's periodogram: within 0.5 %, for the slope that each
    takes out. Seasonal means (statsmodels, seasonal_decompose): 0.4525 K for the day within 1 %, since they
    take out a moving mean; 0.2022 K for the week within 5 %, which is not shown: it does not stand out.
    """
    record = longest_weeks()
    assert len(record) == 19 * 168
    f, power = periodogram(record.value, fs=1 / 3600, detrend="linear")
    day, week = day_figure(record), week_figure(record)
    for item, period_s, other, near in ((day, DAY_S, 0.4525, 0.01), (week, 7 * DAY_S, 0.2022, 0.05)):
        line = float(np.sqrt(2 * power[np.abs(f - 1 / period_s).argmin()] * f[1]))
        assert item.value == pytest.approx(line, rel=0.005)
        assert item.value == pytest.approx(other, rel=near)
    assert day.shown
    assert not week.shown


def test_a_shift_is_held_with_those_of_other_regressions() -> None:
    """The middle of the office year, where nothing is known to have changed: no shift is shown.

    statsmodels: OLS −1.044 K, standard error 0.248 by days as independent, which would be "a change"; with
    HAC of 14 lags 0.776; GLSAR (memory fitted) +0.215 ± 0.765. Daily means with a memory of two weeks leave
    so much open: our interval holds both, and is as wide as that of HAC or wider.
    """
    record = office_year()
    middle = record.start_s + len(record) * 1800
    assert datetime.fromtimestamp(middle, UTC) == datetime(2013, 12, 15, 8, tzinfo=UTC)
    answer = before_and_after(record, Comparison(middle))
    shift = answer.figures[0]
    assert not shift.shown
    assert shift.low is not None
    assert shift.high is not None
    for other in (-1.044, 0.215):
        assert shift.low <= other <= shift.high
    assert (shift.high - shift.low) / 2 >= 1.96 * 0.776
    # The plain difference leaves out a day around the middle and days of less than 18 h, as pandas did.
    assert answer.figure("plain difference").value == pytest.approx(-1.044, abs=0.005)


def test_a_time_constant_is_that_of_curve_fit() -> None:
    """An office after work (18:00, the heating goes down): scipy's curve_fit of one exponential with a dead
    time takes the noise for white. Ours has a memory, and moves τ by 14 %: both lie within our interval,
    which is wider than a quarter, so that no time constant is shown.
    """
    with (DATA / "uci_occupancy" / "datatest.txt").open(newline="") as lines:
        rows = list(csv.reader(lines))[1:]
    at = np.array([datetime.fromisoformat(row[1]).replace(tzinfo=UTC).timestamp() for row in rows])
    record = on_cells(at, np.array([float(row[2]) for row in rows]), 60)
    start = datetime(2015, 2, 2, 18, tzinfo=UTC).timestamp()
    end = start + 10 * 3600
    fit = fit_step(record, start, end)
    t = record.at_s + 30 - start
    here = (t >= -3600) & (t < end - start) & np.isfinite(record.value)

    def curve(t: np.ndarray, dead: float, tau: float, end: float, size: float) -> np.ndarray:
        return np.asarray(end + size * np.exp(-np.maximum(t - dead, 0) / tau))

    (_, tau, _, size), _ = curve_fit(curve, t[here], record.value[here], p0=(0, 7000, 21, 2))
    assert abs(np.log(fit.tau_s / float(tau))) < 2 * fit.u_ln
    assert fit.size == pytest.approx(-float(size), abs=2 * fit.u_size)
    assert fit.why_not.startswith("the time constant is known to ±")
    assert not step_test(record, [start]).figures[0].shown


@pytest.mark.parametrize(
    ("start", "stable", "low", "high"),
    [(34, 1, 0.01862, 0.55806), (82, 5, 0.44194, 0.98138), (130, 3, 0.16681, 0.83319)],
)
def test_intervals_of_start_hours_are_those_of_jeffreys(
    start: int, stable: int, low: float, high: float
) -> None:
    """Six weeks of the office within 1 K of the year's median, too few for neighbours to count:
    statsmodels, proportion_confint(k, 6, method="jeffreys"), to its five digits.
    """
    record = office_year()
    weekday = record.at_s // DAY_S + 3
    monday = int(np.argmax((weekday % 7 == 0) & (record.at_s % DAY_S == 0)))
    value = record.value[monday : monday + 6 * 168].reshape(6, 168)
    shown = np.isfinite(value)
    chart = week_map(shown & (np.abs(value - np.nanmedian(record.value)) <= 1.0), shown, 1)
    assert (chart.stable[start], chart.weeks[start]) == (stable, 6)
    assert (chart.low[start], chart.high[start]) == pytest.approx((low, high), abs=1e-5)


def test_the_variation_by_cause_is_that_of_least_squares() -> None:
    """statsmodels, OLS of the office year on the same columns: fitted 0.7986 K, left 2.2234, whole 2.3625.

    One fit takes a little of the noise for an effect, ours does not: 1 % may part them, as the columns are 18
    and the weeks 44.
    """
    answer = causes(office_year(), CauseInputs())
    assert answer.figure("day and week").value == pytest.approx(0.7986, rel=0.01)
    assert answer.figure("rest").value == pytest.approx(2.2234, rel=0.005)
    assert answer.figure("whole variation").value == pytest.approx(2.3625, rel=0.001)


def test_the_rms_of_a_position_is_that_of_a_plain_loop() -> None:
    """Four probes of an office: each day left out in turn, in loops of plain numpy, with its offset."""
    probes, _ = office_days()
    answer = representativeness(
        {name: probes[name] for name in ("S1", "S4")}, {name: probes[name] for name in ("S2", "S3")}
    )
    coarse = {name: record.coarser(300) for name, record in probes.items()}
    day = coarse["S1"].at_s // DAY_S
    volume = (coarse["S2"].value + coarse["S3"].value) / 2
    expected = {}
    for name in ("S1", "S4"):
        good = np.isfinite(volume) & np.isfinite(coarse["S1"].value) & np.isfinite(coarse["S4"].value)
        left = (volume - coarse[name].value)[good]
        squares = []
        for number in np.unique(day[good]):
            here = day[good] == number
            squares.append(float(((left[here] - left[~here].mean()) ** 2).mean()))
        expected[name] = float(np.sqrt(np.mean(squares)))
    table = answer.tables["candidates"]
    for name, rms in zip(table["position"][:2], table["rms"][:2], strict=True):
        assert rms == pytest.approx(expected[name], rel=1e-6)


def test_the_error_of_staying_is_that_of_a_plain_loop() -> None:
    """The same office, 30 min ahead, minute by minute in a loop; too few days in a row for a skill."""
    probes, _ = office_days()
    record = probes["S3"]
    y = record.value
    at, changes, forecast = walk_forward(y, 14)
    judged = forecast.any(axis=1) & np.isfinite(changes).all(axis=1)
    instants, staying = set(at[forecast.any(axis=1)].tolist()), list[float]()
    for i in range(60, len(y) - 60):
        ahead = [y[i + h] for h in range(5, 65, 5)]
        if i in instants and all(np.isfinite(x) for x in ahead):
            staying.append(abs(y[i + 30] - y[i]))
    half_hour = HORIZONS.index(30)
    assert int(judged.sum()) == len(staying) > 50
    assert np.abs(changes[judged, half_hour]).mean() == pytest.approx(float(np.mean(staying)), rel=1e-9)
    figure = forecast_skill(record, None).figures[0]
    assert figure.why_not == "fewer than 3 days could be judged."
