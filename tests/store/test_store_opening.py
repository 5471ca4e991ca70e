"""Making, opening and locking a data folder, and folders that are not what they should be."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from logger.errors import StoreDamaged, StoreError, StoreInUse
from logger.store import Store
from logger.store.hot import migrations
from logger.store.hot.database import FILE
from logger.store.hot.tables import metadata

from .conftest import OCTOBER, edit, polled


def test_a_folder_without_a_record_is_refused(folder: Path) -> None:
    """The message says what was wanted, and nothing is made."""
    with pytest.raises(StoreError, match=r"no record in .*stillroom\.db"):
        Store.open(folder)

    assert not folder.exists()


@pytest.mark.parametrize("first", [True, False])
def test_simulated_and_real_never_mix(folder: Path, first: bool) -> None:
    """What a record is, is decided once; opening it as the other kind is refused."""
    with Store.open(folder, create=True, simulated=first) as store:
        assert store.simulated is first

    with pytest.raises(StoreError, match="holds the record of a"):
        Store.open(folder, create=True, simulated=not first)

    with Store.open(folder) as store:
        assert store.simulated is first


@pytest.mark.parametrize("foreign", ["", "CREATE TABLE holiday (picture)"])
@pytest.mark.parametrize("create", [True, False])
def test_a_database_without_our_tables_is_left_alone(folder: Path, foreign: str, create: bool) -> None:
    """A record that was emptied must not come back as a new one that is intact."""
    folder.mkdir()
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.executescript(foreign)
    (folder / FILE).touch()
    (folder / "originals").mkdir()

    for read_only in (True, False):
        with pytest.raises(StoreError, match=r"not a record of stillroom, or not a complete one.*backup"):
            Store.open(folder, create=create, read_only=read_only)

    with closing(sqlite3.connect(folder / FILE)) as connection:
        tables = connection.execute("SELECT sql FROM sqlite_master").fetchall()
    assert tables == ([(foreign,)] if foreign else [])


def test_a_folder_of_other_things_does_not_become_a_record(folder: Path) -> None:
    """Neither does a file: both are named, and nothing is made."""
    folder.mkdir()
    (folder / "letter.txt").touch()
    with pytest.raises(StoreError, match=r"holds other files, such as 'letter\.txt'"):
        Store.open(folder, create=True)
    with pytest.raises(StoreError, match="is a file; a record needs a folder"):
        Store.open(folder / "letter.txt", create=True)

    assert [p.name for p in folder.iterdir()] == ["letter.txt"]


def test_the_schema_is_the_one_of_the_tables(store: Store) -> None:
    """Migrations and tables.py describe the same schema, and the newest version is the head."""
    with store.read() as conn:
        assert compare_metadata(MigrationContext.configure(conn), metadata) == []
        assert migrations.version(conn) == migrations.NEWEST
    folder = Path(migrations.__file__).parent
    assert ScriptDirectory(str(folder)).get_heads() == [migrations.NEWEST]


def test_a_newer_schema_is_refused(folder: Path) -> None:
    """An older program leaves the folder of a newer one alone."""
    Store.open(folder, create=True).close()
    edit(folder, "UPDATE alembic_version SET version_num = '9999'")

    with pytest.raises(StoreError, match=r"newer stillroom \(schema 9999"):
        Store.open(folder)


@pytest.mark.parametrize("damage", ["no database", "page overwritten"])
def test_a_damaged_file_stops_with_what_to_do(folder: Path, damage: str) -> None:
    """A file that SQLite cannot trust is not opened for writing."""
    with Store.open(folder, create=True) as store:
        store.append("poll", polled(OCTOBER, 2000))
    content = bytearray((folder / FILE).read_bytes())
    at = 0 if damage == "no database" else len(content) // 2 // 4096 * 4096
    content[at : at + 4096] = b"\xa5" * 4096
    (folder / FILE).write_bytes(content)

    with pytest.raises(StoreDamaged, match=r"(?s)does not read back as it was written.*newest backup"):
        Store.open(folder)

    assert (folder / FILE).read_bytes() == content


def test_verification_of_a_damaged_file_says_so(folder: Path) -> None:
    """A copy that was opened for reading only is verified as far as it can be read."""
    with Store.open(folder, create=True) as store:
        store.append("poll", polled(OCTOBER, 5000))
    content = bytearray((folder / FILE).read_bytes())
    at = len(content) // 2 // 4096 * 4096
    content[at : at + 8192] = b"\xa5" * 8192
    (folder / FILE).write_bytes(content)

    with Store.open(folder, read_only=True) as store:
        verification = store.verify()

    assert not verification.intact
    assert verification.faults[0].startswith(f"database {FILE}: ")


def test_one_service_per_folder(store: Store) -> None:
    """The second service is refused and told which process is the first."""
    with (
        store.lock_service(),
        pytest.raises(StoreInUse, match=f"process {os.getpid()}"),
        store.lock_service(),
    ):
        pass

    with store.lock_service():
        pass


@pytest.mark.slow
def test_the_lock_goes_with_its_process(store: Store, folder: Path) -> None:
    """A service that was killed leaves no lock behind."""
    script = (
        "import sys, time; from pathlib import Path; from logger.store import Store\n"
        "store = Store.open(Path(sys.argv[1]))\n"
        "with store.lock_service():\n print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(folder)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        with pytest.raises(StoreInUse, match=f"process {child.pid}"), store.lock_service():
            pass
        child.kill()

    with store.lock_service():
        assert (folder / "service.lock").read_text() == f"{os.getpid()}\n"


def test_reading_only_changes_no_byte(folder: Path) -> None:
    """A verifier can be let at the only copy: no file is changed or made."""
    with Store.open(folder, create=True) as store:
        store.append("poll", polled(OCTOBER, 10))
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}

    with Store.open(folder, read_only=True) as store:
        assert store.verify().intact
        with pytest.raises(StoreError, match="reading only"):
            store.append("poll", polled(OCTOBER, 1))

    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_a_copy_with_an_unfinished_log_is_read_with_it(folder: Path, tmp_path: Path) -> None:
    """A copy taken while the service ran has a WAL: its readings count, and its files stay."""
    copy = tmp_path / "copy"
    copy.mkdir()
    with Store.open(folder, create=True) as store:
        store.append("poll", polled(OCTOBER, 10))
        for name in (FILE, FILE + "-wal"):
            (copy / name).write_bytes((folder / name).read_bytes())
    before = sorted((path.name, path.read_bytes()) for path in copy.iterdir())

    with Store.open(copy, read_only=True) as store:
        verification = store.verify()

    assert (verification.faults, verification.readings) == ((), 10)
    assert sorted((path.name, path.read_bytes()) for path in copy.iterdir()) == before


def test_a_folder_that_cannot_be_made_is_a_plain_error(tmp_path: Path) -> None:
    """A file in the place of the folder: a sentence and no traceback of the file system."""
    (tmp_path / "data").write_text("in the way")

    with pytest.raises(StoreError, match="could not be written"):
        Store.open(tmp_path / "data" / "here", create=True)


@pytest.mark.slow
def test_two_processes_may_make_the_same_store(folder: Path) -> None:
    """A first start of service and dashboard at the same moment makes one record."""
    script = (
        "import sys; from pathlib import Path; from logger.store import Store\n"
        "Store.open(Path(sys.argv[1]), create=True).close()"
    )
    command = [sys.executable, "-W", "error", "-c", script, str(folder)]
    children = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(3)]

    message = [child.communicate(timeout=60)[1] for child in children]

    assert message == ["", "", ""]
    with Store.open(folder) as store:
        assert [entry.kind for entry in store.journal.entries()] == ["store"]
