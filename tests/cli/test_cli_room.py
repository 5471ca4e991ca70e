"""A room that is archived answers every question and takes no act; one is cloned; one goes back a program."""

from __future__ import annotations

import json
import os
import re
import zipfile
from pathlib import Path

import pytest

from logger.config import load_texts, read_texts
from logger.store import Store, archived
from tests.command_line import ROOT, Run

OLD = ROOT / "tests" / "data" / "schema_0001" / "record.zip"
# As the program of that time printed it: tests/data/schema_0001/SOURCE.md.
HEAD = (31, "f37b839a65ab01588b7c628b05187988ccfd32ae9543c0578d0b6884291e944c")
ARCHIVE = ("room", "archive", "--why", "bay moved", "--who", "Greta Holm")
QUESTIONS = (
    ("record", "at", "2026-10-20T14:10", "--zone", "machine-bay"),
    ("check", "--zone", "machine-bay", "--from", "2026-10-19T09:30", "--to", "2026-10-19T11:00"),
    ("case", "show", "1"),
    ("inspection", "list"),
    ("inspection", "impact", "--zone", "machine-bay", "--at", "2026-10-19T05:30"),
    ("excursion", "list"),
    ("verify",),
)
ACTS = (
    ("case", "note", "1", "--cause", "other"),
    ("record", "issue", "--zone", "machine-bay", "--month", "2026-10", "--out", "issued"),
)


def contents(folder: Path) -> dict[Path, bytes]:
    """What a folder holds, without the locks of who worked on it."""
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.suffix != ".lock"}


@pytest.mark.slow
def test_an_archived_room_answers_every_question_and_takes_no_act(demo_copy: Path, stillroom: Run) -> None:
    """Not a byte changes, whatever is asked; what is refused says who archived it and why."""
    assert stillroom(*ARCHIVE, "--data", demo_copy).returncode == 0
    before = contents(demo_copy)

    for question in QUESTIONS:
        answer = stillroom(*question, "--data", demo_copy)
        assert answer.returncode in (0, 10, 11), (question, answer.stderr)
    for act in ACTS:
        refused = stillroom(*act, "--data", demo_copy)
        assert refused.returncode != 0
        assert "archived by Greta Holm" in refused.stderr
        assert "Nothing was changed" in refused.stderr

    assert contents(demo_copy) == before


@pytest.mark.slow
def test_a_reopened_room_says_in_its_journal_that_it_was_archived(demo_copy: Path, stillroom: Run) -> None:
    stillroom(*ARCHIVE, "--data", demo_copy)
    refused = stillroom("room", "reopen", "--why", " ", "--who", "Greta Holm", "--data", demo_copy)
    assert refused.returncode == 2
    assert archived.archived(demo_copy) is not None

    assert stillroom("room", "reopen", "--why", "used again", "--data", demo_copy).returncode == 0

    with Store.open(demo_copy) as store:
        entries = store.journal.entries(kind="room")
        assert [entry.what["act"] for entry in entries] == ["archived", "reopened"]
        assert store.verify().faults == ()


def test_a_folder_that_cannot_be_written_is_read(
    demo_copy: Path, monkeypatch: pytest.MonkeyPatch, stillroom: Run
) -> None:
    """As of a disk that is mounted read-only: the system says that it may not be written."""
    allowed = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode, **more: mode != os.W_OK and allowed(path, mode, **more)
    )
    assert archived.is_for_reading_only(demo_copy)
    monkeypatch.undo()
    assert not archived.is_for_reading_only(demo_copy)


def test_a_clone_is_a_setup_without_evidence(demo_history: Path, stillroom: Run, tmp_path: Path) -> None:
    """What is left out is named one by one; what is left is valid but for certificates."""
    out = tmp_path / "west"
    words = ("--key", "west", "--name", "Measuring room “West”", "--out", out, "--data", demo_history)
    outcome = stillroom("room", "clone", *words)
    assert outcome.returncode == 0, outcome.stderr

    texts = read_texts(out)
    setup = load_texts(texts).setup
    whole = "\n".join(texts.values())
    assert (setup.room.key, setup.room.name, setup.room.simulated) == ("west", "Measuring room “West”", False)
    assert setup.certificates == ()
    assert {probe.serial for probe in setup.probes.values()} == {
        f"to be entered, {key}" for key in setup.probes
    }
    assert not re.search(r"(?m)^(valid_from|approver|firmware) *=", whole)
    assert {rule.zone for rule in setup.rules} == {"machine-bay", "plate-bench"}
    assert len(setup.placements) == len(setup.probes)
    assert stillroom("config", "check", "--config", out).returncode == 0
    refused = stillroom("room", "clone", *words)
    assert (refused.returncode, "is not an empty folder" in refused.stderr) == (2, True)


def test_rolled_back_it_is_the_older_record_digest_for_digest(stillroom: Run, tmp_path: Path) -> None:
    """The head is the one that the older program printed; what came after the upgrade is counted."""
    folder, out = tmp_path / "data", tmp_path / "older"
    with zipfile.ZipFile(OLD) as packed:
        packed.extractall(folder)
    with Store.open(folder) as store:  # this upgrades it
        store.journal.append("mark", "Greta Holm", {"act": "added"}, "after the upgrade")
    before = contents(folder)

    preview = stillroom("room", "roll-back", "--data", folder)
    assert (preview.returncode, "Nothing was written" in preview.stdout) == (0, True), preview.stderr
    outcome = stillroom("room", "roll-back", "--out", out, "--json", "--data", folder)

    assert (json.loads(outcome.stdout)["entries"], json.loads(outcome.stdout)["readings"]) == (2, 0)
    assert contents(folder) == before
    with Store.open(out, read_only=True) as store:
        assert store.verify([HEAD]).faults == ()
        assert store.journal.head() == HEAD


def test_a_record_that_was_never_upgraded_has_nothing_to_go_back_to(
    demo_history: Path, stillroom: Run
) -> None:
    refused = stillroom("room", "roll-back", "--data", demo_history)
    assert (refused.returncode, "never upgraded" in refused.stderr) == (2, True)
