"""Many rooms in one process: each with its own record and writer; what fails in one touches no other."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.config import example_folder, load
from logger.errors import Refused
from logger.instants import NS
from logger.model import Row
from logger.rooms import registry
from logger.rooms.registry import Registry, RoomEntry
from logger.rooms.summary import opened, write_summary
from logger.service import many_rooms
from logger.service.jobs import Jobs
from logger.service.many_rooms import ManyRooms, chosen, raise_file_limit
from logger.service.shared_loops import SharedLoops
from logger.store import Store
from tests.command_line import Run

PATIENCE_S = 60.0
LINE = re.compile(r"^\[probes\.\w+\.connection\]\n(?:(?!\[).*\n)*", re.MULTILINE)
ROOMS = ("hall-1", "hall-2", "annex")


def until(condition: Callable[[], bool]) -> None:
    """Wait for something that must come; a minute only ends a failure."""
    end = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)


@pytest.fixture
def rooms(tmp_path: Path) -> Registry:
    """Three rooms without lines of their own, read by nodes; the newest readings are those of hall-2."""
    texts = dict(load(example_folder()).texts)
    texts["probes.toml"] = LINE.sub("", texts["probes.toml"])
    for age, key in enumerate(("hall-2", "hall-1", "annex")):
        with Store.open(tmp_path / key, create=True, simulated=True) as store:
            store.setups.put(texts, "Greta Holm", "first", "Greta Holm", time.time_ns() - 3600 * NS)
            at = time.time_ns() - (1800 + 60 * age) * NS
            store.append("node-a", [Row("P1.temperature", at + n * 60 * NS, at, 20.0) for n in range(3)])
            config = load(example_folder())
            key_name = write_summary(store, config.setup, time.time_ns()).key_name
        registry.add(tmp_path / "rooms.toml", RoomEntry(key, tmp_path / key, key_name, key))
    return registry.read(tmp_path / "rooms.toml")


@pytest.fixture
def sentences() -> list[str]:
    return []


@pytest.fixture
def running(rooms: Registry, sentences: list[str]) -> Iterator[ManyRooms]:
    many = ManyRooms(chosen(rooms, "*"), sentences.append)
    many.start()
    yield many
    many.stop()


def summary_of(rooms: Registry, key: str) -> dict[str, object]:
    return dict(opened((rooms.room(key).data / "summary.json").read_bytes()).body)


@pytest.mark.slow
def test_each_room_is_judged_and_says_so_while_others_are(
    rooms: Registry, running: ManyRooms, sentences: list[str]
) -> None:
    """The newest first; each has a summary and a heartbeat of its own, and what comes in is judged."""
    assert running.running == ["hall-2", "hall-1", "annex"]
    for key in ROOMS:
        until(lambda key=key: (rooms.room(key).data / "heartbeat").exists())  # type: ignore[misc]
        until(lambda key=key: _judged(rooms, key))  # type: ignore[misc]
    assert (running.turn(), sentences) == (True, [])


def _judged(rooms: Registry, key: str) -> bool:
    with Store.open(rooms.room(key).data, read_only=True) as store:
        return bool(store.verdict_cache.live())


def test_a_room_that_just_began_says_since_when_it_is_judged(rooms: Registry) -> None:
    entry = rooms.room("annex")
    with Store.open(entry.data) as store:
        setup = load(example_folder()).setup
        body = write_summary(store, setup, 1_790_000_000 * NS, begun_ns=1_790_000_000 * NS).body
    assert {zone["verdict"] for zone in body["zones"]} == {"not shown"}
    assert {zone["next_step"] for zone in body["zones"]} == {"Being judged since 16:13 +02:00."}


@pytest.mark.slow
def test_a_room_that_cannot_begin_is_named_once_and_begins_when_it_can(
    rooms: Registry, sentences: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(many_rooms, "AGAIN_S", 0.0)
    away = rooms.room("annex").data
    away.rename(away.with_name("unmounted"))
    many = ManyRooms(chosen(rooms, "*"), sentences.append)
    many.start()
    try:
        assert many.turn()
        assert sorted(many.running) == ["hall-1", "hall-2"]
        assert [line.partition(":")[0] for line in sentences] == ["annex"]
        away.with_name("unmounted").rename(away)
        assert many.turn()
        assert sorted(many.running) == sorted(ROOMS)
    finally:
        assert many.stop() == []


@pytest.mark.slow
def test_a_room_whose_service_ended_is_begun_again(
    running: ManyRooms, sentences: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(many_rooms, "AGAIN_S", 0.0)
    running._running["hall-1"].service._writer.stop()
    assert running.turn()
    assert sentences[0].startswith("hall-1: its service ended")
    assert sorted(running.running) == sorted(ROOMS)


def test_a_room_that_another_service_keeps_is_left_to_it(rooms: Registry, sentences: list[str]) -> None:
    with Store.open(rooms.room("hall-1").data) as store, store.lock_service():
        many = ManyRooms(chosen(rooms, "hall-*"), sentences.append)
        many.start()
        assert many.running == ["hall-2"]
        assert many.stop() == []
    assert "Another service works on" in sentences[0]


def test_a_pattern_chooses_rooms_and_says_which_there_are(
    rooms: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert [entry.key for entry in chosen(rooms, "hall-*")] == ["hall-2", "hall-1"]
    with pytest.raises(Refused, match=r"found 'hal'. It has: hall-2, hall-1, annex"):
        chosen(rooms, "hal")
    monkeypatch.setattr(many_rooms, "MOST", 2)
    with pytest.raises(Refused, match="at most 2 rooms for one process, found 3"):
        chosen(rooms, "*")


@pytest.mark.slow
def test_too_few_files_are_said_before_a_room_begins() -> None:
    """In a process of its own, whose hard limit cannot be raised again."""
    program = (
        "import resource\n"
        "from logger.service.many_rooms import raise_file_limit\n"
        "resource.setrlimit(resource.RLIMIT_NOFILE, (64, 500))\n"
        "raise_file_limit(10); print(resource.getrlimit(resource.RLIMIT_NOFILE)[0])\n"
        "raise_file_limit(100)\n"
    )
    finished = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert finished.stdout == "320\n"
    assert "100 rooms need 1400 open files, and this process may have 500" in finished.stderr
    raise_file_limit(0)


@pytest.mark.slow
def test_the_command_runs_rooms_until_it_is_told_to_stop(rooms: Registry) -> None:
    command = [sys.executable, "-m", "logger.cli", "run", "--rooms", str(rooms.file), "--only", "hall-*"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    line = process.stdout.readline()
    assert "2 of 2 rooms run" in line
    process.send_signal(signal.SIGTERM)
    _, complaints = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert all(
        re.match("hall-[12]: route", line) for line in complaints.splitlines()
    )  # no mail server is there
    for key in ("hall-1", "hall-2"):
        with Store.open(rooms.room(key).data, read_only=True) as store:
            events = [entry.what["event"] for entry in store.journal.entries(kind="event")]
            assert (events[0], events[-1]) == ("start", "stop")


@pytest.mark.parametrize("more", [["--begin"], ["--forward", "https://x.example", "--node", "a"]])
def test_rooms_go_without_what_is_for_one_room(rooms: Registry, stillroom: Run, more: list[str]) -> None:
    finished = stillroom("run", "--rooms", rooms.file, *more)
    assert (finished.returncode, "--rooms goes without --begin and --forward" in finished.stderr) == (2, True)


@pytest.mark.slow
def test_every_room_has_its_own_turn_in_the_shared_calendar(rooms: Registry, running: ManyRooms) -> None:
    """Entries of one name are one to the calendar: every ten minutes all rooms but one were left out."""
    names = [job.id for job in running._calendar.get_jobs()]
    assert len(set(names)) == len(names)
    assert {name for name in names if "daily seal" in name} == {f"daily seal of {key}" for key in ROOMS}


def test_shared_loops_take_turns_and_a_long_turn_holds_up_no_other() -> None:
    """Never two turns of one loop at once; one that is woken comes at once; one that ended comes no more."""
    loops, jobs, turns = SharedLoops(threads=2), Jobs(lambda kind, what: None), []

    release = threading.Event()
    long = loops.loop("long", jobs, lambda: release.wait(PATIENCE_S), 3600.0)
    often = loops.loop("often", jobs, lambda: turns.append("often"), 0.01)
    seldom = loops.loop("seldom", jobs, lambda: turns.append("seldom"), 3600.0)
    loops.start()
    for loop in (long, often, seldom):
        loop.start()
    until(lambda: turns.count("often") >= 3 and turns.count("seldom") == 1)
    seldom.wake()
    until(lambda: turns.count("seldom") == 2)
    assert not long.stop(0.05)
    release.set()
    assert long.stop(PATIENCE_S)
    assert often.stop(PATIENCE_S)
    count = turns.count("often")
    seldom.wake()
    until(lambda: turns.count("seldom") == 3)
    assert (turns.count("often"), often.alive, seldom.alive) == (count, False, True)
    loops.stop()


def test_a_wrong_list_is_refused(tmp_path: Path, stillroom: Run) -> None:
    finished = stillroom("run", "--rooms", tmp_path / "none.toml")
    assert (finished.returncode, "expected a list of rooms" in finished.stderr) == (2, True)
