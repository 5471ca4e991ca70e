"""The simulated room against physics and against what the demo scenario needs of it."""

from __future__ import annotations

import math

import pytest

from logger.instants import NS
from logger.simulation import climate
from logger.simulation.climate import instant
from logger.simulation.instruments import INSTRUMENTS, SimulatedProbes
from logger.simulation.probe import STUCK_HEATER_W
from logger.simulation.room import (
    Disturbance,
    SimulatedRoom,
    humidity_ratio,
    relative_humidity,
    saturation_hPa,
)

HOUR_NS = 3600 * NS
START_NS = instant("2026-11-24T00:00+00:00")


@pytest.mark.parametrize(
    ("temperature", "hPa"),
    [(0.0, 6.112), (10.0, 12.28), (20.0, 23.39), (30.0, 42.47)],
    ids=str,
)
def test_saturation_pressure_is_that_of_the_steam_tables(temperature: float, hPa: float) -> None:
    """IAPWS-95 at saturation. The short formula of WMO-No. 8 is known to lie up to 0.32 % below it."""
    assert saturation_hPa(temperature) == pytest.approx(hPa, rel=3.5e-3)


@pytest.mark.parametrize("rh", [5.0, 48.0, 95.0])
def test_relative_humidity_is_the_inverse_of_the_humidity_ratio(rh: float) -> None:
    assert relative_humidity(20.3, humidity_ratio(20.3, rh, 962), 962) == pytest.approx(rh, abs=1e-9)


@pytest.mark.parametrize(
    ("day", "elevation_deg"), [("06-21", 65.65), ("12-21", 18.75), ("03-21", 42.2)], ids=str
)
def test_the_noon_sun_stands_as_high_as_latitude_and_season_say(day: str, elevation_deg: float) -> None:
    """At noon 90° − latitude + declination: ± 23.45° at the solstices, 0 at the equinox."""
    noon_ns = instant(f"2026-{day}T11:04+00:00")  # 12:00 mean solar time at 14° E
    assert math.degrees(math.asin(climate.sun(noon_ns))) == pytest.approx(elevation_deg, abs=0.6)
    assert climate.sun(noon_ns + 12 * HOUR_NS) == 0


def test_people_come_on_working_days_only_and_the_weekend_has_its_setting() -> None:
    monday, saturday = instant("2026-10-19T08:00+02:00"), instant("2026-10-24T08:00+02:00")
    assert (climate.outside(monday).people, climate.outside(saturday).people) == (2, 0)
    assert (climate.outside(monday).setback, climate.outside(saturday).setback) == (False, True)
    assert climate.outside(instant("2026-10-26T04:59+01:00")).setback


def indications(panel: SimulatedProbes) -> list[float]:
    return [panel.indication(f"{key}.temperature") for key in INSTRUMENTS] + [panel.indication("B1.pressure")]


def test_the_same_seed_gives_the_same_room_however_time_is_cut() -> None:
    first, other = (SimulatedProbes(SimulatedRoom(7, START_NS), 7) for _ in range(2))
    first.advance(START_NS + HOUR_NS)
    for minute in range(61):
        other.advance(START_NS + minute * 60 * NS)
    assert indications(first) == indications(other)
    different = SimulatedProbes(SimulatedRoom(8, START_NS), 8)
    different.advance(START_NS + HOUR_NS)
    assert indications(different) != indications(first)


def test_a_room_that_started_earlier_goes_on_without_a_seam() -> None:
    """What the loggers held and the live room come from one start, hence from one state."""
    before, live = SimulatedRoom(7, START_NS), SimulatedRoom(7, START_NS)
    before.advance(START_NS + 6 * HOUR_NS)
    live.advance(START_NS + 6 * HOUR_NS)
    assert before.state == live.state


@pytest.mark.slow
@pytest.mark.parametrize("day", ["2026-01-13", "2026-07-17", "2026-11-24"])
def test_in_any_season_normal_running_keeps_the_bay_well_inside_its_limits(day: str) -> None:
    start_ns = instant(f"{day}T00:00+00:00")
    panel = SimulatedProbes(SimulatedRoom(7, start_ns), 7)
    low, high, bay_hour = 99.0, 0.0, []
    for minute in range(2 * 1440):
        panel.advance(start_ns + minute * 60 * NS)
        bay = [panel.true_degC("P1"), panel.true_degC("P2")]
        low, high = min(low, *bay), max(high, *bay)
        bay_hour = [*bay_hour[-59:], bay[0]]
        assert max(bay_hour) - min(bay_hour) < 0.35
        assert abs(bay[1] - bay[0]) / 1.4 < 0.3
        assert 19.4 < panel.true_degC("P6") < 20.6
        assert 44 < panel.relative_humidity("P1") < 56
    assert 19.75 < low < high < 20.25
    assert 930 < panel.pressure() < 995


def test_the_scale_follows_the_air_later_and_less() -> None:
    stopped = Disturbance("air handling stopped", START_NS, START_NS + 3 * HOUR_NS, 15.0)
    panel = SimulatedProbes(SimulatedRoom(7, START_NS, [stopped]), 7)
    air, scale = [], []
    for minute in range(8 * 60):
        panel.advance(START_NS + minute * 60 * NS)
        air.append(panel.true_degC("P1"))
        scale.append(panel.true_degC("P3"))
    assert max(air) - air[0] > 0.4
    assert max(scale) - scale[0] < 0.8 * (max(air) - air[0])
    assert scale.index(max(scale)) > air.index(max(air)) + 10
    assert air[-1] == pytest.approx(air[0], abs=0.15)


def test_an_open_door_warms_the_bench_more_than_the_bay_and_lowers_its_humidity() -> None:
    open_ns = START_NS + 9 * HOUR_NS
    door = Disturbance("door open", open_ns, open_ns + 240 * NS, 1.0)
    panel = SimulatedProbes(SimulatedRoom(7, START_NS, [door]), 7)
    panel.advance(open_ns)
    before = {key: panel.true_degC(key) for key in INSTRUMENTS}
    humidity = panel.relative_humidity("P6")
    panel.advance(open_ns + 270 * NS)
    rise = {key: panel.true_degC(key) - before[key] for key in INSTRUMENTS}
    assert rise["P6"] > rise["P4"] > 0.4
    assert rise["P6"] < 1.0
    assert abs(rise["P1"]) < 0.1
    assert panel.relative_humidity("P6") < humidity - 0.5


@pytest.mark.parametrize("hour", [3, 10, 20])
def test_a_stuck_heater_takes_the_bay_out_in_two_to_three_minutes(hour: int) -> None:
    start_ns = START_NS + hour * HOUR_NS
    panel = SimulatedProbes(SimulatedRoom(7, start_ns), 7)
    panel.room.disturb(Disturbance("heater stuck", start_ns, None, STUCK_HEATER_W))
    seconds = 0
    while panel.true_degC("P2") <= 20.5:
        seconds += 10
        panel.advance(start_ns + seconds * NS)
    assert 90 <= seconds <= 180
