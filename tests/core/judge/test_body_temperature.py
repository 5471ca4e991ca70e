"""Declared bodies: first-order response, Monday mornings, unknown starts, days judged alone."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logger.core.judge.body_temperature import AirMemory, BodyTrack, TrackState
from logger.core.judge.days import DayVerdicts, split_into_days
from logger.core.judge.settling import BodyState, at_start_of_record
from logger.instants import NS
from logger.model import REASONS, Setup, ThermalBody
from logger.units import MICRO


def with_body(build: SimpleNamespace, **changed: object) -> Setup:
    """A zone with granite of τ = 2 h that must lie within 20 ± 0.5 degC; rules band 18 … 24, U = 0."""
    body = ThermalBody(**({"key": "bay.granite", "name": "granite", "tau_s": 7200.0, "u_tau_s": 0.0,
                           "lower": 19.5, "upper": 20.5} | changed))  # fmt: skip
    setup = build.setup((build.rule(lower=18.0, upper=24.0),), U=1e-9, settling_s=4 * 3600)
    return replace(setup, zones={"bay": replace(setup.zones["bay"], bodies=(body,))})


def body_at(temperature: float) -> BodyState:
    """The body's temperature is known at the start."""
    value = round(temperature * MICRO)
    return BodyState(0, 0, (), "", TrackState((BodyTrack(value, value, value),), (AirMemory(value),)))


def body_after(build: SimpleNamespace, setup: Setup, values: np.ndarray, hours: float, start: float) -> float:
    """Computed temperature after some hours."""
    judgement = build.judged(
        setup, {"T1": build.series(values)}, build.at(0), build.at(hours), state=body_at(start)
    )
    return judgement.memory.states[judgement.grid.n].tracks.tracks[0].low / MICRO


@pytest.mark.parametrize(("hours", "expected"), [(2, 21.264), (6, 21.900)])
def test_a_step_is_followed_with_the_time_constant(
    build: SimpleNamespace, hours: float, expected: float
) -> None:
    """20 -> 22 degC with τ = 2 h: 22 − 2·exp(−t/τ)."""
    after = body_after(build, with_body(build), np.full(1440, 22.0), hours, 20.0)
    assert after == pytest.approx(expected, abs=0.005)


def test_a_recorded_air_temperature_against_a_solver(build: SimpleNamespace) -> None:
    """scipy's solve_ivp on the same air, held over each minute: within 2 mK."""
    rng = np.random.default_rng(2)
    air = np.round(20.0 + np.cumsum(rng.normal(0, 0.02, 720)), 6)
    ours = body_after(build, with_body(build), air, 12, 20.3)
    solved = solve_ivp(
        lambda t, T: (air[min(int(t // 60), 719)] - T) / 7200.0, (0, 43200), [20.3], max_step=30.0, rtol=1e-8
    )
    assert ours == pytest.approx(float(solved.y[0, -1]), abs=0.002)


def test_monday_morning_waits_for_the_granite(build: SimpleNamespace) -> None:
    """Air at 23 over the weekend, 20.0 since 06:00: settling until the granite is within 20.5 degC.

    From 23 to 20.5 takes τ·ln(3/0.5) = 3.58 h: until about 09:35.
    """
    air = np.full(1440, 20.0)
    air[:360] = 23.0
    judgement = build.judged(with_body(build), {"T1": build.series(air)}, state=body_at(23.0))
    settling = np.flatnonzero(judgement.reason == REASONS.index("settling"))
    assert (settling[-1] + 1) / 60 == pytest.approx(6 + 2 * np.log(6), abs=0.05)
    assert REASONS[int(judgement.reason[600])] == "conforming"


def test_unknown_bodies_are_known_once_every_credible_start_conforms(build: SimpleNamespace) -> None:
    """Air at 20.0 from the start: credible 18 … 22, within 0.5 K after τ·ln(4) = 2.77 h, before 4 h."""
    setup = with_body(build)
    start = at_start_of_record(setup.zones["bay"])
    judgement = build.judged(setup, {"T1": build.series(np.full(1440, 20.0))}, state=start)
    unknown = np.flatnonzero(judgement.reason == REASONS.index("indeterminate"))
    assert (unknown[-1] + 1) / 60 == pytest.approx(2 * np.log(4), abs=0.05)


def test_the_uncertainty_of_the_time_constant_makes_settling_longer(build: SimpleNamespace) -> None:
    air = np.full(1440, 20.0)
    sure = build.judged(with_body(build), {"T1": build.series(air)}, state=body_at(23.0))
    unsure = build.judged(with_body(build, u_tau_s=1200.0), {"T1": build.series(air)}, state=body_at(23.0))
    longest = [int((j.reason == REASONS.index("settling")).sum()) for j in (sure, unsure)]
    assert longest[1] > longest[0] + 15


def test_each_day_can_be_judged_from_its_midnight(build: SimpleNamespace) -> None:
    """The state that a stored piece holds gives the days after it bit for bit."""
    rng = np.random.default_rng(4)
    setup = with_body(build)
    readings = {"T1": build.series(np.round(20 + np.cumsum(rng.normal(0, 0.03, 3 * 1440)), 2))}
    whole = build.judged(
        setup, readings, build.at(0), build.at(72), state=at_start_of_record(setup.zones["bay"])
    )
    first = split_into_days(whole, at_start_of_record(setup.zones["bay"]))[build.at(0) // (86400 * NS)]
    restarted = DayVerdicts.of_text(first.to_text()).state_out
    rest = build.judged(setup, readings, build.at(24), build.at(72), state=restarted)
    assert rest.reason.tolist() == whole.reason[1440:].tolist()
    assert rest.memory.states[2880] == whole.memory.states[4320]


def test_a_body_without_any_air_stays_unknown(build: SimpleNamespace) -> None:
    setup = with_body(build)
    judgement = build.judged(setup, {}, state=at_start_of_record(setup.zones["bay"]))
    assert judgement.memory.states[1440].tracks.tracks == ()
    assert set(judgement.reason.tolist()) == {REASONS.index("indeterminate")}


def test_a_silence_makes_a_body_unknown_again(build: SimpleNamespace) -> None:
    """Air known at 20.0, three hours of silence: from 18 … 22 again, known after τ·ln(4)."""
    values = np.full(1440, 20.0)
    values[300:480] = np.nan
    judgement = build.judged(with_body(build), {"T1": build.series(values)}, state=body_at(20.0))
    unknown = np.flatnonzero(judgement.reason[480:] == REASONS.index("indeterminate"))
    assert (unknown[-1] + 1) / 60 == pytest.approx(2 * np.log(4), abs=0.05)


def test_each_body_remembers_its_own_air(build: SimpleNamespace) -> None:
    """Bodies in air of 20.0 and of 23.0 degC; at midnight the first one's probe misses ten minutes.

    Judged day by day it is what it is in one go: its air of before midnight is 20.0, not that of the other.
    """
    places = {"T1": (1.0, 1.0, 1.0), "T2": (3.0, 1.0, 1.0)}
    granite, scale = (
        ThermalBody(key=f"bay.{name}", name=name, tau_s=3600.0, u_tau_s=0.0, lower=15.0, upper=25.0,
                    channels=(f"{probe}.temperature",))
        for name, probe in (("granite", "T1"), ("scale", "T2"))
    )  # fmt: skip
    setup = build.setup((build.rule(lower=18.0, upper=24.0),), places, U=1e-9, settling_s=4 * 3600)
    setup = replace(setup, zones={"bay": replace(setup.zones["bay"], bodies=(granite, scale))})
    cold, warm = np.full(2880, 20.0), np.full(2880, 23.0)
    cold[1435:1445] = np.nan
    readings = {"T1": build.series(cold), "T2": build.series(warm)}
    start = at_start_of_record(setup.zones["bay"])
    whole = build.judged(setup, readings, build.at(0), build.at(48), state=start)
    first = build.judged(setup, readings, build.at(0), build.at(24), state=start)
    second = build.judged(setup, readings, build.at(24), build.at(48), state=first.memory.states[1440])
    assert [air.last for air in first.memory.states[1440].tracks.airs] == [20_000_000, 23_000_000]
    assert second.memory.states[1440] == whole.memory.states[2880]


def test_a_body_whose_air_was_never_seen_leaves_the_others_as_known_as_they_are(
    build: SimpleNamespace,
) -> None:
    """Rooms 3202 and 4105 of the search: the probe of the second body is placed on the second day.

    The first body is 22.0 degC, beyond its limits, for certain. Judged day by day, as the store does, it is
    settling on the second day as it is in one go, and not merely unknown.
    """
    scale, plate = (
        ThermalBody(key=f"bay.{name}", name=name, tau_s=4 * 3600.0, u_tau_s=0.0, lower=19.0, upper=21.0,
                    channels=(f"{probe}.temperature",))
        for name, probe in (("scale", "T1"), ("plate", "T2"))
    )  # fmt: skip
    places = {"T1": (1.0, 1.0, 1.0), "T2": (3.0, 1.0, 1.0)}
    setup = build.setup((build.rule(lower=18.0, upper=24.0),), places, U=1e-9, settling_s=4 * 3600)
    setup = replace(setup, zones={"bay": replace(setup.zones["bay"], bodies=(scale, plate))})
    late = np.full(2880, np.nan)
    late[1500:] = 20.0
    readings = {"T1": build.series(np.full(2880, 22.0)), "T2": build.series(late)}
    start = at_start_of_record(setup.zones["bay"])
    whole = build.judged(setup, readings, build.at(0), build.at(48), state=start)
    first = split_into_days(
        build.judged(setup, readings, build.at(0), build.at(24), state=start), start
    )[build.at(0) // (86400 * NS)]  # fmt: skip
    stored = DayVerdicts.of_text(first.to_text()).state_out
    second = build.judged(setup, readings, build.at(24), build.at(48), state=stored)
    assert REASONS[int(whole.reason[1440])] == "settling"
    assert second.reason.tolist() == whole.reason[1440:].tolist()
    assert second.memory.states[1440] == whole.memory.states[2880]
