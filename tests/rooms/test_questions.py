"""Questions to all rooms: what rests on a reference, what comes due, where time was lost."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from logger.acts.inspections import apply_setup
from logger.instants import NS, rfc3339
from logger.rooms.lost_time import by_cause, losses
from logger.rooms.uses import FILE, affected_rooms, index, references
from logger.store import Store
from tests.command_line import run_here as run
from tests.dashboard.synthetic import HOUR, INSPECTIONS, Synthetic
from tests.rooms.conftest import NOW, MadeGroup

FOR_EVER = 2**62


def name_reference(folder: Path, files: tuple[str, ...], mark: str) -> None:
    """Let certificates of a room name a reference, by a new version of its setup."""
    with Store.open(folder) as store:
        texts = dict(store.setups.versions()[-1].texts)
        for file in files:
            text = texts[f"certificates/{file}.toml"]
            texts[f"certificates/{file}.toml"] = text.replace(
                "\nissuer", f'\nreferences = ["{mark}"]\nissuer', 1
            )
        apply_setup(store, texts, "Greta Holm", "references entered", "Ines Faber", NOW)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The three rooms of `rooms`, of which each test takes a copy."""
    group = MadeGroup(tmp_path_factory.mktemp("three-rooms") / "rooms.toml")
    for key, files in (("hall-3", ("AG-0411-T",)), ("hall-4", ("AG-0414-T",)), ("hall-5", ())):
        folder = group.add(key)
        if files:
            name_reference(folder, files, "RT-07")
    return group.file.parent


@pytest.fixture
def rooms(template: Path, tmp_path: Path) -> MadeGroup:
    """hall-3: P1 (machine bay) rests on RT-07; hall-4: P4 (plate bench) does; hall-5: nothing does."""
    shutil.copytree(template, tmp_path, dirs_exist_ok=True)
    return MadeGroup(tmp_path / "rooms.toml")


@pytest.mark.slow
def test_what_rests_on_a_reference(rooms: MadeGroup) -> None:
    """By hand: J1 and J2 lie in the bay, J3 on the bench; from 8 h 30 min before NOW on, J1 is out."""
    answers = index(rooms.registry, NOW)
    assert references(answers) == {"RT-07": (2, 2)}
    rooms_affected = affected_rooms(answers, "RT-07", 0, FOR_EVER)
    assert [(t.room, t.certificates, t.jobs) for t in rooms_affected] == [
        ("hall-3", ("AG-0411-T",), (("machine-bay", "J1"), ("machine-bay", "J2"))),
        ("hall-4", ("AG-0414-T",), (("plate-bench", "J3"),)),
    ]
    late = affected_rooms(answers, "RT-07", NOW - 8 * HOUR - 30 * 60 * NS, FOR_EVER)
    assert [t.jobs for t in late] == [(("machine-bay", "J2"),), (("plate-bench", "J3"),)]
    assert affected_rooms(answers, "RT-08", 0, FOR_EVER) == []


def test_a_room_that_is_away_is_not_known_and_comes_first(rooms: MadeGroup) -> None:
    """What it said before stands beside it; nothing is concluded for it."""
    index(rooms.registry, NOW)
    shutil.move(rooms.file.parent / "hall-4", rooms.file.parent / "unmounted")
    rooms_affected = affected_rooms(index(rooms.registry, NOW + HOUR), "RT-07", 0, FOR_EVER)
    assert [t.room for t in rooms_affected] == ["hall-4", "hall-3"]
    assert "expected its data folder" in rooms_affected[0].why
    assert rooms_affected[0].at_ns == NOW
    assert rooms_affected[0].jobs == (("plate-bench", "J3"),)


def test_the_index_holds_no_title_part_or_person(rooms: MadeGroup) -> None:
    index(rooms.registry, NOW)
    text = (rooms.registry.centre / FILE).read_text(encoding="utf-8")
    for job in INSPECTIONS:
        for word in (job.title, job.part, job.person, job.customer if hasattr(job, "customer") else ""):
            assert not word or word not in text


@pytest.mark.parametrize("damage", [b"", b"[]", b'{"hall-3": {"uses": 3}}'], ids=["empty", "a list", "half"])
def test_the_index_can_be_made_anew(rooms: MadeGroup, damage: bytes) -> None:
    before = index(rooms.registry, NOW)
    (rooms.registry.centre / FILE).write_bytes(damage)
    assert index(rooms.registry, NOW) == before


def test_asking_changes_no_record(rooms: MadeGroup) -> None:
    """A group asks rooms that other, older programs may keep: every byte stays."""

    def content() -> dict[str, bytes]:
        folder = rooms.file.parent / "hall-3"
        return {str(f): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}

    before = content()
    index(rooms.registry, NOW)
    assert content() == before


def test_a_record_of_an_older_program_is_not_touched(
    rooms: MadeGroup, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A newer centre would change its tables under its own service: it is not known, and says why."""
    from logger.rooms import roles

    monkeypatch.setattr(roles, "is_older", lambda folder: folder.name == "hall-4")
    (first, *_) = losses(rooms.registry, NOW - 24 * HOUR, NOW, NOW)
    assert first.room == "hall-4"
    assert "older version of the program" in first.why


@pytest.mark.slow
def test_time_lost_over_rooms_is_the_sum_of_what_each_says(rooms: MadeGroup) -> None:
    """Each room by itself, by the command of one room, against all together."""
    span = (rfc3339(NOW - 24 * HOUR), rfc3339(NOW))
    rows = losses(rooms.registry, NOW - 24 * HOUR, NOW, NOW)
    alone = json.loads(
        run(
            "case",
            "causes",
            "--from",
            span[0],
            "--to",
            span[1],
            "--data",
            str(rooms.file.parent / "hall-3"),
            "--json",
        ).stdout
    )
    assert {row.not_stable_ns for row in rows} == {alone["not_stable_in_use_s"] * NS}
    assert sum(ns for _, ns, _ in by_cause(rows)) + sum(r.rest_ns for r in rows) == sum(
        r.not_stable_ns for r in rows
    )


def command(rooms: MadeGroup, *words: str) -> tuple[int, Any]:
    result = run(*words, "--rooms", str(rooms.file), "--json")
    return result.returncode, json.loads(result.stdout + result.stderr)


def test_the_commands(rooms: MadeGroup) -> None:
    code, result = command(rooms, "reference", "impact", "RT-07", "--from", "2026-10-01")
    assert (code, [t["room"] for t in result]) == (10, ["hall-3", "hall-4"])
    code, result = command(rooms, "reference", "list")
    assert (code, result) == (0, [{"reference": "RT-07", "certificates": 2, "rooms": 2}])
    code, due = command(rooms, "rooms", "due")
    assert code == 11  # the summaries of this test are of October: nothing counts now
    assert due["not_known"]
    outcome = run("reference", "impact", "RT-99", "--from", "2026-10-01", "--rooms", str(rooms.file))
    assert outcome.returncode == 2
    assert "Certificates name: RT-07." in (outcome.stdout + outcome.stderr)


@pytest.mark.slow
def test_rooms_are_verified_against_the_heads_that_were_seen(rooms: MadeGroup) -> None:
    """An older copy that went on is intact by itself; the head that was seen is not in it."""
    from logger.rooms.sightings import Sightings

    older = rooms.file.parent / "older"
    shutil.copytree(rooms.file.parent / "hall-5", older)
    rooms.renew("hall-5", NOW, lambda store: store.journal.append("note", "test", {}, "one more"))
    Sightings(rooms.registry.centre).look(rooms.registry, NOW)
    assert run("rooms", "verify", "--rooms", str(rooms.file)).returncode == 0
    shutil.rmtree(rooms.file.parent / "hall-5")
    shutil.copytree(older, rooms.file.parent / "hall-5")
    rooms.renew(
        "hall-5", NOW, lambda store: [store.journal.append("note", "x", {"n": n}, "") for n in range(3)]
    )
    result = run("rooms", "verify", "--rooms", str(rooms.file))
    assert result.returncode == 10
    assert "hall-5: not intact" in (result.stdout + result.stderr)
    assert "hall-3: intact" in (result.stdout + result.stderr)


def test_accept_takes_a_reason_and_stands_in_the_journal(rooms: MadeGroup) -> None:
    from logger.rooms.sightings import Sightings

    Sightings(rooms.registry.centre).look(rooms.registry, NOW)
    assert run("rooms", "accept", "hall-5", "--why", " ", "--rooms", str(rooms.file)).returncode == 2
    result = run(
        "rooms", "accept", "hall-5", "--why", "restored", "--who", "Greta", "--rooms", str(rooms.file)
    )
    assert result.returncode == 0, result.stdout + result.stderr
    with Store.open(rooms.registry.accounts) as centre:
        (entry,) = centre.journal.entries(kind="rooms")
    assert (entry.who, entry.why, entry.what["room"]) == ("Greta", "restored", "hall-5")


def test_a_room_is_added_once_and_by_a_name_that_fits(group: MadeGroup, tmp_path: Path) -> None:
    record = Synthetic(simulated=False)
    record.store.close()
    rooms = ("--data", str(record.store.folder), "--rooms", str(group.file))
    assert run("rooms", "add", "Hall 3", *rooms).returncode == 2
    assert run("rooms", "add", "hall-3", *rooms).returncode == 0
    again = run("rooms", "add", "hall-3", *rooms)
    assert again.returncode == 2
    assert "already" in (again.stdout + again.stderr)
    assert group.registry.room("hall-3").name == "Measuring room East"
    assert run("rooms", "list", "--rooms", str(tmp_path / "none.toml")).returncode == 2
