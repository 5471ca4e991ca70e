"""A watched folder: files are left until they are whole, nothing is deleted, refusals are told once."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from logger.config import example_folder, load
from logger.errors import ImportRefused, Refused
from logger.imports import ImportResult, Profile, import_file
from logger.imports.watching import Folder
from logger.instants import NS
from logger.model import Setup
from logger.service.folder import journal_refusal, refused_files
from logger.service.service import Service
from logger.store import Store

from .test_import_bombs import last_cell

NOW = 1_900_000_000 * NS
HEAD = "time,temperature\n"
ROW = "2026-10-13T09:00:00Z,20.05\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    built = tmp_path / "loggers"
    built.mkdir()
    return built


def bringing(store: Any, plain: Profile, setup: Setup) -> Any:
    return lambda path: import_file(path, plain, store, setup, "watch", NOW)


@pytest.mark.slow
def test_a_file_is_left_until_it_no_longer_grows(
    folder: Path, memory: Any, plain: Profile, setup: Setup
) -> None:
    store, watched = memory(), Folder(folder, quiet_s=10)
    bring = bringing(store, plain, setup)
    path = folder / "a.csv"
    path.write_text(HEAD + ROW[:20])
    assert watched.look(bring, 0) == []
    path.write_text(HEAD + ROW)
    assert watched.look(bring, 9) == []
    assert watched.look(bring, 18) == []
    assert watched.waiting == [path]
    (outcome,) = watched.look(bring, 19)
    assert (outcome.state, len(store.rows)) == ("imported", 1)
    assert watched.look(bring, 60) == []
    assert watched.waiting == []
    assert path.read_text() == HEAD + ROW


@pytest.mark.slow
def test_a_file_that_grows_on_later_brings_what_is_new(
    folder: Path, memory: Any, plain: Profile, setup: Setup
) -> None:
    store, watched = memory(), Folder(folder, quiet_s=1)
    bring = bringing(store, plain, setup)
    path = folder / "a.csv"
    for n in range(3):
        path.write_text(HEAD + "".join(ROW.replace(":00Z", f":0{m}Z") for m in range(n + 1)))
        watched.look(bring, 10 * n)
        watched.look(bring, 10 * n + 5)
    assert len(store.rows) == 3


def test_what_was_refused_is_tried_again_when_it_or_the_setup_changed(
    folder: Path, memory: Any, plain: Profile, setup: Setup
) -> None:
    store, watched = memory(), Folder(folder, quiet_s=1)
    bring = bringing(store, plain, setup)
    path = folder / "a.csv"
    path.write_text("no table\n")
    watched.look(bring, 0, "1")
    (outcome,) = watched.look(bring, 2, "1")
    assert outcome.state == "refused"
    assert "No row holds" in outcome.why
    assert watched.look(bring, 4, "1") == []
    assert [d.state for d in watched.look(bring, 6, "2")] == ["refused"]
    path.write_text(HEAD + ROW)
    watched.look(bring, 8, "2")
    assert [d.state for d in watched.look(bring, 10, "2")] == ["imported"]


def test_copies_under_way_and_hidden_files_are_left_alone(folder: Path) -> None:
    for name in ("a.csv.part", ".hidden.csv", "~$a.xlsx", "Thumbs.db", "b.csv~"):
        (folder / name).write_text(HEAD + ROW)
    (folder / "2026").mkdir()
    (folder / "2026" / "c.csv").write_text(HEAD + ROW)
    observed: list[Path] = []

    def bring(path: Path) -> ImportResult:
        observed.append(path)
        raise ImportRefused("not now")

    watched = Folder(folder, quiet_s=0)
    watched.look(bring, 0)
    assert [p.name for p in observed] == ["c.csv"]


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no folder"):
        Folder(tmp_path / "gone").look(lambda path: pytest.fail("nothing to bring"), 0)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="an administrator may read everything")
def test_a_file_that_may_not_be_read_is_refused(
    folder: Path, memory: Any, plain: Profile, setup: Setup
) -> None:
    (folder / "a.csv").write_text(HEAD)
    (folder / "a.csv").chmod(0)
    (outcome,) = Folder(folder, quiet_s=0).look(bringing(memory(), plain, setup), 0)
    assert outcome.state == "refused"


def test_a_refusal_is_journalled_once_and_gone_when_the_file_came_in(
    folder: Path, store: Store, plain: Profile, setup: Setup
) -> None:
    watched = Folder(folder, quiet_s=0)
    path = folder / "a.csv"
    path.write_text("no table\n")
    for _ in range(2):  # as after a restart
        (item,) = Folder(folder, quiet_s=0).look(bringing(store, plain, setup), 0)
        journal_refusal(store, item, "watch")
    assert [(r.name, "No row holds" in r.why) for r in refused_files(store)] == [("a.csv", True)]
    assert len(list(store.journal.entries(kind="import-refused"))) == 1
    path.write_text(HEAD + ROW)
    bring = lambda p: import_file(p, plain, store, setup, "watch", time.time_ns())  # noqa: E731
    assert [d.state for d in watched.look(bring, 0)] == ["imported"]
    assert refused_files(store) == []


@pytest.mark.slow
def test_one_bad_file_in_the_folder_never_stops_the_next(
    folder: Path, store: Store, plain: Profile, setup: Setup
) -> None:
    """A folder named like a file, links that lead nowhere and into each other, a pipe, deep brackets, half a
    character, the longest name, a name that is no UTF-8, a workbook that asks for all memory: the files
    behind each are imported, and what was refused is in the journal with its reason.
    """
    (folder / "a.csv").mkdir()
    (folder / "b.csv").symlink_to(folder / "nowhere")
    (folder / "c.csv").symlink_to(folder / "d.csv")
    (folder / "d.csv").symlink_to(folder / "c.csv")
    os.mkfifo(folder / "e.csv")
    (folder / "f.json").write_text("[" * 1_000_000)
    (folder / "g.json").write_text('[{"time": "2026-10-13T09:00:00Z", "temperature": "\\ud800"}]')
    (folder / ("h" * 250 + ".csv")).write_text(HEAD + ROW.replace("09:00", "09:01"))
    (folder / os.fsdecode(b"i\xff.csv")).write_text(HEAD + ROW.replace("09:00", "09:02"))
    (folder / os.fsdecode(b"j\xff.csv")).write_text("no table\n")
    (folder / "k.xlsx").write_bytes(last_cell())
    (folder / "z.csv").write_text(HEAD + ROW)
    bring = bringing(store, plain, setup)
    watched = Folder(folder, quiet_s=0)
    outcomes = list(watched.outcomes(bring, 0))
    for item in outcomes:
        if item.state == "refused":
            journal_refusal(store, item, "watch")
    assert [item.path.name for item in outcomes if item.state == "imported"] == [
        "h" * 250 + ".csv", os.fsdecode(b"i\xff.csv"), "z.csv"
    ]  # fmt: skip
    assert sorted(r.name for r in refused_files(store)) == ["f.json", "g.json", "j?.csv", "k.xlsx"]
    assert watched.look(bring, 1) == []
    assert sorted(item.name for item in store.imports.all()) == ["h" * 250 + ".csv", "i?.csv", "z.csv"]


@pytest.mark.slow
def test_the_service_takes_the_files_of_its_folder(folder: Path, tmp_path: Path) -> None:
    """The whole service on the example, with a folder in service.toml: a file goes in, its readings are
    there.
    """
    from logger.config import load_texts

    texts = dict(load(example_folder()).texts)
    texts["service.toml"] = f'[watch]\nfolder = "{folder.as_posix()}"\nquiet_s = 1.0\n'
    (folder / "machine-bay 1.csv").write_text(
        "time,P1 temperature,P1 humidity,P2 temperature,P2 humidity,P3 temperature,P3 humidity\n"
        "2026-10-13T09:00:00Z,20.05,48.1,20.1,48.2,20.2,48.3\n"
    )
    (folder / "other.csv").write_text("no table\n")
    config = load_texts(texts)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.setups.put(texts, "Greta Holm", "first", "Greta Holm", 1)
        service = Service(store, config)
        for _ in range(2):
            service._folder.turn(config)  # what the loop does, without the other loops
            time.sleep(1.1)
        assert store.readings.newest()["P3.relative_humidity"].value == 48.3
        assert [r.name for r in refused_files(store)] == ["other.csv"]
        assert sorted(p.name for p in folder.iterdir()) == ["machine-bay 1.csv", "other.csv"]
