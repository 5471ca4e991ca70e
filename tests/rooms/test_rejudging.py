"""Whole records judged anew: the same digests as the service's own, by one process and by 1, 2 and 4 workers.

The records cross New Year, so that a zone has two tasks and the bodies' state is handed over. They hold
excursions, gaps, late readings, a mark and a second setup, and were judged bit by bit as a service does it.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.acts.inspections import apply_setup
from logger.acts.marks import mark
from logger.config import in_force
from logger.errors import StillroomError
from logger.instants import NS
from logger.model import Mark, Row
from logger.rooms import registry
from logger.rooms.rejudging import YearResult, local_workers, plan, rejudge_here
from logger.rooms.summary import write_summary
from logger.store import Store
from logger.store.archive_relocation import relocate_archive
from logger.verdicts.verdicts import Verdicts
from tests.dashboard.synthetic_setup import texts
from tests.peers.object_store import ACCOUNT, object_store
from tests.programs import library
from tests.rooms.conftest import MadeGroup
from tests.tls import self_signed

HOUR, MINUTE = 3600 * NS, 60 * NS
BEGIN = 1_766_966_400 * NS  # 2025-12-29T00:00Z
END = BEGIN + 6 * 24 * HOUR
ROOMS = 2


def values(channel: str, taken_ns: np.ndarray, seed: int) -> np.ndarray:
    """Slow waves with noise; on the second and on the fourth day the bay leaves its band for two hours."""
    random = np.random.default_rng(seed * 1000 + len(channel) * 7 + ord(channel[1]))
    hours = (taken_ns - BEGIN) / HOUR
    if channel.endswith("relative_humidity"):
        return np.round(48 + 2 * np.sin(hours / 5) + random.normal(0, 0.1, len(hours)), 1)
    bump = sum(1.1 * np.exp(-(((hours - at) / 0.8) ** 2)) for at in (30 + seed, 83.0 - seed))
    return np.round(20 + 0.05 * np.sin(hours * 2) + bump + random.normal(0, 0.01, len(hours)), 2)


def rows(channel: str, from_ns: int, to: int, seed: int, *, late: bool = False) -> list[Row]:
    taken_ns = np.arange(from_ns + 20 * NS, to, MINUTE, dtype=np.int64)
    pairs = zip(taken_ns.tolist(), values(channel, taken_ns, seed).tolist(), strict=True)
    return [Row(channel, at, at + (HOUR if late else 0), value, late=late) for at, value in pairs]


def make_room(folder: Path, seed: int) -> None:
    """A record judged day by day, with a gap filled late, a mark, and another setup from day 4 on."""
    files = {
        name: text.replace("2026-", "2025-")
        .replace("2027-", "2026-")
        .replace("due_on = 2025-10-17", "due_on = 2026-10-17")
        for name, text in texts(simulated=False).items()
    }
    with Store.open(folder, create=True, simulated=False) as store:
        apply_setup(store, files, "Greta Holm", "first setup", "Ines Faber", BEGIN - HOUR)
        setup = in_force(store.setups.versions()).setup
        gap = (BEGIN + 50 * HOUR, BEGIN + 52 * HOUR)
        for day in range(6):
            begin, end = BEGIN + day * 24 * HOUR, BEGIN + (day + 1) * 24 * HOUR
            for channel in setup.channels:
                parts = [(begin, min(end, gap[0])), (max(begin, gap[1]), end)] if day == 2 else [(begin, end)]
                for part in parts:
                    store.append("poll", rows(channel, *part, seed))
            if day == 3:
                for channel in setup.channels:
                    store.append("late", rows(channel, *gap, seed, late=True))
                hour = BEGIN + 10 * HOUR
                mark(store, setup, Mark("machine-bay", hour, hour + HOUR, "door open", "Greta Holm"))
                closer = files["limits.toml"].replace("span_1h_K = 1.0", "span_1h_K = 0.8")
                other = {**files, "limits.toml": closer}
                apply_setup(store, other, "Greta Holm", "a closer span", "Ines Faber", end - HOUR)
                setup = in_force(store.setups.versions()).setup
            verdicts = Verdicts(store, setup)
            for zone in setup.zones:
                verdicts.refresh(zone, end)


@pytest.fixture(scope="module")
def group(tmp_path_factory: pytest.TempPathFactory) -> MadeGroup:
    group = MadeGroup(tmp_path_factory.mktemp("rejudging") / "rooms.toml")
    for seed in range(ROOMS):
        key = f"hall-{seed}"
        make_room(group.file.parent / key, seed)
        with Store.open(group.file.parent / key) as store:
            summary = write_summary(store, in_force(store.setups.versions()).setup, END)
        registry.add(group.file, registry.RoomEntry(key, Path(key), summary.key_name))
    return group


def here(group: MadeGroup, *, dry_run: bool = True) -> list[YearResult]:
    return list(rejudge_here(list(plan(list(group.registry.rooms.values()), END)), dry_run=dry_run))


def digests(results: list[Any]) -> dict[tuple[str, str, int], str]:
    plain = [r if isinstance(r, dict) else vars(r) for r in results]
    return {(r["room"], r["zone"], r["year"]): r["digest"] for r in plain}


@pytest.fixture(scope="module")
def by_one_process(group: MadeGroup) -> list[YearResult]:
    """What one process makes of the records as the service left them."""
    return here(group)


def start(group: MadeGroup, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "logger.cli", "rejudge", "--rooms", str(group.file), *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.mark.slow
def test_what_a_service_stored_bit_by_bit_is_what_years_give(by_one_process: list[YearResult]) -> None:
    """Two years a zone, two zones a room: nothing changed, though the year's edge lies in the record."""
    results = by_one_process
    assert [r.year for r in results] == [2025, 2026] * 2 * ROOMS
    assert sum(r.days for r in results) == 6 * 2 * ROOMS
    assert [r for r in results if r.changed or r.why] == []
    assert len({r.digest for r in results}) > ROOMS  # they are not all of one quiet room


LONG = pytest.mark.long


@pytest.mark.slow
@pytest.mark.parametrize("workers", [pytest.param(1, marks=LONG), 2, pytest.param(4, marks=LONG)])
def test_digests_by_workers_are_those_of_one_process(
    group: MadeGroup, by_one_process: list[YearResult], workers: int
) -> None:
    library("distributed")
    running = start(group, "--workers", str(workers), "--dry-run", "--json")
    out, err = running.communicate(timeout=540)
    assert running.returncode == 0, err
    assert digests(json.loads(out)) == digests(by_one_process)
    assert "Traceback" not in err
    assert "Stream is closed" not in err


def worker_processes(parent: int) -> list[int]:
    """Processes below one that Dask started as workers."""
    result = []
    for pid in (int(name) for name in os.listdir("/proc") if name.isdigit()):
        try:
            status = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
            command = Path(f"/proc/{pid}/cmdline").read_bytes()
        except OSError:
            continue
        if int(status[1]) == parent and b"spawn_main" in command:
            result.append(pid)
    return result


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc").is_dir(), reason="no /proc to find a worker by")
def test_a_worker_that_is_killed_changes_nothing(group: MadeGroup, by_one_process: list[YearResult]) -> None:
    """SIGKILL to one of two as soon as there is a first result; all years come, with the same digests."""
    library("distributed")
    running = start(group, "--workers", "2", "--dry-run")
    assert running.stdout is not None
    lines = [running.stdout.readline()]
    workers = worker_processes(running.pid)
    assert workers, lines
    os.kill(workers[0], signal.SIGKILL)
    rest, err = running.communicate(timeout=540)
    lines += rest.splitlines()
    assert running.returncode == 0, (lines, err)
    expected = {r.digest for r in by_one_process}
    assert {line.split()[-1] for line in lines if " changed, " in line and "judged," not in line} == expected


def test_workers_that_do_not_start_are_said_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """As where the system ends them for want of memory: Dask raises RuntimeError then."""

    def fail(**_: object) -> None:
        raise RuntimeError("Nanny failed to start.")

    monkeypatch.setattr(library("distributed"), "LocalCluster", fail)
    sentence = r"2 workers could not be started.*1 GiB.*leave --workers out"
    with pytest.raises(StillroomError, match=sentence), local_workers(2):
        pytest.fail("they are there")


@pytest.mark.slow
def test_an_edited_day_is_found_and_put_right_once(group: MadeGroup) -> None:
    folder = group.file.parent / "hall-1"
    with Store.open(folder) as store:
        day = BEGIN // (24 * HOUR) + 1
        key, body = store.verdict_cache.day("machine-bay", day) or ("", "")
        store.verdict_cache.put_days("machine-bay", {day: (key, body.replace("nonconforming", "conforming"))})
    assert sum(r.changed for r in here(group)) == 1  # and a dry run stores nothing
    assert [(r.room, r.zone, r.changed) for r in here(group, dry_run=False) if r.changed] == [
        ("hall-1", "machine-bay", 1)
    ]
    assert sum(r.changed for r in here(group, dry_run=False)) == 0
    with Store.open(folder) as store:
        assert Verdicts(store, in_force(store.setups.versions()).setup).altered_days("machine-bay") == []


@pytest.mark.slow
def test_verdicts_of_another_judge_are_all_stored_anew(group: MadeGroup) -> None:
    """As after an update of the judge: nothing stored counts; then the service has nothing to do."""
    with Store.open(group.file.parent / "hall-0") as store:
        setup = in_force(store.setups.versions()).setup
        for zone in setup.zones:
            days = store.verdict_cache.days(zone, -1, 2**62 // (24 * HOUR))
            aged = {
                day: ("another judge", text.replace('"context": "', '"context": "old'))
                for day, (_, text) in days.items()
            }
            store.verdict_cache.put_days(zone, aged)
    results = [r for r in here(group, dry_run=False) if r.room == "hall-0"]
    assert sum(r.changed for r in results) == 12
    assert [r.why for r in results if r.why] == []
    assert sum(r.changed for r in here(group)) == 0
    with Store.open(group.file.parent / "hall-0") as store:
        setup = in_force(store.setups.versions()).setup
        assert not any(Verdicts(store, setup).refresh(zone, END) for zone in setup.zones)


@pytest.mark.slow
def test_a_room_that_is_away_is_named_and_the_others_go_on(group: MadeGroup, tmp_path: Path) -> None:
    entries = [*group.registry.rooms.values(), registry.RoomEntry("hall-9", tmp_path / "away", "0" * 64)]
    results = list(rejudge_here(list(plan(entries, END)), dry_run=True))
    assert [r.room for r in results if r.why] == ["hall-9"]
    assert sum(not r.why for r in results) == 4 * ROOMS


@contextmanager
def ended(*commands: list[str]) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Processes that are ended with the block."""
    started: list[subprocess.Popen[bytes]] = []
    try:
        for command in commands:
            quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
            started.append(subprocess.Popen([sys.executable, "-m", "dask", *command], **quiet))
        yield started
    finally:
        for process in started:
            process.terminate()
        for process in started:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.mark.slow
def test_a_scheduler_elsewhere_over_tls(group: MadeGroup, tmp_path: Path) -> None:
    """The library's own scheduler and worker as programs, with certificates of both sides."""
    library("distributed")
    certificate, key = map(str, self_signed(tmp_path))
    address = f"tls://127.0.0.1:{free_port()}"
    tls = ["--tls-ca-file", certificate, "--tls-cert", certificate, "--tls-key", key]
    scheduler = ["scheduler", "--host", address.rpartition(":")[0], "--port", address.rpartition(":")[2]]
    worker = ["worker", address, "--nthreads", "1", "--host", "127.0.0.1"]
    with ended([*scheduler, "--no-dashboard", *tls], [*worker, "--no-dashboard", *tls]):
        words = ("--ca", certificate, "--certificate", certificate, "--key", key, "--only", "hall-0")
        running = start(group, "--scheduler", address, *words, "--dry-run", "--json")
        out, err = running.communicate(timeout=300)
    assert running.returncode == 0, err
    assert digests(json.loads(out)) == {k: v for k, v in digests(here(group)).items() if k[0] == "hall-0"}


@pytest.mark.slow
def test_a_scheduler_is_used_by_tls_alone(group: MadeGroup) -> None:
    for words in (["tcp://127.0.0.1:8786"], ["tls://127.0.0.1:1"]):
        running = start(group, "--scheduler", *words)
        _, err = running.communicate(timeout=120)
        assert running.returncode == 2
        assert "certificates of both sides" in err


@pytest.mark.slow
def test_nothing_of_it_is_imported_by_a_room_that_stands_alone() -> None:
    """The command line and the store load no part of Dask, nor what groups need."""
    code = (
        "import sys, logger.cli, logger.store, logger.service; "
        "print([m for m in sys.modules if m.split('.')[0] in ('dask', 'distributed')])"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


@pytest.mark.slow
def test_digests_from_an_object_store_are_those_of_the_folder(
    group: MadeGroup, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same room with its months sealed, then with its archive elsewhere and no copy of it here."""
    for name, value in ACCOUNT.items():
        monkeypatch.setenv(name, value)
    folder = Path(shutil.copytree(group.file.parent / "hall-1", tmp_path / "hall-1"))
    entry = registry.RoomEntry("hall-1", folder, "0" * 64)

    def judged() -> dict[tuple[str, str, int], str]:
        return digests(list(rejudge_here(list(plan([entry], END)), dry_run=True)))

    expected = judged()
    with object_store() as objects, Store.open(folder) as store:
        assert len(store.seal(END + 40 * 24 * HOUR)) == 2
        assert judged() == expected
        relocate_archive(store, "s3://measuring/hall-1", objects.endpoint, "Greta Holm")
        shutil.rmtree(folder / "archive")
        assert judged() == expected
        assert len(set(expected.values())) == 4
