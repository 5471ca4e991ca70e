"""The demo of many rooms: what it promises to show, and that its questions have answers."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from logger.simulation.group import BACK, OVERDUE, RETURNING, SILENT, STUCK, GroupRoom, make
from tests.command_line import Run

pytestmark = pytest.mark.slow
COUNT = RETURNING + 1


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, list[GroupRoom]]]:
    """The list of the rooms, and those that go on."""
    folder = tmp_path_factory.mktemp("demo") / "group"
    rooms = make(folder, COUNT, lambda _: None)
    yield folder / "rooms.toml", rooms
    for room in rooms:
        room.store.close()


def test_what_is_wrong_in_the_demo_stands_first_and_the_rest_is_quiet(
    demo: tuple[Path, list[GroupRoom]], stillroom: Run
) -> None:
    file, _ = demo
    rows = json.loads(stillroom("rooms", "list", "--rooms", file, "--json").stdout)
    keys = [key for key in file.read_text().split() if key.startswith("[rooms.")]
    names = {number: keys[number][7:-1] for number in (SILENT, BACK, STUCK, OVERDUE, RETURNING)}
    states = {row["room"]: (row["trouble"], row["verdict"]) for row in rows}
    assert [row["room"] for row in rows[:3]] == [names[n] for n in (BACK, SILENT, STUCK)]
    assert [states[names[n]] for n in (BACK, SILENT, STUCK, OVERDUE)] == [
        ("back", "not shown"), ("silent", "not shown"), ("", "not stable"), ("", "not shown"),
    ]  # fmt: skip
    loud = {key for key, (trouble, verdict) in states.items() if trouble or verdict != "stable"}
    assert loud == set(names.values())  # the returning room breaks its span in 24 h still
    assert {row["site"] for row in rows} == {"Almtal Gearworks", "Traunfeld Tooling", "Seeau Optics"}


def test_questions_to_all_rooms_of_the_demo_have_answers(
    demo: tuple[Path, list[GroupRoom]], stillroom: Run
) -> None:
    file, _ = demo
    now = datetime.now(UTC)
    span = ("--from", f"{now - timedelta(days=2):%Y-%m-%d}", "--to", f"{now + timedelta(days=1):%Y-%m-%d}")
    lost = json.loads(stillroom("rooms", "lost", *span, "--rooms", file, "--json").stdout)
    causes = {row["cause"]: row["hours"] for row in lost["causes"]}
    assert causes["air handling"] > 1.0
    due = json.loads(stillroom("rooms", "due", "--rooms", file, "--json").stdout)
    assert "AG-0416-T" in str(due)
    since = f"{now - timedelta(days=2):%Y-%m-%d}"
    impact = stillroom("reference", "impact", "RT-07", "--from", since, "--rooms", file, "--json")
    assert impact.returncode == 10, impact.stderr
    assert "J-001" in impact.stdout
