"""OPC UA on the project's own bus against node-opcua: each bad input is a row without value that says why."""

from __future__ import annotations

import base64
import hashlib
import subprocess
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from logger.errors import ProbeError
from logger.model import Row
from logger.probes import ProbeDriver, Raw
from logger.probes.opc_ua import OPC_UA, OpcUaTable, value_of
from logger.probes.opc_ua_server import application_uri
from logger.probes.plug_in import TrialOptions
from tests.peers import NodePeer, wait_for
from tests.programs import program

from .conftest import URI, OpcUaRig, installed, line_of
from .on_bus import polling


def polled(driver: ProbeDriver) -> Sequence[Raw]:
    driver.open()
    return driver.read()


def settled(driver: ProbeDriver, holds: Callable[[Raw], bool]) -> Raw:
    """The first row of which that holds, of the temperature."""
    rows: list[Raw] = []

    def met() -> bool:
        try:
            rows[:] = polled(driver)
        except ProbeError:
            return False
        return holds(rows[0])

    wait_for(met, "a row as expected")
    return rows[0]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("order", "raw"),
    [
        ({"status": "BadSensorFailure"}, "BadSensorFailure"),
        ({"status": "UncertainLastUsableValue"}, "UncertainLastUsableValue"),
        ({"status": "GoodLocalOverride"}, "GoodLocalOverride: a hand has set it"),
        ({"age_s": 400}, "old: taken "),
        ({"age_s": -400}, "ahead: taken "),
    ],
    ids=lambda value: str(value) if isinstance(value, str) else "",
)
def test_a_value_that_is_no_reading_says_why_beside_a_good_one(
    opc_ua: OpcUaRig, order: dict[str, Any], raw: str
) -> None:
    """Status codes: OPC UA part 4, 7.38; a frozen source stays Good for as long as anybody asks."""
    driver = opc_ua.driver_of(opc_ua.table() | {"oldest_s": 180.0})
    assert settled(driver, lambda row: row.status == "ok").value == 20.03
    opc_ua.peer.order(**order)
    temperature, humidity = polled(driver)
    assert (temperature.value, temperature.status) == (None, "sensor-fault")
    assert temperature.raw.startswith(raw)
    assert (humidity.value, humidity.status) == (47.8, "ok")
    driver.close()


@pytest.mark.slow
def test_a_reading_is_as_old_as_its_source_says_whatever_the_clock_of_the_server(opc_ua: OpcUaRig) -> None:
    """A server a day behind us, a value of 20 s ago: taken 20 s before it came. Read twice, taken once."""
    driver = opc_ua.driver_of(opc_ua.table() | {"oldest_s": 180.0, "time": "source"})
    opc_ua.clock.step(86_400)
    opc_ua.peer.order(age_s=20)
    settled(driver, lambda row: row.status == "ok" and row.at_ns < opc_ua.clock.wall_ns() - 19e9)
    before_ns = opc_ua.clock.wall_ns()
    temperature, humidity = polled(driver)
    after_ns = opc_ua.clock.wall_ns()
    assert temperature.value == 20.03
    assert before_ns - 20.1e9 <= temperature.at_ns <= after_ns - 19.9e9
    assert before_ns - 0.1e9 <= humidity.at_ns <= after_ns
    opc_ua.peer.order(taken_ms=round(before_ns / 1e6) - 86_400_000 - 5000)
    first = settled(driver, lambda row: row.at_ns > temperature.at_ns + 10e9)
    again, _ = polled(driver)
    assert (first.at_ns, first.value) == (again.at_ns, again.value)
    assert abs(first.at_ns - (before_ns - 5e9)) < 2e9
    driver.close()


def test_a_source_that_is_ahead_of_its_server_dates_nothing(opc_ua: OpcUaRig) -> None:
    """5 s are forgiven where our clock dates the reading, and not where theirs does."""
    opc_ua.peer.order(age_s=-5)
    table = opc_ua.table() | {"oldest_s": 180.0}
    driver = opc_ua.driver_of(table)
    assert settled(driver, lambda row: row.status == "ok").value == 20.03
    driver.close()
    driver = opc_ua.driver_of(table | {"time": "source"})
    row = settled(driver, lambda row: row.status == "sensor-fault")
    assert row.value is None
    assert row.raw.startswith("ahead: taken ")
    driver.close()


def test_a_value_without_stamps_is_dated_by_nobody() -> None:
    """A stamp of 1601 is none: the zero of the wire's time (OPC UA part 6, 5.2.2.5)."""
    installed("asyncua")
    from asyncua import ua

    now, zero = datetime.now(UTC), datetime(1601, 1, 1, tzinfo=UTC)
    number = ua.Variant(20.0, ua.VariantType.Double)
    both = ua.DataValue(number, SourceTimestamp=now, ServerTimestamp=now)
    assert value_of(both, 180.0, dated=True)[0] == 20.0
    no_source = ua.DataValue(number, SourceTimestamp=zero, ServerTimestamp=now)
    assert value_of(no_source, 180.0, dated=True) == (None, "no time of the source, value 20.0")
    no_server = ua.DataValue(number, SourceTimestamp=now)
    assert value_of(no_server, 180.0, dated=True) == (None, "no time of the server, value 20.0")
    assert value_of(no_server, 180.0)[0] == 20.0


def test_a_node_or_namespace_that_is_not_there_is_a_fault_of_that_value_alone(opc_ua: OpcUaRig) -> None:
    nodes = opc_ua.table()["nodes"] | {
        "a": f"nsu={URI};s=No.Such.Node",
        "b": "nsu=urn:nobody;s=Probe1.Humidity",
        "c": f"nsu={URI};s=Probe1.Text",
    }
    driver = opc_ua.driver_of(opc_ua.table() | {"nodes": nodes})
    settled(driver, lambda row: row.status == "ok")
    rows = polled(driver)
    assert [(row.value, row.status) for row in rows[:2]] == [(20.03, "ok"), (47.8, "ok")]
    assert {(row.value, row.status) for row in rows[2:]} == {(None, "sensor-fault")}
    assert rows[2].raw.startswith("BadNodeIdUnknown")
    assert rows[3].raw == "no namespace urn:nobody"
    assert rows[4].raw == "Good: no number: ERR"
    driver.close()


@pytest.mark.slow
def test_a_session_that_goes_on_sees_another_unit_and_another_probe(opc_ua: OpcUaRig) -> None:
    """A gateway is set up anew, or its probe exchanged, while the server runs on: nothing is reconnected."""
    driver = opc_ua.driver
    assert settled(driver, lambda row: row.status == "ok").value == 20.03
    opc_ua.peer.order(unit="kelvin", temperature=45.0)  # a number that could be one in degC
    assert {(r.value, r.raw) for r in driver.read()} == {(None, "unit: expected degC, found K")}
    opc_ua.peer.order(unit="degree_celsius", temperature=20.03, serial="AG-0499")
    assert {(r.value, r.status) for r in driver.read()} == {(None, "wrong-probe")}
    opc_ua.peer.order(serial="AG-0411")
    assert [r.value for r in driver.read()] == [20.03, 47.8]


def test_a_device_that_names_another_unit_gives_no_value_until_it_is_mended(opc_ua: OpcUaRig) -> None:
    opc_ua.peer.order(unit="kelvin", temperature=293.18)
    row = settled(opc_ua.driver, lambda row: row.status != "timeout")
    assert (row.value, row.status, row.raw) == (None, "device-error", "unit: expected degC, found K")
    assert {r.value for r in polled(opc_ua.driver)} == {None}
    opc_ua.answers(opc_ua.values[0])
    assert settled(opc_ua.driver, lambda row: row.status == "ok").value == 20.03


@pytest.mark.slow
def test_a_server_that_hangs_is_killed_and_comes_back_leaves_a_row_for_each_due_poll(
    opc_ua: OpcUaRig,
) -> None:
    line = line_of("opc-ua", interval_s=0.5, **opc_ua.table())
    with polling([line]) as rows:

        def newest(status: str) -> Callable[[], bool]:
            return lambda: bool(rows) and rows[-1].status == status

        wait_for(newest("ok"), "a value")
        opc_ua.peer.freeze()
        wait_for(newest("timeout"), "a time-out")
        opc_ua.peer.thaw()
        wait_for(newest("ok"), "a value after the stop")
        opc_ua.peer.kill()
        wait_for(newest("no-port"), "a lost line")
        opc_ua.peer.start()
        wait_for(newest("ok"), "a value after the restart")
    temperatures: list[Row] = [row for row in rows if row.channel == "P1.temperature"]
    assert all((row.value is None) == (row.status != "ok") for row in rows)
    steps_s = [(b.taken_ns - a.taken_ns) / 1e9 for a, b in pairwise(temperatures)]
    assert max(steps_s) < 60  # no hole: each due poll left its row, the ones that were missed as well


@pytest.fixture
def certificates(tmp_path: Path) -> Callable[[str], dict[str, str]]:
    """Our own certificate as openssl makes it: docs/how-to/opc-ua.md."""

    def make(name: str) -> dict[str, str]:
        key, pem, der = (tmp_path / f"{name}.{ending}" for ending in ("pem", "crt", "der"))
        subject = ["-subj", f"/CN={name}", "-addext", f"subjectAltName=URI:urn:example:{name},DNS:localhost"]
        uses = "digitalSignature,nonRepudiation,keyEncipherment,dataEncipherment,keyCertSign"
        more = ["-addext", f"keyUsage={uses}", "-addext", "extendedKeyUsage=clientAuth"]
        new = [program("openssl"), "req", "-x509", "-newkey", "rsa:2048", "-sha256", "-days", "3", "-nodes"]
        subprocess.run([*new, "-keyout", key, "-out", pem, *subject, *more], check=True, capture_output=True)
        subprocess.run(["openssl", "x509", "-in", pem, "-outform", "der", "-out", der], check=True)
        return {"certificate_file": str(der), "key_file": str(key)}

    return make


@pytest.mark.slow
def test_security_with_pinned_certificate_user_and_password(
    opc_ua: OpcUaRig,
    opc_ua_peer: tuple[NodePeer, int, Path],
    certificates: Callable[[str], dict[str, str]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ours not trusted there, another server's pinned, a wrong password: a sentence and no value."""
    own, foreign = certificates("stillroom"), certificates("nobody")
    server = tmp_path / "server.der"
    server.write_bytes(base64.b64decode(opc_ua_peer[0].ready["certificate"]))
    der = Path(own["certificate_file"]).read_bytes()
    assert application_uri(own["certificate_file"]) == "urn:example:stillroom"
    monkeypatch.setenv("ROOM_OPC_UA", "pass word")
    monkeypatch.setenv("ROOM_OTHER", "wrong")
    table = opc_ua.table() | {
        "security": "sign-and-encrypt", "server_certificate_file": str(server), "user": "reader",
        "password_env": "ROOM_OPC_UA", "timeout_s": 20.0, **own,
    }  # fmt: skip

    def refusal(**changes: Any) -> str:
        with pytest.raises(ProbeError) as refused:
            polled(opc_ua.driver_of(table | changes))
        return str(refused.value)

    digest = hashlib.sha256(der).hexdigest()
    assert f"the server does not trust our certificate; trust it there: SHA-256 {digest}" in refusal()
    opc_ua.peer.order(trust=base64.b64encode(der).decode())
    driver = opc_ua.driver_of(table)
    assert [(row.value, row.status) for row in polled(driver)] == [(20.03, "ok"), (47.8, "ok")]
    driver.close()
    assert "the user or the password" in refusal(password_env="ROOM_OTHER")
    assert "ROOM_NOT_SET" in refusal(password_env="ROOM_NOT_SET")
    assert "another certificate" in refusal(server_certificate_file=foreign["certificate_file"])
    assert "there is no file" in refusal(key_file=str(tmp_path / "gone.pem"))


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ({"security": "none", "user": "reader", "password_env": "X"}, "user"),
        ({"certificate_file": "a", "key_file": "b"}, "server_certificate_file"),
        ({"server_certificate_file": "a", "key_file": "b"}, "certificate_file"),
        (
            {"server_certificate_file": "a", "certificate_file": "b", "key_file": "c", "user": "x"},
            "password_env",
        ),
    ],
)
def test_a_connection_that_would_prove_nothing_is_refused(table: dict[str, str], key: str) -> None:
    checked = OpcUaTable.model_validate(
        {"kind": "opc-ua", "url": "opc.tcp://x", "nodes": {"a": "s=a"}, **table}
    )
    assert [fault[0] for fault in OPC_UA.faults(checked)] == [key]


def test_the_trial_shows_certificate_security_and_variables(opc_ua: OpcUaRig, tmp_path: Path) -> None:
    saved = tmp_path / "server.der"
    assert OPC_UA.trial is not None
    report = OPC_UA.trial(opc_ua.table()["url"], TrialOptions(timeout_s=30.0, save=str(saved)))
    text = "\n".join(report.shown)
    assert hashlib.sha256(saved.read_bytes()).hexdigest() in text
    assert "SignAndEncrypt Basic256Sha256" in text
    assert f"nsu={URI};s=Probe1.Temperature = 20.03" in text
    assert f'nodes = {{ temperature = "nsu={URI};s=Probe1.Temperature" }}' in report.table
