"""Rows that follow from acts are held against the journal: inspections, marks, alarms."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.acts import marks
from logger.config import example_folder, load
from logger.core.alarms.lifecycle import Alarm
from logger.instants import NS
from logger.model import Inspection, Mark
from logger.store import Store

from ..store.conftest import edit

AT = 1_792_000_000 * NS + 123_456_789


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    setup = load(example_folder()).setup
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        actions.start_inspection(
            store, setup, Inspection("J1", "machine-bay", 0, None, "bore"), "R. Sova", AT
        )
        job = Inspection("J2", "machine-bay", AT, AT + NS, "flange", length_mm=250.0)
        actions.add_inspection(store, setup, job, "R. Sova")
        actions.stop_inspection(store, "J1", "R. Sova", AT + 5 * NS + 1)
        marks.mark(store, setup, Mark("machine-bay", AT, AT + NS, "painting", "G. Holm"))
        with store.begin() as conn:
            attending.put_alarm(conn, Alarm("machine-bay.evidence"), AT)
        assert store.verify().faults == ()
    return tmp_path / "data"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        ("UPDATE inspection SET to_ns = to_ns + 1 WHERE key = 'J1'", "inspection J1: its row is missing"),
        ("UPDATE inspection SET zone = 'plate-bench' WHERE key = 'J2'", "inspection J2: its row is missing"),
        (
            "UPDATE inspection SET body = json_set(body, '$.title', 'lid')",
            "inspection J2: its row is missing",
        ),
        ("DELETE FROM inspection WHERE key = 'J2'", "inspection J2: its row is missing"),
        ("INSERT INTO inspection SELECT 'J3', zone, from_ns, to_ns, body FROM inspection", "inspection J3"),
        ("UPDATE mark SET to_ns = to_ns - 1", "mark 1: its row is missing, altered"),
        ("DELETE FROM mark", "mark 1: its row is missing"),
        (
            "UPDATE alarm SET state = 'shelved'",
            "alarm machine-bay.evidence: its state differs from that in the journal",
        ),
    ],
    ids=lambda text: text[:40],
)
def test_a_row_that_no_act_explains_is_named(folder: Path, statement: str, fault: str) -> None:
    edit(folder, statement + (" LIMIT 1" if statement.startswith("INSERT") else ""))

    with Store.open(folder, read_only=True) as store:
        faults = store.verify().faults

    assert any(text.startswith(fault) for text in faults), faults
