"""Late readings make a new issue and tell the owner; dropped files start and stop; forgotten stops."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.acts import alarms as alarm_acts
from logger.acts import inspections as actions
from logger.config import in_force
from logger.inspections import drop_folder as dropped
from logger.inspections.revisions import issues, of_digest
from logger.instants import NS
from logger.model import Config, Inspection, Row
from logger.service.inspection_jobs import InspectionJobs
from logger.store import Store
from tests.inspections.test_lists import NOW

HOUR = 3600 * NS


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


@pytest.fixture
def config(store: Store) -> Config:
    return in_force(store.setups.versions())


def letters(store: Store) -> list[str]:
    return [letter.body["subject"] for letter in alarm_acts.outbox(store).waiting(NOW + 10**15)]


@pytest.mark.slow
def test_late_readings_revise_a_verdict_as_a_new_issue(store: Store, config: Config) -> None:
    """Gear case, stable; late readings of 21.5 °C inside it: issue 2 is not stable, both are kept."""
    attending = InspectionJobs(store, config)
    attending.turn(NOW)
    first = issues(store)
    assert {key: [i.verdict for i in each] for key, each in first.items()} == {
        "I-2601": ["stable"], "I-2602": ["stable"], "I-2605": ["not shown"], "I-2603": ["not stable"],
        "I-2604": ["not stable"], "I-2606": ["not shown"],
    }  # fmt: skip
    before = letters(store)
    attending.turn(NOW + 120 * NS)
    assert issues(store) == first
    job = next(j for j in actions.inspections(store) if j.key == "I-2601")
    late = [
        Row("P1.temperature", job.from_ns + HOUR + s * NS, NOW, 21.5, "ok", "", "late", late=True)
        for s in range(5, 1200, 10)
    ]
    store.append("late", late)
    attending.turn(NOW + 240 * NS)
    issue, two = issues(store)["I-2601"]
    assert (issue.verdict, two.verdict, two.number) == ("stable", "not stable", 2)
    assert two.difference == "was stable (conforming), now not stable (nonconforming)"
    assert issues(store)["I-2602"] == first["I-2602"]
    (mail,) = [s for s in letters(store) if s not in before]
    assert "inspection I-2601 was stable (conforming), now not stable" in mail
    bodies = [letter.body["text"] for letter in alarm_acts.outbox(store).waiting(NOW + 10**15)]
    assert any(two.because in body for body in bodies)
    assert "K above 0.5 K; 2026-10-13 14:00 +02:00" in two.because
    assert of_digest(store, issue.digest) == issue
    assert store.verify().intact


@pytest.mark.slow
def test_another_setup_is_looked_through(store: Store, config: Config) -> None:
    """A tighter limit put in force from the beginning: every stable verdict of the bay is issued anew."""
    attending = InspectionJobs(store, config)
    attending.turn(NOW)
    rules = tuple(
        replace(r, upper=20.05) if r.key == "machine-bay.temperature" else r for r in config.setup.rules
    )
    attending.use(replace(config, setup=replace(config.setup, rules=rules)))
    attending.turn(NOW + NS)
    assert [i.verdict for i in issues(store)["I-2601"]] == ["stable", "not stable"]


def test_a_forgotten_stop_is_asked_about_once(store: Store, config: Config) -> None:
    job = Inspection("R-1", "machine-bay", 0, None, "Ring", person="Radek Sova")
    actions.start_inspection(store, config.setup, job, "Radek Sova", NOW)
    attending = InspectionJobs(store, config)
    for hours in (1, 11, 13, 14):
        attending.turn(NOW + hours * HOUR)
    assert [s for s in letters(store) if "R-1" in s] == [
        "SIMULATED: Measuring room East: inspection R-1: still running?"
    ] * sum(len(route.recipients) for route in config.mail)


def drop(store: Store, name: str, expected: object) -> None:
    folder = store.folder / dropped.FOLDER
    folder.mkdir(exist_ok=True)
    text = expected if isinstance(expected, str) else json.dumps(expected)
    (folder / name).write_text(text, "utf-8")
    os.utime(folder / name, ns=(NOW - 10 * NS,) * 2)


def test_a_measuring_program_starts_and_stops_by_files(store: Store, config: Config) -> None:
    start = {"act": "start", "key": "D-1", "zone": "machine-bay", "title": "Ring", "length_mm": 120.0}
    drop(store, "a.json", start)
    (result,) = dropped.process_files(store, config.setup, NOW)
    assert (result.key, result.refused) == ("D-1", "")
    drop(store, "b.json", {"act": "stop", "key": "D-1"})
    dropped.process_files(store, config.setup, NOW + HOUR)
    job = next(j for j in actions.inspections(store) if j.key == "D-1")
    assert (job.from_ns, job.to_ns, job.length_mm) == (NOW, NOW + HOUR, 120.0)
    assert len(list((store.folder / dropped.FOLDER / "done").iterdir())) == 2


@pytest.mark.parametrize(
    "expected",
    [
        "{half", "[1]", {"act": "begin"}, {"act": "stop", "key": "nobody"}, {"act": "start", "zone": "attic"},
        {"act": "start", "zone": "machine-bay", "rm": "-rf"},
        {"act": "start", "zone": "machine-bay", "length_mm": "long"},
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_put_aside_with_its_reason(
    store: Store, config: Config, expected: object
) -> None:
    before = len(actions.inspections(store))
    drop(store, "x.json", expected)
    (outcome,) = dropped.process_files(store, config.setup, NOW)
    assert outcome.refused
    assert len(actions.inspections(store)) == before
    (why,) = (store.folder / dropped.FOLDER / "refused").glob("*.txt")
    assert why.read_text("utf-8").strip() == outcome.refused
    assert dropped.process_files(store, config.setup, NOW) == []


@pytest.mark.parametrize(
    "expected",
    [
        {"act": "x" * 90_000},
        {"act": "start", "zone": "machine-bay", "length_mm": "9" * 90_000},
        {"act": "start", "zone": "machine-bay", **{f"field {n}": 1 for n in range(5000)}},
    ],
    ids=["act", "value", "names"],
)
def test_the_reason_stays_a_sentence(store: Store, config: Config, expected: object) -> None:
    """Whatever a file holds, the reason beside it quotes the beginning and no more."""
    drop(store, "x.json", expected)
    (outcome,) = dropped.process_files(store, config.setup, NOW)

    assert "expected" in outcome.refused
    assert len(outcome.refused) < 1000


def test_one_bad_file_never_stops_the_next(store: Store, config: Config) -> None:
    """A folder, dangling and endless links, a pipe, deep brackets, half a character, a name as long as the
    file system allows, numbers that are none: each is put aside with a reason, and the good file is done.
    """
    folder = store.folder / dropped.FOLDER
    start = {"act": "start", "zone": "machine-bay", "title": "Ring"}
    drop(store, "deep.json", "[" * 90_000)
    drop(store, "half.json", json.dumps(start | {"title": "\ud800"}))
    drop(store, "n" * 250 + ".json", start | {"key": "D-7"})
    drop(store, "nan.json", '{"act": "start", "zone": "machine-bay", "title": "Ring", "length_mm": NaN}')
    drop(store, "huge.json", json.dumps(start | {"length_mm": 10**400}))
    drop(store, "digits.json", '{"act": "stop", "key": ' + "9" * 5000 + "}")
    drop(store, "large.json", json.dumps(start | {"title": "x" * 200_000}))
    (folder / "folder.json").mkdir()
    (folder / "folder.json" / "inside").write_text("x")
    (folder / "gone.json").symlink_to(folder / "nowhere")
    (folder / "zero.json").symlink_to("/dev/zero")
    os.mkfifo(folder / "pipe.json")
    drop(store, "z.json", start | {"key": "D-8"})
    for file in folder.glob("*.json"):
        os.utime(file, ns=(NOW - 10 * NS,) * 2, follow_symlinks=False)
    result = {outcome.name: outcome for outcome in dropped.process_files(store, config.setup, NOW)}
    assert sorted(name for name, outcome in result.items() if not outcome.refused) == [
        "n" * 250 + ".json",
        "z.json",
    ]
    assert {"D-7", "D-8"} <= {job.key for job in actions.inspections(store)}
    assert len(result) == 12
    assert all(outcome.refused.endswith(".") for outcome in result.values() if outcome.refused)
    assert list(folder.glob("*.json")) == []
    assert len(list((folder / "refused").glob("*.txt"))) == 10


def test_a_dropped_file_acts_as_its_folder(store: Store, config: Config) -> None:
    """Whoever may write there can write any name: the journal says that the folder acted, and by which file.
    The name in the file is who measures, and no more.
    """
    body = {"key": "D-9", "zone": "machine-bay", "title": "Ring", "person": "Ines Faber"}
    drop(store, "a.json", {"act": "start", **body})
    dropped.process_files(store, config.setup, NOW)
    drop(store, "b.json", {"act": "stop", "key": "D-9", "person": "Ines Faber"})
    dropped.process_files(store, config.setup, NOW + HOUR)
    start, stop = [e for e in store.journal.entries(kind="inspection") if e.what["inspection"] == "D-9"]
    assert {start.who, stop.who} == {"folder inspections-in"}
    assert [e.what["through"] for e in (start, stop)] == [
        {"at": "dropped file", "file": "a.json"},
        {"at": "dropped file", "file": "b.json"},
    ]
    job = next(j for j in actions.inspections(store) if j.key == "D-9")
    assert job.person == "Ines Faber"
    assert store.verify().intact


def test_a_file_that_is_still_written_is_left(store: Store, config: Config) -> None:
    drop(store, "x.json", "{")
    os.utime(store.folder / dropped.FOLDER / "x.json", ns=(NOW, NOW))
    assert dropped.process_files(store, config.setup, NOW + NS) == []
