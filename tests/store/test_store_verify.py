"""Whatever is changed behind the program's back is found and named."""

# ruff: noqa: S608 - the statements here are the attack, put together from our own names

from __future__ import annotations

import hashlib
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.store import Store
from logger.store.hot.database import FILE

from .conftest import DAY, IN_DECEMBER, NOVEMBER, OCTOBER, edit, faults_after, polled

PROBES = ("P1.temperature", "P2.temperature")
SEALED = "archive/room=east/year=2026/month=10/readings-0001.parquet"
LATE = "archive/room=east/year=2026/month=10/readings-0002.parquet"


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with everything in it: sealed files, hot rows, acts, a setup, an import."""
    folder = tmp_path_factory.mktemp("record") / "data"
    with Store.open(folder, create=True) as store:
        texts = {"room.toml": '[room]\nkey = "east"\n'}
        store.setups.put(texts, "Greta Holm", "first", "Ines Faber", OCTOBER)
        store.append("poll", polled(OCTOBER, 90, PROBES, step_ns=DAY // 20))
        content = b"time;value\n"
        sha256 = hashlib.sha256(content).hexdigest()
        store.imports.record(sha256, "P1 export.csv", content, {"rows": 2})
        store.seal(IN_DECEMBER)
        store.append("import-x", polled(OCTOBER + 5 * DAY, 4, PROBES))
        store.seal(IN_DECEMBER)
        store.append("import-y", polled(NOVEMBER - DAY, 6, PROBES, step_ns=DAY // 2))
        store.seal(NOVEMBER + 2 * DAY)
        store.journal.append("act", "Radek Sova", {"zone": "machine-bay"}, "door left open")
        for at in range(5):
            store.append("poll", polled(NOVEMBER + at * DAY, 8, PROBES))
    return folder


@pytest.fixture
def folder(record: Path, tmp_path: Path) -> Path:
    """A copy of the record that a test may harm."""
    return Path(shutil.copytree(record, tmp_path / "data"))


def verified(folder: Path) -> tuple[str, ...]:
    with Store.open(folder, read_only=True) as store:
        return store.verify().faults


def test_an_untouched_record_is_intact(folder: Path) -> None:
    """Counts are those of what was written; a batch may be partly sealed."""
    with Store.open(folder, read_only=True) as store:
        verification = store.verify()
        head = store.journal.head()

    assert verification.faults == ()
    assert verification.intact
    assert (verification.batches, verification.files, verification.readings) == (8, 3, 180 + 8 + 12 + 80)
    assert verification.head == head
    assert verification.entries == head[0]


NEWEST = "batch {last} of writer poll"
FIELDS = "channel, taken_ns, received_ns, boot, monotonic_ns, value, status, raw, source, late"
EDITS = {
    "UPDATE reading SET value = value + 0.01 WHERE seq = 260": NEWEST
    + ": altered, among readings 245 to 260",
    "UPDATE reading SET value = NULL WHERE seq = 260": NEWEST + ": altered",
    "UPDATE reading SET value = 'warm' WHERE seq = 260": NEWEST + ": altered, cannot be read back",
    "UPDATE reading SET raw = X'ff' WHERE seq = 260": NEWEST + ": altered",
    "UPDATE reading SET raw = CAST(X'ff' AS TEXT) WHERE seq = 260": NEWEST + ": altered",
    "UPDATE reading SET late = 2 WHERE seq = 260": NEWEST + ": altered",
    "UPDATE reading SET status = 256 WHERE seq = 260": NEWEST + ": altered",
    "UPDATE reading SET taken_ns = 'noon' WHERE seq = 260": NEWEST + ": altered",
    "UPDATE reading SET writer = 99 WHERE seq = 260": NEWEST + ": 1 of readings 245 to 260 are missing",
    "UPDATE reading SET arrival = 1 WHERE seq = 260": NEWEST + ": altered",
    "UPDATE reading SET arrival = arrival + 9 WHERE seq = 260": NEWEST + ": altered",
    "UPDATE name SET text = 'P3.temperature' WHERE text = 'P2.temperature'": NEWEST + ": altered",
    "DELETE FROM reading WHERE seq = 260": NEWEST
    + ": 1 of readings 245 to 260 are missing, the first is 260",
    "DELETE FROM reading WHERE seq BETWEEN 229 AND 244": "writer poll: readings 229 to 244 are missing",
    f"INSERT INTO reading SELECT arrival + 99, writer, 360, {FIELDS} FROM reading WHERE seq = 260": (
        "writer poll: readings 261 to 359 are missing"
    ),
    f"INSERT INTO reading SELECT arrival + 99, writer, 1, {FIELDS} FROM reading WHERE seq = 260": (
        "writer poll: reading 1 is there more than once"
    ),
    "UPDATE journal SET why = 'draught' WHERE kind = 'act'": "journal entry {act} (act): was altered",
    "UPDATE journal SET who = X'ff' WHERE kind = 'act'": "journal entry {act} (act): was altered",
    "UPDATE journal SET what = '{{' WHERE number = {last}": "journal entry {last} (batch): was altered",
    "UPDATE journal SET what = '{{' WHERE number = {seal}": "journal entry {seal} (seal): was altered",
    "UPDATE journal SET what = what || ' ' WHERE kind = 'act'": "journal entry {act} (act): was altered",
    "DELETE FROM journal WHERE kind = 'act'": "journal entry {act}: missing",
    "DELETE FROM journal WHERE number = {last}": "batch {last}: has no entry in the journal",
    "DELETE FROM journal": "journal entry 1: missing; the journal is empty",
    "UPDATE batch SET last_seq = 500 WHERE number = {last}": "batch {last}: altered, the journal says 245",
    "DELETE FROM batch WHERE number = 3": "batch 3: its row is missing",
    "UPDATE seal SET upto_arrival = 1000": "seal {seal}: its row is missing or altered",
    "UPDATE seal_channel SET upto_arrival = 1000": "seal {seal}: its row for channel P1.temperature",
    "UPDATE seal_channel SET last_ok_ns = 1": "seal {seal}: its row for channel P2.temperature",
    "DELETE FROM seal": "seal {seal}: its row is missing or altered",
    "UPDATE setup SET texts = '{{}}'": "setup version 1: missing, altered",
    "UPDATE setup SET approver = 'Radek Sova'": "setup version 1: missing, altered",
    "UPDATE setup SET texts = '{{'": "setup version 1: missing, altered",
    "UPDATE setup SET texts = '{{\"a\": 1}}'": "setup version 1: missing, altered",
    "UPDATE import_file SET summary = 'x'": "its row is missing, altered",
    "UPDATE name SET kind = 'source' WHERE text = 'P2.temperature'": "not the channel that reading names",
    "UPDATE name SET kind = 'room' WHERE text = 'poll' AND kind = 'writer'": "not the writer that",
    "DELETE FROM import_file": "its row is missing, altered",
    "UPDATE meta SET value = 'true' WHERE key = 'simulated'": "table meta: does not say",
}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("statement", "named"), EDITS.items(), ids=[text.format(last="n", act="n", seal="n") for text in EDITS]
)
def test_an_edit_of_the_database_is_named(folder: Path, statement: str, named: str) -> None:
    """What a database editor does to rows, journal, and the tables that lead to them."""
    with closing(sqlite3.connect(folder / FILE)) as stranger:
        (last,) = stranger.execute("SELECT max(number) FROM journal").fetchone()
        (act,) = stranger.execute("SELECT number FROM journal WHERE kind = 'act'").fetchone()
        (seal,) = stranger.execute("SELECT min(number) FROM journal WHERE kind = 'seal'").fetchone()
    numbers = {"last": last, "act": act, "seal": seal}

    faults = faults_after(folder, statement.format(**numbers))

    assert any(named.format(**numbers) in fault for fault in faults), faults


def test_two_entries_in_each_others_place_are_both_named(folder: Path) -> None:
    """Order is part of the chain."""
    swap = (
        "SET number = -1 WHERE number = 3",
        "SET number = 3 WHERE number = 4",
        "SET number = 4 WHERE number = -1",
    )

    faults = faults_after(folder, *(f"UPDATE journal {part}" for part in swap))

    assert faults[0].startswith("journal entry 3 (import): was altered, or does not belong here")
    assert faults[1].startswith("journal entry 4 (batch): was altered, or does not belong here")


def test_an_edit_is_found_while_it_is_alone_and_nothing_else_is_blamed(folder: Path) -> None:
    """One changed value is one fault, with batch, channels and time."""
    (fault,) = faults_after(folder, "UPDATE reading SET value = 19 WHERE seq = 250")

    assert fault.endswith("P1.temperature, P2.temperature, 2026-11-05T00:00:00Z to 2026-11-05T00:07:00Z")


def test_a_chain_made_anew_is_found_by_a_head_that_left(folder: Path) -> None:
    """A record put back to an older state is intact in itself; only a head from outside tells."""
    with Store.open(folder) as store:
        old = store.journal.head()
        shutil.copytree(folder, folder.with_name("older"))
        store.journal.append("act", "Radek Sova", {"zone": "machine-bay"})
        new = store.journal.head()

    with Store.open(folder.with_name("older")) as store:
        assert store.verify([old]).intact
        (cut,) = store.verify([old, new]).faults
        store.journal.append("act", "Radek Sova", {"zone": "plate-bench"})
        (other,) = store.verify([new]).faults

    assert cut.startswith(f"journal entry {new[0]}: missing, though it left this machine as head")
    assert other.startswith(f"journal entry {new[0]}: is not the head that left this machine")


def test_an_older_database_beside_newer_files_is_found(folder: Path, record: Path) -> None:
    """The archive knows more than the database: files without a seal whose readings are not hot."""
    with Store.open(folder) as store:
        store.append("import-z", polled(OCTOBER, 3))
        store.seal(NOVEMBER + 2 * DAY)
        newest = store.archive.seals()[-1].file
    shutil.copyfile(record / FILE, folder / FILE)

    with Store.open(folder) as store:  # opening must not tidy such a file away
        (fault,) = store.verify().faults

    assert fault.startswith(f"file {newest}: is in the archive without a seal")


def test_a_removed_file_is_named_with_what_it_held(folder: Path) -> None:
    """Which file, which channels, which days."""
    (folder / SEALED).unlink()

    missing, holes = verified(folder)

    assert missing.startswith(f"file {SEALED}: missing or unreadable")
    assert "180 readings of P1.temperature, P2.temperature from 2026-10-01 to 2026-10-05" in missing
    assert holes == "writer poll: readings 1 to 180 are missing, neither hot nor sealed"


def test_a_removed_original_is_named(folder: Path) -> None:
    """The imported file as it came is part of the record."""
    (original,) = (folder / "originals").iterdir()
    original.write_bytes(b"time;value\r\n")

    (fault,) = verified(folder)

    assert fault == f"file originals/{original.name}: the imported original is missing or altered"


def test_two_swapped_files_are_both_named(folder: Path) -> None:
    """Each is whole in itself, and in the wrong place."""
    content = (folder / SEALED).read_bytes()
    (folder / SEALED).write_bytes((folder / LATE).read_bytes())
    (folder / LATE).write_bytes(content)

    faults = verified(folder)

    assert f"file {SEALED}: channel P1.temperature, day 2026-10-01: missing" in faults
    assert f"file {LATE}: channel P1.temperature, day 2026-10-06: altered" not in faults
    assert any(fault.startswith(f"file {LATE}: channel P2.temperature") for fault in faults)


def test_a_value_changed_in_a_file_is_named_with_channel_and_day(folder: Path) -> None:
    """A file written anew with one other value: the channel and the day, and nothing else."""
    path = folder / SEALED
    table = pq.read_table(path, partitioning=None)
    at = table.column("channel").to_pylist().index("P2.temperature") + 25
    values = table.column("value").to_pylist()
    values[at] += 0.01
    table = table.set_column(table.schema.get_field_index("value"), "value", pa.array(values))
    groups = [table.slice(0, 90), table.slice(90)]
    with pq.ParquetWriter(path, table.schema) as writer:
        for group in groups:
            writer.write_table(group)

    (fault,) = verified(folder)

    assert fault == f"file {SEALED}: channel P2.temperature, day 2026-10-02: altered"


@pytest.mark.slow
@pytest.mark.parametrize(
    "rounds", [pytest.param(40, id="short"), pytest.param(1000, id="long", marks=pytest.mark.long)]
)
def test_any_changed_byte_of_a_sealed_file_is_found(folder: Path, rounds: int) -> None:
    """Random places, random other bytes, cut and lengthened files."""
    chance = random.Random(17)
    path = folder / SEALED
    content = path.read_bytes()
    for _ in range(rounds):
        at = chance.randrange(len(content))
        byte = bytes([(content[at] + chance.randrange(1, 256)) % 256])
        changed = chance.choice([content[:at] + byte + content[at + 1 :], content[:at], content + byte])
        path.write_bytes(changed)

        assert any(fault.startswith(f"file {SEALED}: ") for fault in verified(folder)), at


@pytest.mark.parametrize(
    "rounds", [pytest.param(25, id="short"), pytest.param(1000, id="long", marks=pytest.mark.long)]
)
def test_any_changed_field_is_found(folder: Path, rounds: int) -> None:
    """Random rows and columns of readings and journal, each with another value."""
    chance = random.Random(23)
    pristine = (folder / FILE).read_bytes()
    with closing(sqlite3.connect(folder / FILE)) as stranger:
        columns = {
            t: [row[1] for row in stranger.execute(f"PRAGMA table_info({t})")] for t in ("reading", "journal")
        }
    for _ in range(rounds):
        table = chance.choice(["reading", "journal"])
        column = chance.choice(columns[table])
        (folder / FILE).write_bytes(pristine)
        with closing(sqlite3.connect(folder / FILE)) as stranger:
            rows = stranger.execute(f"SELECT rowid, {column} FROM {table}").fetchall()
        rowid, old = chance.choice(rows)
        new = _another(chance, old)
        try:
            edit(folder, f"UPDATE {table} SET {column} = {new} WHERE rowid = {rowid}")
        except sqlite3.IntegrityError:
            continue  # a number that another row has: SQLite itself refuses the change

        faults = " ".join(verified(folder))
        assert ("writer poll" if table == "reading" else "journal entry") in faults or "batch" in faults, (
            (table, column, rowid, old, new),
            faults,
        )


def _another(chance: random.Random, old: object) -> str:
    """Another value for a field, as an SQL literal."""
    if isinstance(old, int):
        return str(old + chance.choice([1, -1, 1000, 10**9]))
    if isinstance(old, float):
        return repr(old + chance.choice([0.01, -1.0, 1e-9]))
    text = str(old)
    at = chance.randrange(len(text) + 1)
    return "'" + (text[:at] + chance.choice("xyz0") + text[at:]).replace("'", "''") + "'"
