"""BACnet/IP on the project's own bus against @bacnet-js/client: each bad input is a row that says why."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from logger.errors import ProbeError
from logger.probes.bacnet import BACNET, UNITS
from logger.probes.plug_in import TrialOptions
from tests.peers import wait_for

from .conftest import BacnetRig, line_of
from .on_bus import first_rows, polling


@pytest.mark.slow
@pytest.mark.parametrize(
    ("order", "raw"),
    [
        ({"flags": [2]}, "fault: 20.03"),
        ({"flags": [4]}, "overridden: 20.03"),
        ({"flags": [8]}, "out-of-service: 20.03"),
        ({"reliability": [2]}, "reliability over-range: 20.03"),
        ({"flags": [2], "reliability": [1]}, "fault, reliability no-sensor: 20.03"),
        ({"values": ["NaN", 47.8]}, "nan"),
        ({"values": ["ERR", 47.8]}, "of another type than the property: ERR"),
    ],
    ids=["fault", "overridden", "out of service", "reliability", "both", "nan", "text"],
)
def test_a_value_that_is_no_reading_says_why_beside_a_good_one(
    bacnet: BacnetRig, order: dict[str, Any], raw: str
) -> None:
    """Bits of status-flags and names of reliability: ANSI/ASHRAE 135, clause 12 (from memory)."""
    bacnet.peer.order(**order)
    temperature, humidity = first_rows(bacnet.driver)
    assert (temperature.value, temperature.status) == (None, "sensor-fault")
    assert temperature.raw.startswith(raw)
    assert (humidity.value, humidity.status) == (47.8, "ok")


def test_in_alarm_alone_is_a_limit_of_theirs(bacnet: BacnetRig) -> None:
    bacnet.peer.order(flags=[1])
    assert [(row.value, row.status) for row in first_rows(bacnet.driver)] == [(20.03, "ok"), (47.8, "ok")]


@pytest.mark.parametrize("strict", [False, True], ids=["by object", "whole request refused"])
def test_an_object_that_is_not_there_is_a_fault_of_that_value_alone(bacnet: BacnetRig, strict: bool) -> None:
    """Some devices refuse the whole request for the sake of one object, as bacpypes3 itself does."""
    bacnet.peer.order(strict=strict)
    objects = bacnet.table()["objects"] | {"a": "analog-input,77"}
    bacnet.driver.close()
    rows = first_rows(bacnet.driver_of(bacnet.table() | {"objects": objects}))
    assert [(row.value, row.status) for row in rows] == [(20.03, "ok"), (47.8, "ok"), (None, "sensor-fault")]
    assert "unknown-object" in rows[2].raw


@pytest.mark.parametrize(
    ("order", "status", "raw"),
    [
        ({"units": [63, 29]}, "device-error", "unit: expected degC, found K"),
        ({"units": [62, 90]}, "device-error", "unit: expected %RH, found "),
        ({"device": 99}, "wrong-probe", "expected device 4194, found 99"),
        ({"device": 99, "any": False}, "wrong-probe", "expected device 4194, found another one"),
        ({"serial": "AG-0499"}, "wrong-probe", "expected serial 'AG-0411', found 'AG-0499'"),
    ],
    ids=["kelvin", "degrees angular", "another device", "device unknown", "another serial number"],
)
def test_a_device_that_is_not_what_it_should_be_gives_no_value_at_all(
    bacnet: BacnetRig, order: dict[str, Any], status: str, raw: str
) -> None:
    bacnet.peer.order(**order)
    rows = first_rows(bacnet.driver)
    assert {(row.value, row.status) for row in rows} == {(None, status)}
    assert rows[0].raw.startswith(raw)


@pytest.mark.parametrize(
    ("order", "status", "raw"),
    [
        ({"units": [64, 29]}, "device-error", "unit: expected degC, found degF"),
        ({"device": 99}, "wrong-probe", "expected device 4194, found 99"),
        ({"serial": "AG-0499"}, "wrong-probe", "expected serial 'AG-0411', found 'AG-0499'"),
    ],
    ids=["degF", "another device", "another serial number"],
)
def test_a_device_that_becomes_another_between_two_polls_gives_no_value(
    bacnet: BacnetRig, order: dict[str, Any], status: str, raw: str
) -> None:
    """There is no connection whose end would tell of it: set up anew, or exchanged at the same address."""
    bacnet.driver.open()
    assert [(row.value, row.status) for row in bacnet.driver.read()] == [(20.03, "ok"), (47.8, "ok")]
    bacnet.peer.order(**order)
    rows = bacnet.driver.read()
    assert {(row.value, row.status) for row in rows} == {(None, status)}
    assert rows[0].raw.startswith(raw)
    bacnet.driver.close()


@pytest.mark.parametrize(
    "order", [{"multiple": False}, {"most": 1}], ids=["one by one", "one object at once"]
)
def test_a_device_with_little_room_is_asked_for_less(bacnet: BacnetRig, order: dict[str, Any]) -> None:
    bacnet.peer.order(**order)
    assert [(row.value, row.status) for row in first_rows(bacnet.driver)] == [(20.03, "ok"), (47.8, "ok")]


def test_an_address_that_is_not_ours_is_a_lost_line_at_once(bacnet: BacnetRig) -> None:
    driver = bacnet.driver_of(bacnet.table() | {"local": "192.0.2.77:47808"})
    with pytest.raises(ProbeError, match=r"local 192\.0\.2\.77:47808"):
        driver.open()


@pytest.mark.slow
def test_a_device_that_hangs_is_killed_and_comes_back_leaves_a_row_for_each_due_poll(
    bacnet: BacnetRig,
) -> None:
    line = line_of("bacnet", interval_s=0.5, **bacnet.table())
    with polling([line]) as rows:
        wait_for(lambda: rows and rows[-1].status == "ok", "a value")
        bacnet.peer.freeze()
        wait_for(lambda: rows[-1].status == "timeout", "a time-out")
        bacnet.peer.thaw()
        wait_for(lambda: rows[-1].status == "ok", "a value after the stop")
        bacnet.peer.kill()
        wait_for(lambda: rows[-1].status == "timeout", "a time-out")
        bacnet.peer.start()
        wait_for(lambda: rows[-1].status == "ok", "a value after the restart")
    assert all((row.value is None) == (row.status != "ok") for row in rows)


@pytest.mark.slow
def test_two_probes_share_our_port_and_keep_their_values_apart(bacnet: BacnetRig) -> None:
    first = line_of("bacnet", interval_s=0.2, **bacnet.table())
    objects = {"temperature": "analog-input,2"}
    other = line_of("bacnet", interval_s=0.2, **(bacnet.table() | {"objects": objects}))
    other = replace(
        other,
        probe="P2",
        channels={"temperature": "P2.relative_humidity"},
        units={"P2.relative_humidity": "%RH"},
    )
    with polling([first, other]) as rows:
        wait_for(lambda: len([row for row in rows if row.status == "ok"]) > 30, "values of both")
    values = {(row.channel, row.value) for row in rows if row.status == "ok"}
    assert values == {
        ("P1.temperature", 20.03), ("P1.relative_humidity", 47.8), ("P2.relative_humidity", 47.8),
    }  # fmt: skip


def test_our_names_of_units_are_those_of_the_library() -> None:
    """The enumeration of bacpypes3 stands for that of the standard, whose numbers are not ours to know."""
    from bacpypes3.basetypes import EngineeringUnits

    names = {str(EngineeringUnits(number)): unit for number, unit in UNITS.items()}
    assert names == {
        "degrees-celsius": "degC", "degrees-kelvin": "K", "degrees-fahrenheit": "degF",
        "percent-relative-humidity": "%RH", "percent": "%", "pascals": "Pa", "kilopascals": "kPa",
        "hectopascals": "hPa", "millibars": "mbar", "bars": "bar", "parts-per-million": "ppm",
        "meters-per-second": "m/s", "luxes": "lx",
    }  # fmt: skip


def test_the_trial_shows_the_device_and_its_objects(bacnet: BacnetRig) -> None:
    assert BACNET.trial is not None
    report = BACNET.trial(bacnet.table()["address"], TrialOptions(timeout_s=10.0))
    assert report.shown[0] == "device 4194: ROOM"
    assert any(
        line.startswith("  analog-input,1 = 20.03") and "degrees-celsius" in line for line in report.shown
    )
    assert "device = 4194" in report.table
