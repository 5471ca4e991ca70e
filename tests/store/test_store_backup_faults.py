"""kill -9 while backing up and restoring; full, read-only and vanishing disks.

Small file systems are made with tmpfs, which takes root on Linux; elsewhere those tests are skipped.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.service.writer import Writer
from logger.store import Store
from logger.store.backup.backup import backup
from logger.store.backup.catalogue import generations
from logger.store.backup.restore import restore

from .conftest import DAY, IN_DECEMBER, NOVEMBER, OCTOBER, Disk, polled

WHO = "Greta Holm"
BACKING_UP = """
import sys
from pathlib import Path
from logger.store import Store
from logger.store.backup.backup import backup
with Store.open(Path(sys.argv[1])) as store:
    print("open", flush=True)
    for at in range(1000):
        backup(store, Path(sys.argv[2]), "service", 1_800_000_000 * 10**9 + at * 10**9, keep=2)
"""
RESTORING = """
import sys
from pathlib import Path
from logger.store.backup.restore import restore
print("begun", flush=True)
restore(Path(sys.argv[1]), Path(sys.argv[2]), "Greta Holm")
"""


@pytest.fixture
def filled(store: Store) -> Store:
    store.append("poll", polled(OCTOBER, 3000, ("P1.temperature", "P2.temperature")))
    store.seal(IN_DECEMBER)
    store.append("poll", polled(NOVEMBER, 500))
    return store


@pytest.fixture(autouse=True)
def _own_scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What killed children leave in the folder for temporary files goes with the test."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))


def killed(code: str, *arguments: object, after_s: float) -> None:
    """Run a child and kill it some time after its first word."""
    command = [sys.executable, "-c", code, *map(str, arguments)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as child:
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(after_s)
        child.kill()


@pytest.mark.slow
@pytest.mark.parametrize(
    "rounds", [pytest.param(3, id="short"), pytest.param(100, id="long", marks=pytest.mark.long)]
)
def test_killed_while_backing_up(filled: Store, folder: Path, tmp_path: Path, rounds: int) -> None:
    """What has a manifest is whole, what was good stays, the record is intact, and the next backup comes."""
    target = tmp_path / "share"
    target.mkdir()
    chance = random.Random(rounds)
    backup(filled, target, WHO, IN_DECEMBER)
    filled.close()
    for _ in range(rounds):
        killed(BACKING_UP, folder, target, after_s=chance.uniform(0.01, 0.4))

        assert any(generation.good for generation in generations(target))
        assert all(generation.readable for generation in generations(target))
    with Store.open(folder) as again:
        assert again.verify().faults == ()
        assert backup(again, target, WHO, IN_DECEMBER + 400 * DAY, keep=2).intact
    assert restore(target, tmp_path / "new", WHO).verification.faults == ()
    assert list((target / "files").glob("*/*.part")) == []


@pytest.mark.slow
def test_a_killed_backup_leaves_no_copy_of_the_record_behind(
    filled: Store, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch, target = tmp_path / "scratch", tmp_path / "target"
    scratch.mkdir()
    target.mkdir()
    monkeypatch.setenv("TMPDIR", str(scratch))
    monkeypatch.setattr("tempfile.tempdir", None)  # asked for again
    for _ in range(20):
        killed(BACKING_UP, folder, target, after_s=0.15)
        if left := list(scratch.glob("stillroom-backup-*")):
            break
    assert left, "it was never killed in the middle"
    (other := scratch / "stillroom-backup-0000-of-another-record").mkdir()
    backup(filled, target, WHO, IN_DECEMBER)
    assert list(scratch.iterdir()) == [other]


@pytest.mark.slow
@pytest.mark.parametrize(
    "rounds", [pytest.param(3, id="short"), pytest.param(100, id="long", marks=pytest.mark.long)]
)
def test_killed_while_restoring(filled: Store, tmp_path: Path, rounds: int) -> None:
    """Half a restore is refused as a record, or is whole; a second restore makes it whole."""
    target = tmp_path / "share"
    target.mkdir()
    backup(filled, target, WHO, IN_DECEMBER)
    chance = random.Random(rounds)
    for number in range(rounds):
        data = tmp_path / f"new{number}"
        killed(RESTORING, target, data, after_s=chance.uniform(0.0, 0.25))
        if (data / "restore.unfinished").exists() or not (data / "stillroom.db").exists():
            with pytest.raises(StoreError):
                Store.open(data)
            restore(target, data, WHO)
        with Store.open(data) as again:
            report = again.verify()
        assert (report.faults, report.readings) == ((), 6500)
        shutil.rmtree(data)


def remounted(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True)


def test_a_full_disk_loses_nothing_and_goes_on_when_there_is_space(disk: Disk) -> None:
    """Every batch that was acknowledged is there; the same open store works again, without a restart."""
    place, confirmed = disk(3000), 0
    with Store.open(place / "data", create=True) as store:
        with pytest.raises(StoreError, match=r"full|space"):  # noqa: PT012
            for at in range(10_000):
                confirmed = store.append("poll", polled(OCTOBER + at * DAY, 200)).last
        assert confirmed > 0
        remounted(place, "size=20000k")
        after = store.append("poll", polled(NOVEMBER, 10))
        assert after.first == confirmed + 1
        report = store.verify()
    assert (report.faults, report.readings) == ((), confirmed + 10)


@pytest.mark.slow
def test_the_service_holds_readings_while_the_disk_is_full(disk: Disk) -> None:
    """In bounded memory, said in its status; stored when there is space, and the time is in the journal."""
    place = disk(1500)
    with Store.open(place / "data", create=True) as store:
        filler = place / "filler"
        with suppress(OSError), filler.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        writer = Writer(store)
        writer.start()
        for at in range(20):
            writer.rows(polled(OCTOBER + at * DAY, 500))
        _until(lambda: bool(writer.trouble))
        assert writer.waiting > 0
        filler.unlink()
        remounted(place, "size=30000k")
        _until(lambda: writer.waiting == 0)
        assert writer.stop()
        assert store.verify().readings == 10_000
        events = [entry.what["event"] for entry in store.journal.entries(kind="event")]
    assert (events, writer.lost) == (["store-refused"], 0)


def test_a_full_target_is_said_and_the_good_backup_stays(filled: Store, disk: Disk, tmp_path: Path) -> None:
    target = disk(4000)
    assert backup(filled, target, WHO, IN_DECEMBER).intact
    with (target / "others").open("wb") as file:
        file.write(bytes(max(0, shutil.disk_usage(target).free - 20_000)))

    with pytest.raises(StoreError, match="No space left on device"):
        backup(filled, target, WHO, IN_DECEMBER + DAY)

    assert [generation.number for generation in generations(target) if generation.good] == [1]
    assert restore(target, tmp_path / "new", WHO).verification.intact
    (target / "others").unlink()
    assert backup(filled, target, WHO, IN_DECEMBER + 2 * DAY).intact


def test_a_read_only_disk_is_said_and_can_be_read(disk: Disk, tmp_path: Path) -> None:
    """Nothing can be stored, everything can be read and verified; a read-only target is an error."""
    place = disk(20_000)
    with Store.open(place / "data", create=True) as store:
        store.append("poll", polled(OCTOBER, 100))
    remounted(place, "ro")

    with pytest.raises(StoreError, match=r"read-?only|could not be (used|opened)"):
        Store.open(place / "data")
    with Store.open(place / "data", read_only=True) as seen:
        assert seen.verify().readings == 100
    with Store.open(tmp_path / "other", create=True) as other, pytest.raises(StoreError, match="Read-only"):
        backup(other, place, WHO, IN_DECEMBER)


def test_a_target_that_vanishes_is_said(filled: Store, disk: Disk) -> None:
    """Unmounted between two backups: the empty folder below is not taken for the share."""
    target = disk(20_000)
    backup(filled, target, WHO, IN_DECEMBER)
    subprocess.run(["umount", str(target)], check=True)
    try:
        with pytest.raises(StoreError, match="may not be mounted"):
            backup(filled, target, WHO, IN_DECEMBER + DAY)
        assert list(target.iterdir()) == []
    finally:
        subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(target)], check=True)


def _until(condition: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come to that"
        time.sleep(0.05)
