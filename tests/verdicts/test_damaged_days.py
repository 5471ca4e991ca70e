"""Stored verdicts whose bytes were damaged: judged again and journalled, never a judge that stands still."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.bench.record import START_NS, ZONE
from logger.core.judge.days import DAY_NS
from logger.core.judge.statement import read_statements
from logger.instants import NS
from logger.store import Store
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts

from .test_lead import room, rows

NOW_NS = START_NS + 9 * DAY_NS + 17 * 3600 * NS
LATER_NS = NOW_NS + 1800 * NS


def damage(folder: Path, day: int, text: str) -> None:
    """Without the program: the bytes on the disk."""
    with closing(sqlite3.connect(folder / "stillroom.db")) as db, db:
        assert db.execute("UPDATE piece SET body = ? WHERE day = ?", (text, day)).rowcount == 1


@pytest.mark.slow
@pytest.mark.parametrize("text", ["", "{", "null", "[1]", '{"periods": 1}', '{"periods": [{"from_ns": 1}]}'])
@pytest.mark.parametrize("days_ago", [0, 1, 6])
def test_a_damaged_day_is_judged_again(tmp_path: Path, text: str, days_ago: int) -> None:
    judged, readings = room("two"), rows(1)
    day = NOW_NS // DAY_NS - days_ago
    with Store.open(tmp_path / "whole", create=True, simulated=True) as whole:
        whole.append("made", [r for r in readings if r.taken_ns < LATER_NS])
        LiveVerdicts(Verdicts(whole, judged)).judge(LATER_NS)
        expected = whole.verdict_cache.days(ZONE, 0, 10**6)
        live = whole.verdict_cache.live()
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append("made", [r for r in readings if r.taken_ns < NOW_NS])
        LiveVerdicts(Verdicts(store, judged)).judge(NOW_NS)
    damage(tmp_path / "data", day, text)
    with Store.open(tmp_path / "data") as store:
        store.append("made", [r for r in readings if NOW_NS <= r.taken_ns < LATER_NS])
        verdicts = Verdicts(store, judged)
        LiveVerdicts(verdicts).judge(LATER_NS)
        assert store.verdict_cache.live() == live
        assert verdicts.periods(ZONE, START_NS, LATER_NS, LATER_NS)[0].from_ns == START_NS
        assert verdicts.excursions(ZONE, START_NS, LATER_NS, LATER_NS)
        assert store.verdict_cache.days(ZONE, 0, 10**6) == expected
        named = [entry.what["altered"] for entry in store.journal.entries(kind="verdicts-altered")]
        assert named == ([] if days_ago == 0 else [[f"2025-01-{10 - days_ago:02}"]])  # today's is made anew


@pytest.mark.parametrize("text", ["", "{", "null", "[1]", '{"zone": "bay"}'])
def test_a_damaged_statement_is_none(tmp_path: Path, text: str) -> None:
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.append("made", [r for r in rows(1) if r.taken_ns < NOW_NS])
        LiveVerdicts(Verdicts(store, room("none"))).judge(NOW_NS)
        live = store.verdict_cache.live()
    assert read_statements(live) == {ZONE: json.loads(live[ZONE])}
    assert read_statements({ZONE: text}) == {}
