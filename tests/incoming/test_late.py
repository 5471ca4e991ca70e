"""A link lost for three hours: what comes late is judged, and nobody is alarmed about the past (A7)."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.config import in_force
from logger.instants import NS
from logger.model import Config, Message, PushedLine
from logger.service import heartbeat
from logger.service.alarm_engine import AlarmEngine
from logger.service.health import health
from logger.service.incoming import push
from logger.store import Store
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts

MINUTE = 60 * NS
START = 1_792_396_800 * NS  # 2026-10-19T08:00:00Z: all certificates of the example are valid
LOST, BACK, END = 30, 210, 225
PROBES = ("P1", "P2", "P3")


def value(minute: int) -> float:
    """Half an hour far beyond the limit of 20.5 degC, while nobody hears it."""
    return 20.0 + minute % 2 / 100 + (0.9 if 100 <= minute < 130 else 0.0)


def message(*minutes: int) -> bytes:
    output = [
        {"time": (START + m * MINUTE + 30 * NS) / NS, **{p: value(m) + n / 100 for n, p in enumerate(PROBES)}}
        for m in minutes
    ]
    return json.dumps(output).encode()


@pytest.mark.slow
def test_three_hours_that_come_late_are_judged_and_alarm_nobody(tmp_path: Path, example: Config) -> None:
    lines = tuple(PushedLine(p, "annex", {p: f"{p}.temperature"}, Message("json", "time")) for p in PROBES)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        actions.apply_setup(store, example.texts, "test", "test", "test", START)
        config = replace(in_force(store.setups.versions()), lines=lines)
        verdicts = Verdicts(store, config.setup)
        live = LiveVerdicts(verdicts)
        alarming = AlarmEngine(store, config, verdicts, START)
        for minute in range(END):
            now_ns = START + (minute + 1) * MINUTE
            if not LOST <= minute < BACK:
                push(store, config, "annex", minute, message(minute), now_ns - 29 * NS)
            if minute == BACK:
                remaining = push(store, config, "annex", 10_000, message(*range(LOST, BACK)), now_ns)
                assert remaining.stored == 3 * (BACK - LOST)
            if minute % 3 == 2:
                live.judge(now_ns)
                alarming.turn(now_ns)
        end_ns = START + END * MINUTE
        readings = store.readings.read("P1.temperature", START, end_ns)
        assert readings.value.tolist() == [value(m) for m in range(END)]
        assert readings.late.sum() == BACK - LOST - 1  # the newest of them is younger than two intervals
        result = [
            e
            for e in verdicts.excursions("machine-bay", START, end_ns, end_ns)
            if e.rule.endswith(".temperature")
        ]
        assert [(e.from_ns, e.to_ns) for e in result] == [(START + 100 * MINUTE, START + 130 * MINUTE)]
        entries = [e.what for e in store.journal.entries(kind="alarm")]
        raised = {e["alarm"] for e in entries if e["is"] == "unacknowledged"}
        assert "machine-bay.evidence" in raised  # that nothing came was told
        assert not any(str(alarm).startswith("bay-temperature") for alarm in raised)
        output = {a.key: a.state.value for a in attending.alarm_list(store)}
        assert output["bay-temperature"] == "normal"
        assert store.verify().intact


@pytest.mark.parametrize(("late_ms", "text", "fault"), [
    (56.2, "56.2 ms", False), (999.0, "999 ms", False), (4200.0, "4.2 s", True),
])  # fmt: skip
def test_a_late_poll_is_a_fault(
    tmp_path: Path, example: Config, late_ms: float, text: str, fault: bool
) -> None:
    """A user saw "4200 ms, no fault" on page Health of a room that is read every ten seconds."""
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        heartbeat.beat(store.folder, {"at": "2026-10-19T08:00:00Z", "late_ms": late_ms})
        figures = {f.what: f for f in health(store, example.setup, START + NS)}
    figure = figures["poll delay, 99th percentile"]
    assert (figure.value, bool(figure.fault)) == (text, fault)


def test_page_health_knows_of_lines_brokers_and_clocks(tmp_path: Path, example: Config) -> None:
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        heartbeat.beat(store.folder, {
            "at": "2026-10-19T08:00:00Z", "clock": "it shows 1970", "clock_synchronised": False,
            "late_ms": 1.4, "buses": {"/dev/a": 12.0}, "brokers": {"mqtt://192.0.2.3": False},
            "probes_failing": {"P4": "garbage, 7 times in a row"},
        })  # fmt: skip
        line = PushedLine("P1", "annex", {"t": "P1.temperature"}, Message("json", "time", "clock"))
        body = {"time": START / NS - 240, "clock": START / NS - 240, "t": 20.0}
        push(store, replace(example, lines=(line,)), "annex", 1, json.dumps(body).encode(), START)
        figures = {f.what: f for f in health(store, example.setup, START + NS)}
    assert figures["clock"].fault == "it shows 1970"
    assert figures["clock"].value == "not synchronised by the system"
    assert figures["poll delay, 99th percentile"].value == "1.4 ms"
    assert figures["poll delay, 99th percentile"].fault == ""
    assert figures["/dev/a"].fault == ""
    assert figures["mqtt://192.0.2.3"].fault == "no connection to the broker"
    assert figures["probe P4"].value == "garbage, 7 times in a row"
    assert figures["probe P4"].fault == "check the probe, its cable and its power"
    assert figures["own clock of P1"].value == "-240.0 s, corrected when read back"
    assert figures["own clock of P1"].at_ns == START
