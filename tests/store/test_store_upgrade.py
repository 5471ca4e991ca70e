"""A record that an older program wrote: brought up to date, only read, killed meanwhile, taken back."""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store import Store
from logger.store.hot import database, migrations
from logger.store.hot.database import FILE

from ..conftest import Run

ROOT = Path(__file__).parents[2]
OLD = ROOT / "tests" / "data" / "schema_0001" / "record.zip"
# As the program of that time printed it: tests/data/schema_0001/SOURCE.md.
HEAD = (31, "f37b839a65ab01588b7c628b05187988ccfd32ae9543c0578d0b6884291e944c")
READINGS = 2400

# The child says when it begins, so that kills fall into the copy, the migration and its commit.
CHILD = """
import sys
from pathlib import Path
import alembic.command, alembic.config
from logger.store import Store
print("begins", flush=True)
Store.open(Path(sys.argv[1])).close()
print("done", flush=True)
"""


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A folder as the first program left it."""
    with zipfile.ZipFile(OLD) as packed:
        packed.extractall(tmp_path / "old")
    return tmp_path / "old"


def schema_of(path: Path) -> str:
    with closing(sqlite3.connect(path)) as connection:
        return str(connection.execute("SELECT version_num FROM alembic_version").fetchone()[0])


def test_an_older_record_is_brought_up_to_date_and_told(old: Path) -> None:
    """Nothing that was kept changes, the old head is still in the chain, the upgrade is an entry."""
    with Store.open(old) as store:
        verification = store.verify([HEAD])
        entries = store.journal.entries(kind="schema")

    assert (verification.faults, verification.readings) == ((), READINGS)
    assert [(entry.number, entry.what["from"], entry.what["to"]) for entry in entries] == [
        (HEAD[0] + 1, "0001", migrations.NEWEST)
    ]
    assert schema_of(old / FILE) == migrations.NEWEST


def test_the_database_of_before_is_kept_for_going_back(old: Path) -> None:
    """Put back in its place it is the old record, digest for digest."""
    Store.open(old).close()
    copy = old / f"{FILE}.schema-0001"
    assert schema_of(copy) == "0001"

    for left in old.glob(f"{FILE}*"):
        if left != copy:
            left.unlink()
    shutil.copyfile(copy, old / FILE)

    with Store.open(old, read_only=True) as store:
        verification = store.verify([HEAD])
    assert (verification.faults, verification.head) == ((), HEAD)


def test_an_older_record_that_is_only_read_stays_as_it_is(old: Path) -> None:
    """A verifier of today reads it in a copy; not a byte changes and no file is added."""
    before = {path: path.read_bytes() for path in old.rglob("*") if path.is_file()}

    with Store.open(old, read_only=True) as store:
        verification = store.verify([HEAD])
        assert store.journal.head() == HEAD
        assert store.archive.seals()[0].rows == READINGS // 2

    assert verification.intact
    assert {path: path.read_bytes() for path in old.rglob("*") if path.is_file()} == before


def test_without_room_for_the_copy_nothing_is_changed(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is full before the upgrade leaves the old record, and says how much is wanted."""

    def full(_part: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(database, "sync_file", full)
    with pytest.raises(StoreError, match=r"No space left.*left as it is: .*as much space as"):
        Store.open(old)

    assert schema_of(old / FILE) == "0001"
    assert sorted(path.name for path in old.iterdir()) == ["archive", FILE]


@pytest.mark.slow
@pytest.mark.parametrize(
    "rounds", [pytest.param(4, id="short"), pytest.param(200, id="long", marks=pytest.mark.long)]
)
def test_killed_while_upgrading(tmp_path: Path, rounds: int) -> None:
    """After a kill at any moment it is the old schema or the new one, intact, and can be opened."""
    chance = random.Random(rounds)
    result = []
    for round_ in range(rounds):
        folder = tmp_path / str(round_)
        with zipfile.ZipFile(OLD) as packed:
            packed.extractall(folder)
        with subprocess.Popen(
            [sys.executable, "-c", CHILD, str(folder)], stdout=subprocess.PIPE, text=True
        ) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == "begins\n"
            try:
                child.wait(chance.uniform(0, 0.07))
            except subprocess.TimeoutExpired:
                child.kill()

        with Store.open(folder, read_only=True) as store:
            verification = store.verify([HEAD])
        result.append(verification.head[0] - HEAD[0])
        assert (verification.faults, verification.readings) == ((), READINGS)
        with Store.open(folder) as store:
            assert len(store.journal.entries(kind="schema")) == 1
        shutil.rmtree(folder)
    assert set(result) <= {0, 1}
    print(f"{result.count(0)} kills before the commit of the upgrade, {result.count(1)} after it")


@pytest.mark.parametrize(("named", "code"), [([], 2), (["--config", str(ROOT / "config")], 0)])
def test_a_question_leaves_an_older_record_as_it_is_answered_or_not(
    old: Path, stillroom: Run, tmp_path: Path, named: list[str], code: int
) -> None:
    """`probe list` changes no byte; where it says that nothing was changed, nothing was."""
    before = contents(old)
    result = stillroom("probe", "list", "--data", old, *named, cwd=tmp_path)
    assert result.returncode == code, result.stderr
    assert contents(old) == before


def test_what_is_refused_is_refused_before_an_older_record_is_upgraded(
    old: Path, stillroom: Run, tmp_path: Path
) -> None:
    """A command that writes, too: no setup in the record and none named is exit 2, and the head stays."""
    before = contents(old)
    result = stillroom("alarm", "list", "--data", old, cwd=tmp_path)
    assert result.returncode == 2
    assert "There is no configuration folder" in result.stderr
    assert contents(old) == before


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder with its bytes."""
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def test_a_reader_of_tables_of_a_newer_program_is_refused(tmp_path: Path) -> None:
    """Else `verify` would call its own ignorance a fault of the record."""
    with Store.open(tmp_path / "data", create=True):
        pass
    with closing(sqlite3.connect(tmp_path / "data" / "stillroom.db")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9998'")
        connection.commit()
    with pytest.raises(StoreError, match=r"was written by a newer stillroom \(schema 9998"):
        Store.open(tmp_path / "data", read_only=True)
