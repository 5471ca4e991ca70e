"""Texts in the database whose bytes were damaged: a sentence, and no alarm that is silent for it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.acts import alarms as attending
from logger.core.alarms.lifecycle import AlarmState
from logger.core.alarms.system import WATCHED
from logger.instants import NS
from logger.model import Row
from logger.service.alarm_engine import AlarmEngine
from logger.service.self_check import SelfCheck
from logger.store import Store
from tests.command_line import Run

from .test_alarming import CONFIG, MINUTE, START, live, states


def damage(folder: Path, table: str, column: str, text: str) -> None:
    """Without the program: the bytes on the disk, of the newest row."""
    with closing(sqlite3.connect(folder / "stillroom.db")) as db, db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f'DROP TRIGGER "{name}"')
        newest = f"rowid = (SELECT max(rowid) FROM {table})"  # noqa: S608
        assert db.execute(f"UPDATE {table} SET {column} = ? WHERE {newest}", (text,)).rowcount == 1  # noqa: S608


@pytest.mark.parametrize("text", ["{", "", "null", "[]", '{"key": 1, "run": 3}'])
def test_a_damaged_alarm_begins_anew_and_is_announced_again(store: Store, text: str) -> None:
    rules = live(store, [20.0, 20.9, 20.9, 20.9])
    for (key,) in _keys(store):
        with closing(sqlite3.connect(store.folder / "stillroom.db")) as db, db:
            db.execute("UPDATE alarm SET body = ? WHERE key = ?", (text, key))
    live(store, [20.9, 20.9, 20.9], 4, rules)
    assert states(store)["bay-air"] is AlarmState.UNACKNOWLEDGED
    letters = [letter for letter in attending.outbox(store).waiting(2**62) if letter.alarm == "bay-air"]
    assert len(letters) == 2


def _keys(store: Store) -> list[tuple[str]]:
    with closing(sqlite3.connect(store.folder / "stillroom.db")) as db:
        return list(db.execute("SELECT key FROM alarm"))


@pytest.mark.parametrize("text", ["{", ""])
def test_a_damaged_entry_of_the_journal_hides_no_other_fact_of_the_service(store: Store, text: str) -> None:
    store.append("poll", [Row("P1.temperature", START, START, 20.0)])
    store.journal.append("event", "service", {"event": "start"})
    damage(store.folder, "journal", "what", text)
    facts = SelfCheck(store, CONFIG, {"daily seal": "no room"}).facts(START + 3600 * NS)
    assert facts.disk_free_GB is not None
    assert facts.failing["daily seal"] == "no room"
    assert "was altered" in facts.failing["look at steps of the clock"]
    assert "look at steps of the clock fails" in WATCHED["jobs"].out(facts)
    AlarmEngine(store, CONFIG, live(store, [20.0]), facts=SelfCheck(store, CONFIG, {}).facts).turn(
        START + 2 * MINUTE
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("table", "column", "text", "command"),
    [
        ("setup", "texts", "{", ("alarm", "list")),
        ("setup", "texts", "{", ("run",)),
        ("setup", "texts", "[1]", ("run",)),
        ("inspection", "body", "{", ("inspection", "list")),
        ("inspection", "body", '{"tytle": "Ring gear"}', ("inspection", "list")),
    ],
)
def test_a_command_says_that_the_database_was_damaged_and_what_to_do(
    demo_copy: Path, stillroom: Run, table: str, column: str, text: str, command: tuple[str, ...]
) -> None:
    damage(demo_copy, table, column, text)
    answer = stillroom(*command, "--data", demo_copy)
    assert answer.returncode == 3
    assert answer.stderr.startswith("stillroom: ")
    assert "damaged" in answer.stderr
    assert "stillroom restore" in answer.stderr
    assert stillroom("verify", "--data", demo_copy).returncode == 10
