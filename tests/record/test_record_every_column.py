"""Every column of every table and every file, altered in turn: `verify` names it, or a reason stands here."""

# ruff: noqa: S608 - the statements here are the attack, put together from our own names

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow as pa
import pytest

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.acts import marks
from logger.acts import setup as approval
from logger.config import example_folder, in_force, read_texts
from logger.core.alarms.lifecycle import Alarm
from logger.core.study.figure import Answer, absent
from logger.instants import NS, parse
from logger.model import Inspection, Mark, Row, Setup
from logger.model.roles import Role, Scope
from logger.people import People, Tokens
from logger.record import signatures as signing
from logger.record.issuance import issue
from logger.record.proof import verify_record
from logger.store import Store
from logger.store.disposal import DisposalRequest
from logger.store.hot.clocks import ClockComparison
from logger.store.hot.database import FILE
from logger.store.hot.value_decisions import Decision
from logger.studies.report_issue import issue_report
from logger.studies.study import Study, StudyRequest
from logger.verdicts.verdicts import Verdicts

from ..store.conftest import unguarded

UTC = ZoneInfo("UTC")
WHO, OTHER = "Greta Holm", "Ines Faber"
# What need not be named, each with the reason. "" stands for every column of the table.
UNNAMED = {
    ("alembic_version", ""): "a program that does not know the number refuses to open the record",
    ("decision", "id"): "a counter; that the rows stand in the order of their entries is compared",
    ("alarm", "key"): "an alarm that never rang has no act yet; of one that did the state is compared",
    ("alarm", "at_ns"): "when a state was last written: the acts in the journal have their own instants",
    ("alarm", "body"): "what runs of an alarm just now; its state and occurrence are compared",
    ("notice", ""): "mail and messages on their way; that they were told is in the journal",
    ("request_key", ""): "answers to requests that may be sent again; the acts themselves are in the journal",
    ("case_draft", ""): "what somebody is typing about a case; an act only once it is written down",
    ("study", ""): "answers of room studies are made again at will, from readings that are compared",
    ("live", ""): "the newest statement, written anew every minute by the service",
    ("session", ""): "who is signed in just now: a session leads to an account, which is compared",
    ("preference", ""): "how a person likes the pages",
    ("delivery", ""): "which messages of nodes came; the readings in them are compared",
    ("sqlite_sequence", ""): "the counter of row numbers; rows are compared with their acts",
}
UNNAMED_FILES = {
    "import.lock": "only its name matters, and only while an import runs",
    "seal.lock": "only its name matters, and only while a month is sealed",
    "restore.unfinished": "stands only during a restore",
}


HOUR = 3600 * NS
EVENING = parse("2026-10-31T18:00", UTC)  # its month is sealed
MORNING = parse("2026-11-03T06:00", UTC)  # hot
NOW = MORNING + 6 * HOUR


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short record of the demo's room with at least one row in every table."""
    folder = tmp_path_factory.mktemp("swept") / "data"
    with Store.open(folder, create=True, simulated=True) as store:
        texts = read_texts(example_folder())
        approval.propose(store, texts, WHO, "first", parse("2026-10-01", UTC))
        with store.begin() as conn:
            store.clocks.record_comparison(ClockComparison("X9", NOW, 0), WHO, "compared", conn)
            store.clocks.record_correction("boot", 0, WHO, "corrected", conn)
        _read(store, in_force(store.setups.versions()).setup)
        _acted(store, texts)
        verdicts = Verdicts(store, in_force(store.setups.versions()).setup)
        span = (EVENING + HOUR, EVENING + 4 * HOUR)
        issue(store, verdicts, verdicts.setup, "machine-bay", *span, folder.with_name("out"), WHO, NOW)
        answer = Answer("site", "Not shown: too short.", (absent("rms", "K", "too short."),))
        request = StudyRequest("site", "machine-bay", "", *span)
        study = Study(request, answer, (), "d" * 64, 1, "e" * 64, NOW, True)
        issue_report(store, verdicts.setup, [study], WHO, NOW)
        verdicts.refresh("plate-bench", NOW)
        store.verdict_cache.put_live("machine-bay", "{}")
        assert verify_record(store).faults == ()
    return folder


def _read(store: Store, setup: Setup) -> None:
    keys = [key for zone in setup.zones for key in setup.channels_in(zone)]
    for from_ns in (EVENING, MORNING):
        rows = [
            Row(key, from_ns + n * 60 * NS, from_ns + n * 60 * NS + NS, 20.0 if "temp" in key else 48.0)
            for n in range(360)
            for key in keys
        ]
        store.append("poll", rows)
    store.append("old", [Row("X9.temperature", n * 60 * NS, n * 60 * NS + NS, 20.0) for n in range(5)])
    store.append("hand", [Row(keys[0], MORNING + NS, NOW, value) for value in (20.0, 24.0)])
    content = b"time;value\n"
    store.imports.record(hashlib.sha256(content).hexdigest(), "P1 export.csv", content, {"rows": 2})
    store.seal(NOW)
    store.dispose(DisposalRequest(40 * 86_400 * NS, WHO, OTHER, "QM 4.2"), NOW, 1)
    store.journal_sealing.seal(least=1)
    store.overviews.envelope(keys[0], EVENING, NOW, 10)


def _acted(store: Store, texts: Mapping[str, str]) -> None:
    setup = in_force(store.setups.versions()).setup
    job = Inspection("J1", "machine-bay", EVENING, EVENING + HOUR, "bore")
    actions.add_inspection(store, setup, job, WHO)
    marks.mark(store, setup, Mark("machine-bay", MORNING, MORNING + HOUR, "painting", WHO))
    for number, decided in ((1, approval.refuse), (2, approval.approve)):
        remark = {**texts, "room.toml": texts["room.toml"] + f"\n# {number}\n"}
        version = approval.propose(store, remark, WHO, "a remark", MORNING)
        decided(store, version, OTHER, "seen", MORNING)
    key = next(key for zone in setup.zones for key in setup.channels_in(zone))
    store.decisions.put([Decision(key, MORNING + NS, 20.0, (20.0, 24.0))], WHO, "checked")
    with store.begin() as conn:
        attending.put_alarm(conn, Alarm("machine-bay.evidence"), NOW)
    People(store).add("greta", WHO, [Role.ADMINISTRATOR], "a long pass phrase of hers", "setup")
    Tokens(store).add("node", [Scope.READINGS], "greta", probes=["P1"])


def columns(folder: Path) -> Iterator[tuple[str, str]]:
    with closing(sqlite3.connect(folder / FILE)) as db:
        for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            for row in db.execute(f"PRAGMA table_info({table})").fetchall():
                yield table, row[1]


def altered(folder: Path, table: str, column: str) -> bool:
    """Change one row, where there is one that can be; whether it was."""
    with closing(sqlite3.connect(folder / FILE)) as db, unguarded(db):
        judged = "WHERE day >= 0" if table == "piece" else ""  # the row before them is no verdict
        row = db.execute(f"SELECT rowid, {column} FROM {table} {judged} ORDER BY rowid DESC").fetchone()
        if row is None:
            return False
        old = row[1]
        new = old + 1 if isinstance(old, int | float) else "1" if old is None else changed(old)
        db.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (new, row[0]))
        return True


def changed(text: str) -> str:
    """Another text of the same form: one letter or digit is another one, not of a key of JSON."""
    places = [at for at, letter in enumerate(text) if letter.isalnum()]
    at = places[-1] if places else 0
    return f"{text[:at]}{'8' if text[at : at + 1] != '8' else '9'}{text[at + 1 :]}"


def faults(folder: Path) -> tuple[str, ...]:
    with Store.open(folder, read_only=True) as store:
        return verify_record(store).faults


@pytest.mark.slow
@pytest.mark.parametrize(
    "every", [pytest.param(10, id="short"), pytest.param(1, id="long", marks=pytest.mark.long)]
)
def test_every_column_that_was_altered_is_named_or_has_a_reason(
    record: Path, tmp_path: Path, every: int
) -> None:
    """One changed field in each column of each table; and no table is left empty by accident."""
    silent, empty, seen = set(), set(), set()
    for number, (table, column) in enumerate(columns(record)):
        if {(table, ""), (table, column)} & UNNAMED.keys():
            seen |= {(table, ""), (table, column)}
            continue
        if number % every:
            continue
        folder = tmp_path / "data"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(record, folder)
        if not altered(folder, table, column):
            empty.add(table)
        elif not faults(folder):
            silent.add((table, column))

    assert (silent, empty) == (set(), set())
    assert UNNAMED.keys() <= seen  # a reason for a column that is gone says nothing


@pytest.mark.slow
@pytest.mark.parametrize(
    "every", [pytest.param(8, id="short"), pytest.param(1, id="long", marks=pytest.mark.long)]
)
def test_every_file_that_was_altered_or_taken_away_is_named_or_has_a_reason(
    record: Path, tmp_path: Path, every: int
) -> None:
    """Archive, originals, records, overviews and keys: other bytes in the middle, and the file gone."""
    silent = set()
    files = sorted(path.relative_to(record) for path in record.rglob("*") if path.is_file())
    for file in files[::every]:
        if file.name in UNNAMED_FILES or file.name == FILE:
            continue
        folder = tmp_path / "data"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(record, folder)
        content = bytearray((folder / file).read_bytes())
        third = len(content) // 3 + 1  # a single byte may be padding, which says nothing
        content[third : 2 * third] = bytes(byte ^ 255 for byte in content[third : 2 * third])
        (folder / file).chmod(0o600)
        (folder / file).write_bytes(content)
        overview = file.as_posix().startswith("overview/")  # made again when it is gone or cannot be read
        if not faults(folder) and not overview:
            silent.add((file.as_posix(), "changed"))
        (folder / file).unlink()
        if not faults(folder) and not overview:
            silent.add((file.as_posix(), "gone"))

    assert silent == set()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("statement", "named"),
    [
        ("DROP TRIGGER journal_kept", "trigger journal_kept: missing"),
        ("DROP INDEX reading_channel_taken", "index reading_channel_taken: missing"),
        ("CREATE TRIGGER x AFTER INSERT ON reading BEGIN SELECT 1; END", "trigger x: not ours"),
        ("ALTER TABLE mark ADD COLUMN note TEXT", "table mark: changed"),
        ("DROP TABLE delivery", "table delivery: missing"),
    ],
)
def test_a_changed_table_index_or_trigger_is_named(
    record: Path, tmp_path: Path, statement: str, named: str
) -> None:
    folder = Path(shutil.copytree(record, tmp_path / "data"))
    with closing(sqlite3.connect(folder / FILE)) as db:
        db.execute(statement)
        db.commit()

    assert any(fault.startswith(named) for fault in faults(folder))


def test_a_forged_overview_is_named(record: Path, tmp_path: Path) -> None:
    """Written by a program for Arrow, readable and a degree too low: charts would be drawn from it."""
    folder = Path(shutil.copytree(record, tmp_path / "data"))
    path = sorted((folder / "overview").rglob("900.arrow"))[0]
    with pa.ipc.open_file(pa.BufferReader(path.read_bytes())) as file:
        table = file.read_all()
    lower = pa.array([value - 1.0 for value in table.column("high").to_pylist()])
    table = table.set_column(table.schema.get_field_index("high"), "high", lower)
    with pa.OSFile(str(path), "wb") as out, pa.ipc.new_file(out, table.schema) as writer:
        writer.write_table(table)

    assert any("not what its sealed files give" in fault for fault in faults(folder))


@pytest.mark.slow
def test_a_missing_or_exchanged_signing_key_is_named(record: Path, tmp_path: Path) -> None:
    """One of another record signs as well, and nobody would know whose it is."""
    folder = Path(shutil.copytree(record, tmp_path / "data"))
    path = folder / signing.FOLDER / signing.FILE
    path.unlink()
    assert any("signing-key.pem: missing" in fault for fault in faults(folder))
    with Store.open(tmp_path / "other", create=True) as other:
        signing.signing_key(other, WHO)
    shutil.copyfile(tmp_path / "other" / signing.FOLDER / signing.FILE, path)
    assert any("is not the key that this record signs by" in fault for fault in faults(folder))


def test_verification_says_what_it_compared_and_what_not(record: Path) -> None:
    """With and without a head that left the machine, and without judging anew."""
    with Store.open(record, read_only=True) as store:
        head = store.journal.head()
        bare, full = verify_record(store, verdicts=False), verify_record(store, [head])

    assert any("with a head that left this machine: none was given" in line for line in bare.left_out)
    assert any("stored verdicts, by your choice" in line for line in bare.left_out)
    assert any(f"entry {head[0]}, {head[1]}" in line for line in full.compared)
    assert any(line.startswith("verdicts of zone machine-bay from") for line in full.compared)
