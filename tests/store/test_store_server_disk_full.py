"""The disk of a database server is full: named, readings wait in memory, and it goes on with space.

Small file systems are made with tmpfs, which takes root on Linux; elsewhere these tests are skipped.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.service.writer import Writer
from logger.store import Store
from tests.database_server import DatabaseServer, database_server
from tests.store.conftest import DAY, OCTOBER, Disk, polled
from tests.store.server_rig import MOST_S, record_on, seqs, wait_until

CHANNELS = tuple(f"P{n}.temperature" for n in range(16))


@contextmanager
def filled_up(place: Path) -> Iterator[None]:
    """Within the block there is no space on a file system."""
    filler = place / "filler"
    with suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    try:
        yield
    finally:
        filler.unlink()


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that the user of the server may pass through; gone after the disks in it were unmounted."""
    with tempfile.TemporaryDirectory(prefix="stillroom-full-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.fixture
def small_store(server: DatabaseServer, disk: Disk, tmp_path: Path) -> Iterator[tuple[Store, Path]]:
    """A record whose tables lie on a small disk of the server; its own log of changes lies elsewhere."""
    place = disk(12_000, server.folder / "small")
    (place / "tables").mkdir()
    shutil.chown(place, "postgres")
    shutil.chown(place / "tables", "postgres")
    server.run(
        f"CREATE TABLESPACE small LOCATION '{place / 'tables'}'", "GRANT CREATE ON TABLESPACE small TO public"
    )
    server.run("ALTER DATABASE rooms SET default_tablespace = 'small'")
    try:
        with record_on(server, tmp_path / "data") as store:
            yield store, place
    finally:
        server.run("ALTER DATABASE rooms RESET default_tablespace", "DROP TABLESPACE small")


@pytest.mark.slow
def test_tables_without_space_are_named_and_nothing_is_lost(small_store: tuple[Store, Path]) -> None:
    store, place = small_store
    writer = Writer(store)
    writer.looked.set()
    store.append("poll", polled(OCTOBER, 100, CHANNELS))
    with store.lock_service():
        writer.start()
        with filled_up(place):
            for day in range(1, 11):
                writer.rows(polled(OCTOBER + day * DAY, 100, CHANNELS))
            wait_until(lambda: "No space left on device" in writer.trouble)
            assert "Free space on the disk of the server" in writer.trouble
            assert "keeps its readings in memory meanwhile" in writer.trouble
            assert writer.waiting > 0
            with pytest.raises(StoreError, match="Free space on the disk of the server"):
                store.append("poll", polled(OCTOBER + 20 * DAY, 300, CHANNELS))
            assert store.readings.channels() == sorted(CHANNELS)  # it can be read meanwhile
        wait_until(lambda: not writer.waiting and not writer.trouble)
        assert writer.stop(MOST_S)
    assert seqs(store) == list(range(1, 11 * 1600 + 1))
    assert [e.what["event"] for e in store.journal.entries(kind="event")] == ["store-refused"]
    assert store.verify().faults == ()


@pytest.mark.slow
def test_a_server_that_cannot_write_its_own_log_ends_and_goes_on_when_it_is_started_with_space(
    open_folder: Path, disk: Disk, tmp_path: Path, server: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PostgreSQL ends itself then, as its manual says; batches that it confirmed stand, the others wait."""
    place = disk(140_000, open_folder / "disk")
    place.chmod(0o755)
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    with database_server() as full, record_on(full, tmp_path / "data") as store:
        writer = Writer(store)
        writer.looked.set()
        store.append("poll", polled(OCTOBER, 100, CHANNELS))
        writer.start()
        with filled_up(place):
            full.run("SELECT pg_switch_wal()")
            sent = 0
            while not (trouble := writer.trouble):
                sent += 1
                writer.rows(polled(OCTOBER + sent * DAY, 300, CHANNELS))
                wait_until(lambda: not writer.waiting or writer.trouble)
            assert "could not be used" in trouble or "whether it stands" in trouble
        full.stop()
        full.start()
        wait_until(lambda: not writer.waiting and not writer.trouble)
        assert writer.stop(MOST_S)
        assert seqs(store) == list(range(1, 1600 + sent * 4800 + 1))
        assert store.verify().faults == ()
