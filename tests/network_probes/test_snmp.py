"""SNMP on the project's own bus against snmpd: each bad input is a row without value that says why."""

from __future__ import annotations

from typing import Any

import pytest

from logger.errors import ProbeError
from logger.probes.plug_in import KindRefused, TrialOptions
from logger.probes.snmp import SNMP, SnmpTable
from tests.peers import wait_for
from tests.peers.snmp_agent import AUTHENTICATION, PRIVACY, USER

from .conftest import SnmpRig, line_of
from .on_bus import first_rows, polling


@pytest.fixture(autouse=True)
def _passwords(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROOM_SNMP_A", AUTHENTICATION)
    monkeypatch.setenv("ROOM_SNMP_P", PRIVACY)
    monkeypatch.setenv("ROOM_OTHER", "another word")


VERSION_3 = {
    "version": "3", "user": USER, "authentication_env": "ROOM_SNMP_A", "privacy_env": "ROOM_SNMP_P",
    "community_env": "",
}  # fmt: skip


def table(snmp: SnmpRig, **changes: Any) -> dict[str, Any]:
    return snmp.table() | {"timeout_s": 5.0} | changes


@pytest.mark.slow
@pytest.mark.parametrize("version", ["2c", "3"])
def test_both_versions_read_exact_decimals(snmp: SnmpRig, version: str) -> None:
    """2003 hundredths are 20.03, 478 tenths 47.8: no last bit of a double is left over."""
    rows = first_rows(snmp.driver_of(table(snmp, **(VERSION_3 if version == "3" else {}))))
    assert [(row.value, row.status) for row in rows] == [(20.03, "ok"), (47.8, "ok")]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("shown", "raw"),
    [
        ("integer|-9999", "-9999: the agent's sign for no value"),
        ("string|ERR", "ERR"),
        ("counter|2003", "Counter32 2003: a counter is no reading"),
        ("timeticks|2003", "TimeTicks 2003: a counter is no reading"),
        ("", "NoSuch"),
        ("objectid|1.3.6.1", "1.3.6.1"),
    ],
)
def test_an_object_that_is_no_reading_is_a_fault_of_that_value_alone(
    snmp: SnmpRig, shown: str, raw: str
) -> None:
    snmp.peer.show(shown)
    temperature, humidity = first_rows(snmp.driver_of(table(snmp)))
    assert (temperature.value, temperature.status) == (None, "sensor-fault")
    assert temperature.raw.startswith(raw)
    assert (humidity.value, humidity.status) == (47.8, "ok")


@pytest.mark.slow
def test_another_agent_at_the_address_between_two_polls_gives_no_value(snmp: SnmpRig) -> None:
    """An exchanged device answers at once: no time-out tells of it, so who it is comes with the values."""
    driver = snmp.driver_of(table(snmp))
    driver.open()
    assert [row.value for row in driver.read()] == [20.03, 47.8]
    snmp.peer.show(serial="AG-0499")
    assert {(row.value, row.status) for row in driver.read()} == {(None, "wrong-probe")}
    driver.close()


def test_a_text_that_is_a_number_is_one(snmp: SnmpRig) -> None:
    snmp.peer.show("string|2003")
    assert first_rows(snmp.driver_of(table(snmp)))[0].value == 20.03


@pytest.mark.slow
@pytest.mark.parametrize(
    ("changes", "status", "raw"),
    [
        (VERSION_3 | {"authentication_env": "ROOM_OTHER"}, "device-error", "WrongDigest"),
        (VERSION_3 | {"user": "nobody"}, "device-error", "UnknownUserName"),
        (
            VERSION_3 | {"privacy_env": "ROOM_NOT_SET"},
            "device-error",
            "the environment variable ROOM_NOT",
        ),
        (
            VERSION_3 | {"privacy_env": "ROOM_OTHER", "timeout_s": 0.5},
            "timeout",
            "no answer: address, port, or p",
        ),
        (
            {"community_env": "ROOM_OTHER", "timeout_s": 0.5},
            "timeout",
            "no answer: address, port, or c",
        ),
        (
            {"community_env": "ROOM_NOT_SET"},
            "device-error",
            "the environment variable ROOM_NOT",
        ),
    ],
    ids=["authentication", "user", "privacy not set", "privacy", "community", "community not set"],
)
def test_a_secret_that_is_missing_or_wrong_is_said(
    snmp: SnmpRig, changes: dict[str, Any], status: str, raw: str
) -> None:
    """A wrong community and a wrong privacy password are silence, as agents want it: both are named."""
    rows = first_rows(snmp.driver_of(table(snmp, **changes)), lambda row: row.status == status)
    assert {(row.value, row.status) for row in rows} == {(None, status)}
    assert rows[0].raw.startswith(raw)


def test_a_name_that_nobody_has_is_a_lost_line(snmp: SnmpRig) -> None:
    driver = snmp.driver_of(table(snmp, url="snmp://no-such-host.invalid"))
    with pytest.raises(ProbeError, match=r"no-such-host\.invalid: cannot be reached"):
        driver.open()


@pytest.mark.slow
def test_an_agent_that_is_killed_and_comes_back_leaves_a_row_for_each_due_poll(snmp: SnmpRig) -> None:
    line = line_of("snmp", interval_s=0.5, **table(snmp, **VERSION_3, timeout_s=1.0))
    with polling([line]) as rows:
        wait_for(lambda: rows and rows[-1].status == "ok", "a value")
        snmp.peer.kill()
        wait_for(lambda: rows[-1].status == "timeout", "a time-out")
        snmp.peer.start()
        wait_for(lambda: rows[-1].status == "ok", "a value after the restart")
    assert all((row.value is None) == (row.status != "ok") for row in rows)


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"version": "2c"}, "community_env"),
        ({"authentication_env": "X"}, "user"),
        ({"user": "reader"}, "authentication_env"),
        (
            {"version": "2c", "community_env": "X", "oids": {"t": {"oid": "1.3.1", "scale": 0.0}}},
            "oids.t",
        ),
    ],
)
def test_a_table_that_lacks_something_is_refused(changes: dict[str, Any], key: str) -> None:
    fields = {"kind": "snmp", "url": "snmp://x", "oids": {"t": {"oid": "1.3.1"}}, **changes}
    assert [fault[0] for fault in SNMP.faults(SnmpTable.model_validate(fields))] == [key]


@pytest.mark.slow
def test_the_trial_walks_the_objects_of_the_maker(snmp: SnmpRig) -> None:
    """snmpd shows our arc among its own; the trial proposes a table with the first number."""
    assert SNMP.trial is not None
    report = SNMP.trial(table(snmp)["url"], TrialOptions(timeout_s=10.0, secret_env="ROOM_SNMP_C"))
    assert any(line.startswith("1.3.6.1.4.1.") for line in report.shown)
    assert 'community_env = "ROOM_SNMP_C"' in report.table
    assert any(line.startswith("oids = { temperature = { oid = ") for line in report.table)


def test_a_trial_without_a_secret_says_what_to_give(snmp: SnmpRig) -> None:
    assert SNMP.trial is not None
    with pytest.raises(KindRefused, match="--env NAME, the environment variable with the community"):
        SNMP.trial(table(snmp)["url"], TrialOptions())
