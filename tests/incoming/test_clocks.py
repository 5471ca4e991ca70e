"""Stamps of clocks that were wrong: kept, and moved on reading back by what is known of the clock."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from logger.instants import NS
from logger.model import Config, Row
from logger.service.incoming import push
from logger.store import Store
from logger.store.hot.clocks import UNSURE, ClockComparison
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts

from .conftest import NOW_NS

DAY = 86_400 * NS


def compare(store: Store, probe: str, clock_ns: int, offset_ns: int) -> None:
    with store.begin() as conn:
        store.clocks.record_comparison(
            ClockComparison(probe, clock_ns, offset_ns), "Greta Holm", "compared at read-out", conn
        )


def test_a_logger_that_lost_four_minutes_in_thirty_days(store: Store) -> None:
    """The sample of day 15 is moved by 2.0 min; its stamp stays."""
    stamps = [NOW_NS + n * DAY - n * 8 * NS for n in range(31)]  # 8 s a day slow
    store.append(
        "import",
        [Row("P1.temperature", s, s + DAY, 20.0 + n, source="loggers") for n, s in enumerate(stamps)],
    )
    compare(store, "P1", stamps[0], 0)
    compare(store, "P1", stamps[30], -240 * NS)
    result = store.readings.read("P1.temperature", 0, 2**62)
    moved = result.taken_ns - np.array(stamps)
    assert moved[15] == 120 * NS
    assert moved[[0, 30]].tolist() == [0, 240 * NS]
    assert store.readings.columns("P1.temperature", 0, 2**62).taken_ns.tolist() == stamps
    day15 = store.readings.read("P1.temperature", NOW_NS + 15 * DAY - NS, NOW_NS + 15 * DAY + NS)
    assert day15.value.tolist() == [35.0]
    assert store.verify().intact


def test_extent_is_in_true_time_where_a_clock_was_wrong(store: Store) -> None:
    """A logger that was 240 s behind: its first and last reading lie 240 s later than it stamped them."""
    stamps = (NOW_NS, NOW_NS + 30 * DAY)
    store.append("import", [Row("P5.temperature", t, t, 20.0, source="file") for t in stamps])
    assert store.readings.extent() == stamps
    compare(store, "P5", NOW_NS, -240 * NS)
    assert store.readings.extent() == (NOW_NS + 240 * NS, NOW_NS + 30 * DAY + 240 * NS)


def test_only_the_probes_own_stamps_are_moved(store: Store) -> None:
    store.append("poll", [Row("P1.temperature", NOW_NS, NOW_NS, 20.0)])
    store.append("import", [Row("P2.temperature", NOW_NS, NOW_NS, 20.0, source="loggers")])
    compare(store, "P1", NOW_NS, 60 * NS)
    assert store.readings.read("P1.temperature", 0, 2**62).taken_ns.tolist() == [NOW_NS]
    assert store.readings.read("P2.temperature", 0, 2**62).taken_ns.tolist() == [NOW_NS]


def test_a_room_with_a_compared_clock_is_judged_live(store: Store, example: Config) -> None:
    """The ledger asks for all that will ever come; that must not go past what a database takes."""
    push_from = NOW_NS - 600 * NS
    store.append("import", [Row("P1.temperature", push_from, NOW_NS, 20.0, source="loggers")])
    compare(store, "P1", push_from, 5 * NS)
    LiveVerdicts(Verdicts(store, example.setup)).judge(NOW_NS)
    assert len(store.readings.read("P1.temperature", NOW_NS, 2**63 - 1)) == 0
    assert len(store.readings.read("P1.temperature", -(2**63), 2**63 - 1)) == 1


def test_a_comparison_tells_who_judges_that_readings_moved(store: Store) -> None:
    store.append("import", [Row("P1.temperature", NOW_NS, NOW_NS, 20.0, source="loggers")])
    _, cursor = store.readings.changed_since(0)
    assert store.readings.changed_since(cursor)[0] == {}
    compare(store, "P1", NOW_NS, 60 * NS)
    assert store.readings.changed_since(cursor)[0] == {"P1.temperature": 0}


def test_the_clock_that_a_probe_tells_is_noted_at_each_contact_that_says_something_new(
    store: Store, config: Config
) -> None:
    def send(seq: int, now_ns: int, ahead_s: float) -> None:
        clock_s = now_ns / NS + ahead_s
        push(
            store,
            config,
            "annex",
            seq,
            json.dumps({"time": clock_s, "clock": clock_s, "t": 20.0}).encode(),
            now_ns,
        )

    for n in range(5):
        send(n, NOW_NS + n * 60 * NS, 90.0)
    assert [c.offset_ns // NS for c in store.clocks.comparisons("P1")] == [90]
    send(10, NOW_NS + 600 * NS, 95.0)
    assert [c.offset_ns // NS for c in store.clocks.comparisons("P1")] == [90, 95]
    result = store.readings.read("P1.temperature", 0, 2**62)
    assert abs(result.taken_ns[0] - NOW_NS) < NS
    assert not result.late.any()


def unsure(at: int, taken_ns: int, monotonic_s: int, boot: str = "boot-a") -> Row:
    return Row(
        "P1.temperature",
        taken_ns,
        taken_ns + NS,
        20.0 + at,
        source=UNSURE,
        boot=boot,
        monotonic_ns=(monotonic_s + 1) * NS,
    )


def test_readings_of_an_unsure_clock_have_no_place_in_time_until_it_is_corrected(store: Store) -> None:
    """The machine woke up in 1970; the true time was known later, by the monotonic clock of that boot."""
    store.append("poll", [unsure(n, (5 + 60 * n) * NS, 10 + 60 * n) for n in range(3)])
    assert len(store.readings.read("P1.temperature", 0, 2**62)) == 0
    assert store.readings.newest(ok=True) == {}
    store.clocks.record_doubt("boot-a", -5 * NS, "it shows 1970")
    assert [d.why for d in store.clocks.unsure_boots().values()] == ["it shows 1970"]
    with store.begin() as conn:
        store.clocks.record_correction("boot-a", NOW_NS, "stillroom", "the clock was set", conn)
    result = store.readings.read("P1.temperature", 0, 2**62)
    assert result.taken_ns.tolist() == [NOW_NS + (10 + 60 * n) * NS for n in range(3)]
    assert result.value.tolist() == [20.0, 21.0, 22.0]
    assert store.clocks.unsure_boots() == {}
    assert store.readings.columns("P1.temperature", 0, 2**62).taken_ns.tolist() == [5 * NS, 65 * NS, 125 * NS]
    assert store.verify().intact


def test_a_clock_in_the_future_does_not_hide_what_comes_after(store: Store) -> None:
    year = 365 * DAY
    store.append("poll", [unsure(0, NOW_NS + year, 10)])
    store.append("poll", [Row("P1.temperature", NOW_NS, NOW_NS, 19.0)])
    assert store.readings.newest(ok=True)["P1.temperature"].value == 19.0


def test_an_altered_correction_is_found(store: Store, tmp_path: Path) -> None:
    store.append("import", [Row("P1.temperature", NOW_NS, NOW_NS, 20.0, source="loggers")])
    compare(store, "P1", NOW_NS, 60 * NS)
    with sqlite3.connect(tmp_path / "data" / "stillroom.db") as db:
        with pytest.raises(sqlite3.IntegrityError, match="never changed"):
            db.execute("UPDATE clock_comparison SET offset_ns = 0")
        db.execute("DROP TRIGGER clock_comparison_unchanged")
        db.execute("UPDATE clock_comparison SET offset_ns = 0")
    db.close()
    assert any("clock-comparison" in fault for fault in store.verify().faults)
