"""Causes, not symptoms: twelve probes, a real store, the real judge, minute by minute.

The courses of temperature are invented; what must follow from each is said with each.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from logger.acts import alarms as attending
from logger.core.alarms.lifecycle import AlarmState
from logger.instants import NS
from logger.model import (
    AlarmSpec,
    AsciiLine,
    Certificate,
    Channel,
    CommonCause,
    Config,
    MailRoute,
    NoticePlan,
    Placement,
    Position,
    Probe,
    Room,
    Row,
    Rule,
    Setup,
    Zone,
)
from logger.service.alarm_engine import AlarmEngine
from logger.store import Store
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts

MINUTE = 60 * NS
START = 1_792_382_400 * NS // MINUTE * MINUTE
PROBES = [f"P{n}" for n in range(1, 13)]
BAY, BENCH = PROBES[:6], PROBES[6:]
AIR_HANDLING = CommonCause("air-handling", ("bay", "bench"))
Course = Callable[[int, int], float | None]  # number of the probe and minute -> degC, None: silent


def _config() -> Config:
    channels = {
        f"{p}.temperature": Channel(f"{p}.temperature", p, "temperature", "degC", 60.0, 180.0, 0.01, 0.01,
                                    (-40.0, 60.0))
        for p in PROBES
    }  # fmt: skip
    places = {
        f"at-{p}": Position(f"at-{p}", f"place {p}", "bay" if p in BAY else "bench", "air", (1.0, 1.0, 1.0))
        for p in PROBES
    }
    papers = [
        Certificate(f"C-{p}", f"{p}.temperature", "cal", "", "2026-01-01", 0, None, (20.0,), (0.0,), (0.05,),
                    2.0, (10.0, 30.0))
        for p in PROBES
    ]  # fmt: skip
    setup = Setup(
        1, "", Room("east", "Measuring room East", "Almtal Gearworks", "Europe/Vienna", (9.0, 6.0, 3.0),
                    "Greta Holm", simulated=True),
        {key: Zone(key, key.capitalize(), (0.0, 0.0, 4.0, 4.0), agree_K=0.5) for key in ("bay", "bench")},
        places,
        {p: Probe(p, f"AG-{p}", "air", (f"{p}.temperature",)) for p in PROBES},
        channels,
        tuple(Placement(p, f"at-{p}", 0) for p in PROBES),
        tuple(papers),
        tuple(
            Rule(f"{zone}.temperature", zone, "limit", "temperature", "temperature", "degC", 19.0, 21.0,
                 "manual", 0)
            for zone in ("bay", "bench")
        ),
        tuple(
            AlarmSpec(f"{zone}-air", f"{zone}.temperature", "high", "Wrong lengths.", "Stop measuring.",
                      300, 300, 0.1, ("screen", "duty"))
            for zone in ("bay", "bench")
        ),
    )  # fmt: skip
    lines = [AsciiLine(p, "/dev/bus", "query", "T=(?P<t>.*)", {"t": f"{p}.temperature"}) for p in PROBES]
    duty = MailRoute("duty", "127.0.0.1", 25, "room@almtal.example", ("greta@almtal.example",), "none")
    return Config(
        setup, tuple(lines), (duty,), notices=NoticePlan(gather_s=60, common_causes=(AIR_HANDLING,))
    )


CONFIG = _config()


def lived(store: Store, course: Course, first: int, last: int) -> None:
    """Minutes first … last − 1: readings in the middle of each, a turn 3 s after its end."""
    verdicts = Verdicts(store, CONFIG.setup)
    live = LiveVerdicts(verdicts)
    alarming = AlarmEngine(store, CONFIG, verdicts, START)
    for minute in range(first, last):
        at = START + minute * MINUTE + 30 * NS
        values = {p: course(n, minute) for n, p in enumerate(PROBES)}
        rows = [Row(f"{p}.temperature", at, at, round(v, 2)) for p, v in values.items() if v is not None]
        if rows:
            store.append("poll", rows)
        now = START + (minute + 1) * MINUTE + 3 * NS
        live.judge(now)
        alarming.turn(now)


def letters(store: Store) -> list[tuple[str, str]]:
    """Step and text of each letter so far."""
    return [(x.body["step"], x.body["text"]) for x in attending.outbox(store).waiting(2**62)]


def states(store: Store) -> dict[str, AlarmState]:
    """State of each alarm that is not normal."""
    return {a.key: a.state for a in attending.alarm_list(store) if a.state is not AlarmState.NORMAL}


def wobble(n: int, minute: int) -> float:
    """A quiet room: no probe stands still, none departs."""
    return 20.0 + 0.02 * math.sin(minute / 3 + n) + 0.01 * (n % 3)


@pytest.mark.slow
def test_the_air_handling_stops_and_one_notice_lists_twelve_probes(store: Store) -> None:
    """Two zones, twelve probes, each out at a minute of its own: one notice, before and after nothing."""

    def course(n: int, minute: int) -> float:
        return wobble(n, minute) + max(0, minute - 10) * 3.0 / 60 + 0.005 * n

    lived(store, course, 0, 45)

    mails = letters(store)
    assert [step for step, _ in mails] == ["annunciated"]
    assert [p for p in PROBES if f"{p} (place {p})" not in mails[0][1]] == []
    assert states(store) == {
        "bay-air": AlarmState.UNACKNOWLEDGED, "bench-air": AlarmState.UNACKNOWLEDGED
    }  # fmt: skip


@pytest.mark.slow
def test_nobody_comes_and_the_second_person_is_told_once_of_both_zones(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both zones are out and nobody acknowledges for 15 min: one letter lists both, whoever is notified."""
    alarms = tuple(replace(s, escalate_after_s=900, escalate_to=("duty",)) for s in CONFIG.setup.alarms)
    monkeypatch.setitem(globals(), "CONFIG", replace(CONFIG, setup=replace(CONFIG.setup, alarms=alarms)))

    def course(n: int, minute: int) -> float:
        return wobble(n, minute) + (2.0 if minute >= (5 if n < 6 else 9) else 0.0)

    lived(store, course, 0, 40)

    mails = letters(store)
    assert [step for step, _ in mails] == ["annunciated", "annunciated", "escalated"]
    assert [p for p in PROBES if f"{p} (place {p})" not in mails[2][1]] == []


@pytest.mark.slow
def test_one_probe_that_fails_is_an_alarm_of_the_probe(store: Store) -> None:
    """It jumps by 3 K while its neighbours stay: the room is not called out, at no time."""

    def course(n: int, minute: int) -> float:
        return wobble(n, minute) + (3.0 if n == 3 and minute >= 10 else 0.0)

    lived(store, course, 0, 40)

    mails = letters(store)
    assert [step for step, _ in mails] == ["annunciated"]
    assert "P4.temperature: disagrees with its neighbours" in mails[0][1]
    assert states(store) == {"bay.suspect": AlarmState.UNACKNOWLEDGED}


@pytest.mark.slow
def test_a_bus_is_unplugged_and_the_alarms_that_rest_on_it_are_muted_by_it(store: Store) -> None:
    """Twelve silent probes are one notice; the journal says what muted the limit alarms, and until when."""

    def course(n: int, minute: int) -> float | None:
        return None if 10 <= minute < 25 else wobble(n, minute)

    lived(store, course, 0, 25)

    mails = letters(store)
    assert [step for step, _ in mails] == ["annunciated"]
    assert [p for p in PROBES if f"{p} (place {p})" not in mails[0][1]] == []
    assert states(store) == {
        "bay.evidence": AlarmState.UNACKNOWLEDGED, "bench.evidence": AlarmState.UNACKNOWLEDGED,
        "bay-air": AlarmState.SUPPRESSED, "bench-air": AlarmState.SUPPRESSED,
    }  # fmt: skip
    muted = [e.why for e in store.journal.entries(kind="alarm") if e.what["is"] == "suppressed by design"]
    assert all(f"{zone}.evidence (P" in " ".join(muted) for zone in ("bay", "bench"))

    lived(store, course, 25, 35)

    assert [step for step, _ in letters(store)] == ["annunciated", "returned"]
    assert set(states(store).values()) == {AlarmState.RETURNED_UNACKNOWLEDGED}
    assert store.verify().faults == ()


@pytest.mark.slow
def test_a_door_left_open_is_one_cause_for_both_zones_and_one_return(store: Store) -> None:
    """Cold air comes in at the bay first and reaches the bench four minutes later: "now also", ended once."""

    def course(n: int, minute: int) -> float:
        begins = 10 if n < 6 else 14
        return wobble(n, minute) - (1.6 if begins <= minute < 40 else 0.0)

    lived(store, course, 0, 60)

    mails = letters(store)
    assert [step for step, _ in mails] == ["annunciated", "annunciated", "returned"]
    assert [p for p in PROBES if f"{p} (place {p})" not in mails[1][1]] == []
    joined = [e.why for e in store.journal.entries(kind="alarm") if "same cause as bay-air" in e.why]
    assert len(joined) == 1
    assert set(states(store)) == {"bay-air", "bench-air"}
