"""Entries of batches move into files once their readings are sealed: nothing is lost, all is provable."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from logger.errors import StoreDamaged
from logger.store import Store
from logger.store.archive import journal_months as journal_sealing
from logger.store.backup.backup import backup
from logger.store.backup.restore import restore
from logger.store.exchange.export import export
from logger.store.hot.database import FILE

from .conftest import DAY, IN_DECEMBER, MINUTE, NOVEMBER, OCTOBER, edit, polled

FILED = "journal/journal-0001.parquet"


@pytest.fixture(scope="module")
def filled_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch every six hours of October, sealed; some of November, hot; acts between. To be copied."""
    folder = tmp_path_factory.mktemp("filled") / "data"
    with Store.open(folder, create=True) as store:
        fill(store)
    return folder


def fill(store: Store) -> None:
    for at in range(120):
        store.append("poll", polled(OCTOBER + at * DAY // 4, 3))
        if at % 40 == 0:
            store.journal.append("act", "Radek Sova", {"zone": "machine-bay"}, "door left open")
    store.append("other", polled(OCTOBER, 5, ("P2.temperature",)))
    store.append("poll", polled(NOVEMBER - MINUTE, 3))  # half of it will be sealed: it stays
    store.seal(NOVEMBER + 3 * DAY)
    for at in range(10):
        store.append("poll", polled(NOVEMBER + at * DAY, 3))


@pytest.fixture
def filled(filled_once: Path, folder: Path, home: str) -> Iterator[Store]:
    """A copy of it, open; on a server filled anew."""
    if home == "embedded":
        shutil.copytree(filled_once, folder)
    with Store.open(folder, create=home == "server") as store:
        if home == "server":
            fill(store)
        yield store


def rows(store: Store, table: str) -> int:
    with store.read() as conn:
        return int(conn.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar_one())  # noqa: S608


@pytest.mark.slow
def test_entries_of_sealed_batches_move_and_everything_reads_as_before(filled: Store) -> None:
    """Same entries, same head but for the one that says it; the next batch goes on with the next number."""
    before, head = filled.journal.entries(), filled.journal.head()

    assert filled.journal_sealing.seal(least=100) == [FILED]

    after = filled.journal.entries()
    assert after[:-1] == before
    assert (after[-1].kind, after[-1].number) == ("journal-seal", head[0] + 1)
    assert rows(filled, "journal") == len(before) + 1 - 121
    assert rows(filled, "batch") == 1 + 11  # the newest of `other`, the half sealed one, November
    assert filled.verify([head]).faults == ()
    assert filled.append("poll", polled(NOVEMBER + 11 * DAY, 2)).first == 120 * 3 + 3 + 30 + 1
    assert filled.append("other", polled(NOVEMBER + 11 * DAY, 2, ("P2.temperature",))).first == 6
    result = filled.verify([head])
    assert (result.faults, result.batches) == ((), 120 + 1 + 1 + 10 + 2)
    assert filled.journal.entries(kind="batch", limit=3) == [e for e in before if e.kind == "batch"][:3]
    assert filled.journal_sealing.seal(least=100) == []


def test_a_stranger_walks_the_chain_through_file_and_database(filled: Store) -> None:
    """With a reader of Parquet, one of SQLite, and SHA-256."""
    filled.journal_sealing.seal(least=100)
    names = ("number", "at_ns", "kind", "who", "what", "why", "sha256")
    with closing(sqlite3.connect(filled.folder / FILE)) as stranger:
        entries = [dict(zip(names, row, strict=True)) for row in stranger.execute("SELECT * FROM journal")]
    entries += pq.read_table(filled.folder / FILED).to_pylist()

    previous = "0" * 64
    for number, entry in enumerate(sorted(entries, key=lambda entry: entry["number"]), 1):
        kind, who, why = (json.dumps(entry[name], ensure_ascii=False) for name in ("kind", "who", "why"))
        text = (
            f'{{"at_ns":{entry["at_ns"]},"kind":{kind},"number":{number},"previous":"{previous}",'
            f'"what":{entry["what"]},"who":{who},"why":{why}}}'
        )
        previous = hashlib.sha256(text.encode()).hexdigest()
        assert previous == entry["sha256"], number
    assert previous == filled.journal.head()[1]


class Killed(BaseException):
    """The process ends here."""


STEPS = ("write_lines", "sync_file", "publish", "read_lines", "_record_seal", "_finish", "_chunks")


@pytest.mark.slow
@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_an_end_at_any_step_loses_nothing(
    filled: Store, folder: Path, monkeypatch: pytest.MonkeyPatch, step: str, after: bool
) -> None:
    """Every entry is told once, verification finds nothing, and the next start goes on."""
    before = filled.journal.entries()
    place = journal_sealing.JournalSealing if step in ("_record_seal", "_finish") else journal_sealing
    real, calls = getattr(place, step), []

    def killed(*args: object) -> object:
        calls.append(step)
        if step == "_finish" and len(calls) == 1:
            return real(*args)  # the one that begins
        if after:
            result = real(*args)
            list(result) if step == "read_lines" else None
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(place, step, killed)
        with pytest.raises(Killed):
            filled.journal_sealing.seal(least=100)
    filled.close()

    with Store.open(folder) as again:
        assert [e for e in again.journal.entries() if e.kind != "journal-seal"] == before
        assert again.verify().faults == ()
        again.journal_sealing.seal(least=100)
        assert rows(again, "batch") == 12
        assert again.verify().faults == ()
        assert [e for e in again.journal.entries() if e.kind != "journal-seal"] == before
        assert [path.name for path in (folder / "journal").iterdir()] == ["journal-0001.parquet"]


@pytest.mark.slow
def test_what_is_altered_in_file_or_row_is_named(filled: Store, folder: Path) -> None:
    """A byte of the file, the file gone, the row that leads to it, the batch that the next counts on."""
    filled.journal_sealing.seal(least=100)
    filled.close()
    path = folder / FILED
    whole, database = path.read_bytes(), (folder / FILE).read_bytes()

    def faults(*statements: str) -> str:
        edit(folder, *statements)
        with Store.open(folder, read_only=True) as store:
            report = " ".join(store.verify().faults)
        path.write_bytes(whole)
        (folder / FILE).write_bytes(database)
        return report

    assert faults() == ""
    path.write_bytes(whole[: len(whole) // 2] + b"x" + whole[len(whole) // 2 + 1 :])
    assert f"file {FILED}: altered" in faults()
    path.unlink()
    assert f"file {FILED}: missing; it held 121 entries" in faults()
    assert "journal seal" in faults("UPDATE journal_seal SET sha256 = replace(sha256, 'a', 'b')")
    assert "journal seal" in faults("DELETE FROM journal_seal")
    assert "row of its newest batch" in faults("DELETE FROM batch WHERE last_seq = 5")


def test_an_altered_entry_is_not_sealed(filled: Store, folder: Path) -> None:
    edit(folder, "UPDATE journal SET who = 'somebody' WHERE number = 7")

    with pytest.raises(StoreDamaged, match="Not sealed: journal entry 7 was altered"):
        filled.journal_sealing.seal(least=100)

    assert not (folder / "journal").exists()


def test_a_backup_and_an_export_hold_the_moved_entries(filled: Store, tmp_path: Path) -> None:
    filled.journal_sealing.seal(least=100)
    (tmp_path / "share").mkdir()

    assert backup(filled, tmp_path / "share", "Greta Holm", IN_DECEMBER).intact
    restored = restore(tmp_path / "share", tmp_path / "new", "Greta Holm")
    export(filled, tmp_path / "out", IN_DECEMBER)

    assert restored.verification.faults == ()
    assert (tmp_path / "new" / FILED).read_bytes() == (filled.folder / FILED).read_bytes()
    lines = (tmp_path / "out" / "journal.jsonl").read_text("utf-8").splitlines()
    assert len(lines) == filled.journal.head()[0]


def test_a_stray_file_beside_those_of_the_journal_is_named(filled: Store) -> None:
    """What no entry names (put there by somebody, or by a newer database that was replaced) is a fault with
    its name; what an interrupted sealing left is none, as all of it is in the database."""
    folder = filled.folder / "journal"
    folder.mkdir()
    (folder / "journal-0007.parquet").write_bytes(b"no table")
    (folder / "note.txt").write_text("mine")
    faults = filled.verify().faults
    assert [fault.split(":")[0] for fault in faults] == [
        "file journal/journal-0007.parquet",
        "file journal/note.txt",
    ]
    for file in folder.iterdir():
        file.unlink()
    filled.journal_sealing.seal(least=100)
    copy = (folder / "journal-0001.parquet").read_bytes()
    assert filled.verify().faults == ()
    (folder / "journal-0002.parquet").write_bytes(copy)  # as a seal that is not in this database left it
    assert ["file journal/journal-0002.parquet" in fault for fault in filled.verify().faults] == [True]


def test_a_search_finds_entries_that_moved_into_files(filled: Store) -> None:
    """Same answers before and after the move: by words, by kind, by time, below a number, newest first."""
    end_ns = 1 << 62
    queries = [
        {"text": "POLL"},
        {"text": "poll other"},
        {"kinds": ("batch",), "limit": 500},
        {"kinds": ("batch",), "limit": 3, "below": 50},
        {"kinds": ("batch", "act"), "to_ns": end_ns, "limit": 200, "not_by": ("Radek Sova",)},
        {"without": ("batch",)},
        {"text": "radek door"},
    ]
    before = [filled.journal.search(**some) for some in queries]  # type: ignore[arg-type]
    assert [len(result) for result in before][2:4] == [132, 3]
    moved = filled.journal.head()[0]
    filled.journal_sealing.seal(least=100)
    after = [filled.journal.search(**some) for some in queries]  # type: ignore[arg-type]
    assert [[e for e in result if e.number <= moved] for result in after] == before
