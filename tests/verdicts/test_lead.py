"""A state judged from the days before it alone is that of the whole record, or none is given."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.bench.record import START_NS, ZONE, setup
from logger.core.judge.days import DAY_NS
from logger.instants import NS
from logger.model import Row, Setup, ThermalBody
from logger.store import Store
from logger.verdicts import comparison
from logger.verdicts.comparison import compare_stored
from logger.verdicts.lead import state_from_readings
from logger.verdicts.ledger import Ledger
from logger.verdicts.verdicts import Verdicts

DAYS = 45
EVERY_S = 300
FIRST = START_NS // DAY_NS
BODIES = {
    "none": (),
    "light": (ThermalBody("bay.part", "part", 1800.0, 600.0, 19.0, 21.0),),
    "two": (
        ThermalBody("bay.granite", "granite", 7200.0, 600.0, 19.2, 20.8),
        ThermalBody("bay.frame", "frame", 50_000.0, 5000.0, 19.0, 21.0),
    ),
}


def room(bodies: str, settling_s: int = 14_400) -> Setup:
    """Two probes under a band, with or without declared bodies."""
    both = setup(8)
    zone = replace(both.zones[ZONE], bodies=BODIES[bodies], settling_s=settling_s)
    probes = {key: both.probes[key] for key in ("P00", "P01")}
    channels = {
        c: replace(both.channels[c], interval_s=EVERY_S, max_age_s=3 * EVERY_S)
        for p in probes.values()
        for c in p.channels
    }
    return replace(
        both,
        zones={ZONE: zone},
        probes=probes,
        channels=channels,
        placements=tuple(p for p in both.placements if p.probe in probes),
        certificates=tuple(c for c in both.certificates if c.channel in channels),
        rules=tuple(r for r in both.rules if r.kind != "gradient"),
    )


def rows(seed: int) -> list[Row]:
    """45 days with excursions, jumps that a probe may not make, and silences of minutes to days."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(0, DAYS * 86_400, EVERY_S) + 30
    value = 20 + 0.3 * np.sin(at_s / 86_400 * 2 * np.pi) + rng.normal(0, 0.01, len(at_s))
    for begin in rng.integers(0, len(at_s), 14):
        value[begin : begin + rng.integers(2, 150)] += rng.choice([-1.6, 1.4, 2.5, 14.0])
    there = np.ones(len(at_s), np.bool_)
    for begin in rng.integers(0, len(at_s), 10):
        there[begin : begin + rng.choice([3, 20, 100, 300, 900])] = False
    taken = [
        (START_NS + int(s) * NS, round(float(v), 2)) for s, v in zip(at_s[there], value[there], strict=True)
    ]
    return [
        Row(f"{p}.temperature", t, t, v + n * 0.02) for t, v in taken for n, p in enumerate(("P00", "P01"))
    ]


@pytest.mark.slow
@pytest.mark.parametrize("bodies", list(BODIES))
@pytest.mark.parametrize("seed", range(4))
def test_the_state_is_that_of_the_whole_record(tmp_path: Path, bodies: str, seed: int) -> None:
    """Of every day: equal, but for the rule that disturbed last where nothing settles any more; or none."""
    judged = room(bodies, settling_s=(14_400, 43_200)[seed % 2])
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append("made", rows(seed))
        now_ns = START_NS + (DAYS + 5) * DAY_NS
        Verdicts(store, judged).refresh(ZONE, now_ns)
        ledger, determined = Ledger(store, judged), 0
        for day in range(FIRST + 14, FIRST + DAYS, 3):
            state = state_from_readings(ledger, ZONE, day, FIRST, now_ns)
            if state is None:
                continue
            determined += 1
            whole = ledger.state_before(ZONE, day)
            assert replace(state, rule="") == replace(whole, rule=""), day - FIRST
            assert state.rule in ("", whole.rule)
            assert not whole.settling_s or state.rule == whole.rule
        assert determined >= 5


@pytest.mark.parametrize("silent_days", [20, 42])
def test_a_silence_as_long_as_the_lead_determines_nothing(tmp_path: Path, silent_days: int) -> None:
    """Without a reading what was before still counts, and the comparison begins with the record."""
    judged = room("none")
    end_ns = START_NS + silent_days * DAY_NS
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        readings = rows(1)
        store.append("made", [r for r in readings if r.taken_ns < START_NS + DAY_NS or r.taken_ns >= end_ns])
        now_ns = START_NS + (DAYS + 5) * DAY_NS
        Verdicts(store, judged).refresh(ZONE, now_ns)
        ledger, day = Ledger(store, judged), FIRST + silent_days
        assert state_from_readings(ledger, ZONE, day, FIRST, now_ns) is None
        assert compare_stored(ledger, ZONE, (day, day)).from_ns == FIRST * DAY_NS


def test_a_wrong_lead_alters_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What differs behind a lead is judged from the first day on before anybody is accused."""
    judged = room("two")
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append("made", rows(2))
        now_ns = START_NS + (DAYS + 5) * DAY_NS
        Verdicts(store, judged).refresh(ZONE, now_ns)
        ledger, day = Ledger(store, judged), FIRST + 20
        wrong = replace(ledger.unknown_state(ZONE, day), settling_s=9_000_000, unknown_s=9_000_000)
        monkeypatch.setattr("logger.verdicts.comparison.state_from_readings", lambda *_: wrong)
        assert comparison._compare(ledger, ZONE, (day, day + 9), by_lead=True).wrong
        assert compare_stored(ledger, ZONE, (day, day + 9)).altered_days == []


@pytest.mark.slow
def test_edited_days_inside_and_before_a_span(tmp_path: Path) -> None:
    """A day of the span is named; what was judged from an edited state is, too."""
    judged, readings = room("two"), rows(3)
    late = [r for r in readings if START_NS + 29 * DAY_NS <= r.taken_ns < START_NS + 30 * DAY_NS]
    now_ns = START_NS + (DAYS + 5) * DAY_NS
    with Store.open(tmp_path / "once", create=True, simulated=True) as once:
        once.append("made", readings)
        Verdicts(once, judged).refresh(ZONE, now_ns)
        expected = once.verdict_cache.days(ZONE, FIRST + 28, FIRST + 44)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append(
            "made", [r for r in readings if r.taken_ns < late[0].taken_ns or r.taken_ns > late[-1].taken_ns]
        )
        Verdicts(store, judged).refresh(ZONE, now_ns)
        cache, before = store.verdict_cache, FIRST + 27
        stored = cache.day(ZONE, before)
        assert stored is not None
        head, state = stored[1].split('"state_out":')
        edited = state.replace('"settling_s":0', '"settling_s":9000000').replace(
            '"unknown_s":0', '"unknown_s":9000000'
        )
        assert edited != state
        cache.put_days(ZONE, {before: (stored[0], f'{head}"state_out":{edited}')})
        store.append("late", late)
        span = START_NS + 28 * DAY_NS, START_NS + 44 * DAY_NS

        Verdicts(store, judged).prove(ZONE, now_ns, span)

        assert cache.days(ZONE, FIRST + 28, FIRST + 44) == expected
        of_day = expected[FIRST + 40]
        cache.put_days(ZONE, {FIRST + 40: (of_day[0], of_day[1].replace('"stable"', '"not stable"'))})
        assert Verdicts(store, judged).prove(ZONE, now_ns, span) == ["2025-02-10"]
        assert cache.days(ZONE, FIRST + 28, FIRST + 44) == expected
