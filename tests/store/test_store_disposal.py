"""Nothing is ever deleted, unless two people let whole sealed months go as the setup allows."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from logger.errors import Refused
from logger.store import Store
from logger.store.archive.months import month_span
from logger.store.disposal import DisposalRequest

from .conftest import DAY, NOVEMBER, OCTOBER, edit, polled

NOW = month_span(2037, 3)[0]
BEFORE = month_span(2026, 11)[0]
TWO = DisposalRequest(BEFORE, "Greta Holm", "Ines Faber", "end of retention")


@pytest.fixture
def aged(store: Store) -> Store:
    """October and November sealed, and a poll going on long after."""
    store.append("poll", polled(OCTOBER, 90, step_ns=DAY // 4))
    store.append("poll", polled(NOVEMBER, 90, step_ns=DAY // 4))
    store.seal(NOVEMBER + 60 * DAY)
    store.append("poll", polled(NOW - DAY, 60))
    return store


def test_two_people_let_a_month_go_and_its_digest_stays(aged: Store) -> None:
    """October is gone for readers, explained for verification; the rest is as it was."""
    october, november, *_ = aged.archive.seals()

    disposal = aged.dispose(TWO, NOW, 10)

    assert disposal.files == (october.file,)
    assert not (aged.folder / october.file).exists()
    assert len(aged.readings.read("P1.temperature", OCTOBER, NOVEMBER)) == 0
    assert len(aged.readings.read("P1.temperature", NOVEMBER, NOW)) > 90
    report = aged.verify()
    assert report.faults == ()
    assert (report.files, len(report.disposed)) == (len(aged.archive.seals()) - 1, 1)
    assert "disposed of by Greta Holm, approved by Ines Faber" in report.disposed[0]
    (entry,) = aged.journal.entries(kind="disposal")
    assert entry.what["files"][0]["sha256"] == october.sha256  # type: ignore[index,call-overload]
    assert aged.archive.seals(disposed=False)[0] == november


@pytest.mark.slow
@pytest.mark.parametrize(
    ("order", "years", "reason"),
    [
        (
            DisposalRequest(BEFORE, "Greta Holm", " greta  h\u200bolm", "x"),
            10,
            "it needs two different people",
        ),
        (DisposalRequest(BEFORE, "Greta Holm", "", "x"), 10, "it needs two people"),
        (DisposalRequest(BEFORE, "Greta Holm", "Ines Faber", " "), 10, "reason is missing"),
        (TWO, None, "everything stays"),
        (TWO, 11, "keeps readings for 11 years"),
    ],
    ids=["one person", "no approver", "no reason", "no rule", "too young"],
)
def test_without_authority_nothing_goes_and_the_attempt_is_kept(
    aged: Store, order: DisposalRequest, years: int | None, reason: str
) -> None:
    with pytest.raises(Refused, match=reason):
        aged.dispose(order, NOW, years)

    assert all((aged.folder / seal.file).is_file() for seal in aged.archive.seals())
    (entry,) = aged.journal.entries(kind="disposal-refused")
    assert entry.who == "Greta Holm"


def test_an_altered_file_is_not_made_to_vanish(aged: Store) -> None:
    """Disposal must not hide that something was changed."""
    path = aged.folder / aged.archive.seals()[0].file
    path.write_bytes(path.read_bytes()[:-1])

    with pytest.raises(Refused, match="not as it was sealed"):
        aged.dispose(TWO, NOW, 10)

    assert path.is_file()


def test_a_batch_that_is_partly_hot_keeps_its_files(aged: Store) -> None:
    """An import that reaches from the old month into the running one: its digest needs both."""
    aged.append("import-x", [*polled(OCTOBER + DAY, 3), *polled(NOW - 60, 1)])
    aged.seal(NOW)

    with pytest.raises(Refused, match="not sealed yet"):
        aged.dispose(TWO, NOW, 10)
    aged.seal(NOW + 60 * DAY)

    assert len(aged.dispose(TWO, NOW, 10).files) == 2
    assert aged.verify().faults == ()


def test_what_an_interruption_leaves_goes_at_the_next_start(aged: Store, folder: Path) -> None:
    """The entry stands before the file goes."""
    file = folder / aged.archive.seals()[0].file
    content = file.read_bytes()
    aged.dispose(TWO, NOW, 10)
    aged.close()
    file.write_bytes(content)

    with Store.open(folder) as again:
        assert not file.exists()
        assert again.verify().faults == ()


def test_a_file_removed_without_the_act_is_still_a_fault(aged: Store, folder: Path) -> None:
    """A row in the table of disposals needs its entry in the journal; the database itself refuses it."""
    number, file = aged.archive.seals()[0].number, aged.archive.seals()[0].file
    aged.close()
    with pytest.raises(sqlite3.IntegrityError, match="needs its journal entry"):
        _insert(folder, number)
    edit(folder, "INSERT INTO disposal (seal, number) SELECT min(number), 1 FROM seal")
    (folder / file).unlink()

    with Store.open(folder, read_only=True) as store:
        faults = store.verify().faults

    assert any(fault.startswith(f"file {file}: missing") for fault in faults)
    assert any(
        fault.startswith(f"disposal of seal {number}: its row is missing, altered") for fault in faults
    )


def _insert(folder: Path, number: int) -> None:
    database = sqlite3.connect(folder / "stillroom.db")
    try:
        database.execute("INSERT INTO disposal (seal, number) VALUES (?, 1)", (number,))
    finally:
        database.close()


def test_a_trial_says_what_would_go(aged: Store) -> None:
    would = aged.dispose(TWO, NOW, 10, dry_run=True)

    assert (would.number, len(would.files), would.readings) == (0, 1, 90)
    assert all((aged.folder / seal.file).is_file() for seal in aged.archive.seals())
