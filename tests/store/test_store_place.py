"""The folder under an open store: deleted, moved, replaced, out of descriptors."""

from __future__ import annotations

import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import StoreDamaged, StoreError, StoreGone
from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.store.place import refusal

AT = 1_792_000_000 * NS


def row(number: int) -> Row:
    return Row("P1.temperature", AT + number * NS, AT + number * NS, 20.0 + number)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "data", create=True) as opened:
        opened.append("poll", [row(1)])
        yield opened


def values(store: Store) -> list[float]:
    return list(store.readings.read("P1.temperature", 0, 2**62).value)


def test_a_deleted_folder_takes_nothing(store: Store) -> None:
    """Writing and reading say that it is gone and what to do; no new file appears."""
    shutil.rmtree(store.folder)

    with pytest.raises(StoreGone, match="deleted or moved, or its disk was unmounted"):
        store.append("poll", [row(2)])
    with pytest.raises(StoreGone):
        values(store)
    assert not store.folder.exists()


def test_an_empty_folder_in_its_place_gets_no_new_record(store: Store) -> None:
    """As an unmounted disk leaves it: the place is there, the record is not."""
    away = store.folder.with_name("away")
    store.folder.rename(away)
    store.folder.mkdir()

    with pytest.raises(StoreGone, match=r"stillroom\.db is gone from"):
        store.append("poll", [row(2)])
    assert list(store.folder.iterdir()) == []

    store.folder.rmdir()
    away.rename(store.folder)
    store.append("poll", [row(2)])
    assert values(store) == [21.0, 22.0]


def test_a_true_copy_in_its_place_is_gone_over_to(store: Store) -> None:
    """Copied with everything to another disk: what comes then is stored in the copy."""
    copy = store.folder.with_name("copy")
    store.folder.rename(store.folder.with_name("old"))
    shutil.copytree(store.folder.with_name("old"), copy)
    copy.rename(store.folder)

    store.append("poll", [row(2)])

    assert values(store) == [21.0, 22.0]
    with sqlite3.connect(store.folder / "stillroom.db") as seen:
        assert seen.execute("SELECT count(*) FROM reading").fetchone() == (2,)
    assert store.verify().intact


def test_an_older_copy_and_another_record_are_refused(store: Store, tmp_path: Path) -> None:
    """Neither holds what was stored last; the sentence says so, and that memory holds what comes."""
    old, other = tmp_path / "old", tmp_path / "other"
    shutil.copytree(store.folder, old)
    with Store.open(other, create=True) as another:
        another.append("poll", [row(1), row(2), row(3)])
    store.append("poll", [row(2)])
    mine = tmp_path / "mine"
    for instead in (old, other):
        store.folder.rename(mine)
        instead.rename(store.folder)
        with pytest.raises(StoreGone, match="another record or an older copy"):
            store.append("poll", [row(3)])
        store.folder.rename(instead)
        mine.rename(store.folder)
    store.append("poll", [row(3)])
    assert values(store) == [21.0, 22.0, 23.0]


@pytest.mark.slow
def test_too_many_open_files_is_a_sentence_of_its_own(tmp_path: Path) -> None:
    """A sealed file that could not be opened for want of descriptors is not called damaged."""
    with Store.open(tmp_path / "data", create=True) as opened:
        month = [Row("P1.temperature", AT + n * 60 * NS, AT + n * 60 * NS, 20.0) for n in range(100)]
        opened.append("poll", month)
        assert opened.seal(AT + 90 * 86_400 * NS)
    code = (
        "import os, resource, sys\n"
        "from pathlib import Path\n"
        "from logger.errors import StoreDamaged, StoreError\n"
        "from logger.store import Store\n"
        "import logger.store.archive.parquet\n"
        "store = Store.open(Path(sys.argv[1]))\n"
        "store.readings.read('P1.temperature', 0, 2**62)\n"
        "resource.setrlimit(resource.RLIMIT_NOFILE, (64, 64))\n"
        "taken = []\n"
        "try:\n"
        "    while True: taken.append(os.open('/dev/null', os.O_RDONLY))\n"
        "except OSError: pass\n"
        "for work in (lambda: store.readings.read('P1.temperature', 0, 2**62), store.verify):\n"
        "    try: print('nothing', work())\n"
        "    except StoreError as error: print(type(error).__name__, error)\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "data")], capture_output=True, text=True, check=False
    )
    lines = result.stdout.splitlines()
    assert len(lines) == 2, result.stderr
    for line in lines:
        assert line.startswith("StoreError "), line
        assert "Too many open files" in line
        assert "LimitNOFILE" in line
        assert "backup" not in line


def test_what_the_system_refuses_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read-only, no inode, no space: each its own sentence; where nothing is wrong, none."""
    import os

    def disk(**changed: int) -> object:
        figures = {"f_flag": 0, "f_files": 1000, "f_favail": 500, "f_bavail": 500}
        return type("disk", (), figures | changed)

    cases = {
        "read-only": {"f_flag": os.ST_RDONLY},
        "No inode is free": {"f_favail": 0},
        "is full": {"f_bavail": 0},
    }
    assert refusal(tmp_path) == ""
    for words, changed in cases.items():
        monkeypatch.setattr(os, "statvfs", lambda _, changed=changed: disk(**changed))
        assert words in refusal(tmp_path)
    assert issubclass(StoreGone, StoreError)
    assert not issubclass(StoreGone, StoreDamaged)
    assert resource.RLIMIT_NOFILE is not None
