"""What cannot be stored before the end outlives the process, and is stored at the next start, once."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from logger.service import heartbeat, rescue
from logger.service.writer import Writer
from logger.simulation.process import TwinProcess
from logger.store import Store

from .test_whole_service import _count, _with_urls, texts, until
from .test_writer import Refusing, events, row, stored


def left_behind(store: Store, *numbers: int) -> Writer:
    """A writer that ended while the disk was full, with readings of those seconds in memory."""
    refusing = Refusing(store)
    refusing.full.set()
    writer = Writer(refusing)  # type: ignore[arg-type]  # a fake in front of the real one
    writer.start()
    writer.rows([row(number) for number in numbers])
    writer.event("outage", {"seconds": 7})
    assert until(lambda: refusing.calls >= 1, 60)
    assert not writer.stop(0.5)
    return writer


def files(folder: Path) -> list[Path]:
    return sorted(folder.rglob("rescued-*"))


def started_and_ended(store: Store) -> None:
    """The next run, as far as the writer goes."""
    writer = Writer(store)
    writer.start()
    assert writer.stop(60.0)
    assert writer.remainder == ""


def test_what_a_full_disk_did_not_take_is_stored_at_the_next_start(store: Store) -> None:
    """The end names the file, which its owner alone can read; then the readings are in the record, once."""
    writer = left_behind(store, 1, 2, 3)
    (file,) = files(store.folder)
    assert str(file) in writer.remainder
    assert writer.remainder.startswith("3 readings and 1 event could not be stored before the end: ")
    assert "full" in writer.remainder
    assert os.name == "nt" or file.stat().st_mode & 0o777 == 0o600
    assert stored(store) == []

    writer = Writer(store)
    assert not writer.looked.is_set()
    writer.start()
    assert writer.looked.wait(60)  # from here on an outage is counted from the newest of them
    assert writer.stop(60.0)
    started_and_ended(store)

    assert stored(store) == [row(number).value for number in (1, 2, 3)]
    assert [e["event"] for e in events(store)] == ["outage"]
    (entry,) = store.journal.entries(kind="rescue")
    assert (entry.what["file"], entry.what["readings"]) == (file.name, 3)
    assert files(store.folder) == []
    assert store.verify().intact


def test_a_kill_between_storing_and_deleting_stores_nothing_twice(store: Store, tmp_path: Path) -> None:
    left_behind(store, 1, 2)
    (file,) = files(store.folder)
    shutil.copy(file, tmp_path / "copy")
    started_and_ended(store)
    shutil.copy(tmp_path / "copy", file)

    started_and_ended(store)

    assert stored(store) == [row(1).value, row(2).value]
    assert len(store.journal.entries(kind="rescue")) == len(events(store)) == 1
    assert files(store.folder) == []


def test_what_was_on_its_way_and_got_there_after_all_is_stored_once(store: Store) -> None:
    """The lock is let go of just after the file was written: the batch that waited for it is stored."""
    released = threading.Event()

    class Slow(Refusing):
        def append(self, writer: str, rows: object) -> object:
            self.calls += 1
            released.wait(60)
            return self.store.append(writer, rows)  # type: ignore[arg-type]

    slow = Slow(store)
    writer = Writer(slow)  # type: ignore[arg-type]
    writer.start()
    writer.rows([row(1)])
    assert until(lambda: slow.calls == 1, 60)
    writer.rows([row(2)])
    assert not writer.stop(0.2)
    released.set()
    assert until(lambda: not writer.alive, 60)
    assert stored(store) == [row(1).value]  # and nothing was begun that the file holds as well

    started_and_ended(store)

    assert stored(store) == [row(1).value, row(2).value]
    assert store.journal.entries(kind="rescue")[0].what["readings"] == 1


def test_where_the_disk_is_gone_the_file_waits_elsewhere_for_its_own_record(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the place where the disk was mounted it would be hidden once the disk is back."""
    state, away = tmp_path / "state", tmp_path / "away"
    monkeypatch.setenv("STATE_DIRECTORY", f"{store.folder / 'inside'}{os.pathsep}{state}")
    writer = Writer(store)
    writer.start()
    store.folder.rename(away)
    store.folder.mkdir()
    writer.rows([row(1)])
    assert not writer.stop(0.5)
    (file,) = files(tmp_path)
    assert file.parent == state
    assert list(store.folder.iterdir()) == []
    store.folder.rmdir()
    away.rename(store.folder)

    with Store.open(tmp_path / "other", create=True, simulated=True) as other:
        started_and_ended(other)
        assert stored(other) == []
    assert file.exists()
    started_and_ended(store)
    assert stored(store) == [row(1).value]
    assert not file.exists()


def test_a_file_that_was_changed_is_named_and_holds_up_nothing(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    left_behind(store, 1)
    (file,) = files(store.folder)
    file.write_text(file.read_text().replace("20.001", "20.002"))

    writer = Writer(store)
    writer.start()
    writer.rows([row(5)])
    assert writer.stop(60.0)

    assert stored(store) == [row(5).value]
    assert str(file) in caplog.text
    assert "cannot be read" in caplog.text
    assert file.exists()


def test_what_no_place_takes_is_said_to_be_lost(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk, and a state folder that is none."""
    (tmp_path / "file").write_text("")
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    message = rescue.write(store, rescue.Remainder([row(1)], []), 0)
    assert message.startswith("They are lost: no folder took them (")
    assert f"{store.folder}: No space left on device" in message
    assert files(tmp_path) == []


@pytest.mark.slow
def test_sigterm_while_another_program_holds_the_database_loses_no_reading(tmp_path: Path) -> None:
    """A real service, lock and signal: it ends, says where its readings are, and the next one stores them."""
    with TwinProcess() as twin:
        folder, data = tmp_path / "config", tmp_path / "data"
        for name, text in texts(25).items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(_with_urls(text, dict(twin.urls)), encoding="utf-8")
        command = [sys.executable, "-m", "logger.cli", "run", "--config", str(folder), "--data", str(data)]
        words = [*command, "--who", "Greta Holm"]
        first = subprocess.Popen([*words, "--begin"], stderr=subprocess.PIPE, text=True)
        try:
            assert until(lambda: heartbeat.read(data) is not None, 90)
            assert until(lambda: _count(data) >= 13, 90)
            with closing(sqlite3.connect(data / "stillroom.db", isolation_level=None, timeout=60)) as holder:
                holder.execute("BEGIN IMMEDIATE")
                newest = "SELECT max(taken_ns) FROM reading"
                (last_ns,) = holder.execute(newest).fetchone()
                assert until(lambda: time.time_ns() - last_ns > 5_000_000_000, 60)  # polls of 1 s, unstored
                begun_s = time.monotonic()
                first.send_signal(signal.SIGTERM)
                _, message = first.communicate(timeout=60)
                print(f"ended after {time.monotonic() - begun_s:.1f} s")
                holder.execute("ROLLBACK")
        finally:
            first.kill()
            first.wait(60)
        assert first.returncode == 3, message
        (file,) = files(data)
        assert f"They are in {file} and are taken in at the next start." in message
        rows = json.loads(file.read_text().splitlines()[0])["rows"]
        assert len(rows) >= 13
        for _ in range(2):
            then = subprocess.Popen(words)
            try:
                pid = then.pid
                assert until(lambda: (heartbeat.read(data) or {}).get("pid") == pid, 90)  # noqa: B023
                assert files(data) == []
            finally:
                then.send_signal(signal.SIGTERM)
                assert then.wait(60) == 0
    with Store.open(data) as record:
        (entry,) = record.journal.entries(kind="rescue")
        assert entry.what["readings"] == len(rows)
        taken = [(r.channel, r.taken_ns) for r in record.hot.all_rows().rows()]
        assert len(set(taken)) == len(taken)
        assert {(r[0], r[1]) for r in rows} <= set(taken)
        assert record.verify().intact
