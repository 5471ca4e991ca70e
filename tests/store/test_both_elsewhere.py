"""A record in PostgreSQL whose sealed files lie in an object store: there, at work, copied, and back."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.config import in_force
from logger.errors import ArchiveAway
from logger.instants import NS
from logger.model import Config, Row
from logger.service import Service
from logger.service.health import health
from logger.store import Store
from logger.store.archive import object_place
from logger.store.store_file import archive_table, hot_table
from tests.command_line import Run
from tests.database_server import PASSWORD_ENV, DatabaseServer
from tests.peers.object_store import ACCOUNT, ObjectStore, object_store
from tests.service.test_folder_lost import QUIET, until
from tests.store.test_shared_store_page import digests

DAY = 86_400 * NS


@pytest.fixture(scope="module")
def objects() -> Iterator[ObjectStore]:
    with object_store() as server:
        yield server


@pytest.fixture
def schema(server: DatabaseServer, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A schema and its role on the server; the account of the object store is in the environment."""
    for variable, value in ACCOUNT.items():
        monkeypatch.setenv(variable, value)
    name, _ = server.new_schema()
    yield name
    server.drop_schema(name)


def quiet(store: Store) -> Config:
    """The setup in force, with no probe to read and nobody to notify."""
    return replace(QUIET, setup=in_force(store.setups.versions()).setup)


def archive_word(store: Store, config: Config) -> str:
    """What page Health says of the archive."""
    figures = health(store, config.setup, time.time_ns())
    return next((figure.word for figure in figures if figure.what.startswith("archive")), "")


def row(at_ns: int) -> Row:
    return Row("P1.temperature", at_ns, at_ns, 20.0)


@pytest.mark.slow
def test_a_record_goes_there_works_is_restored_and_comes_back(
    demo_copy: Path, server: DatabaseServer, objects: ObjectStore, schema: str, stillroom: Run, tmp_path: Path
) -> None:
    def run(*words: str | Path, code: int = 0) -> str:
        result = stillroom(*words)
        assert result.returncode == code, f"{words}\n{result.stdout}\n{result.stderr}"
        return result.stdout

    seen = [digests(demo_copy)]
    at = ("--data", demo_copy)
    run("store", "move", "--to", server.address(schema), "--schema", schema,
        "--password-env", PASSWORD_ENV, *at)  # fmt: skip
    run("store", "archive", "--to", "s3://measuring/both", "--endpoint", objects.endpoint, *at)
    seen.append(digests(demo_copy))
    assert (hot_table(demo_copy) is None, archive_table(demo_copy) is None) == (False, False)

    now_ns = time.time_ns() // NS * NS
    with Store.open(demo_copy) as store, store.lock_service():
        service = Service(store, quiet(store))
        service.start()
        service._writer.rows([row(now_ns - n * 60 * NS) for n in range(5, 0, -1)])
        assert until(lambda: len(store.readings.read("P1.temperature", now_ns - 301 * NS, now_ns)) == 5)
        assert service.stop()
        assert store.seal(now_ns + 70 * DAY)  # months that were hot on the server go to the object store
    at_work = digests(demo_copy)
    assert "Verified" in run("verify", *at)

    (tmp_path / "backups").mkdir()
    run("backup", "--to", tmp_path / "backups", *at)
    run("restore", "--from", tmp_path / "backups", "--data", tmp_path / "restored")
    assert "Verified" in run("verify", "--data", tmp_path / "restored")
    assert digests(tmp_path / "restored") == at_work
    assert hot_table(tmp_path / "restored") is None

    run("store", "archive", "--to", "embedded", *at)
    run("store", "move", "--to", "embedded", *at)
    assert "Verified" in run("verify", *at)
    assert (hot_table(demo_copy), archive_table(demo_copy)) == (None, None)
    assert digests(demo_copy) == at_work
    assert seen == [seen[0]] * 2
    assert seen[0]


@pytest.mark.slow
def test_an_object_store_that_takes_connections_and_says_nothing_holds_nothing_up(
    demo_copy: Path, objects: ObjectStore, stillroom: Run, schema: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked twice, then not again for a while: a sentence at once; readings and verdicts go on."""
    del schema  # the account
    monkeypatch.setattr(object_place, "READ_S", 1)
    monkeypatch.setattr(object_place, "SLOW_S", 0.5)
    moved = stillroom("store", "archive", "--to", "s3://measuring/silent", "--endpoint", objects.endpoint,
                      "--data", demo_copy)  # fmt: skip
    assert moved.returncode == 0, moved.stderr
    now_ns = time.time_ns() // NS * NS
    with Store.open(demo_copy) as store, store.lock_service():
        config = quiet(store)
        first = store.archive.seals()[0]
        with objects.silent() as connections:
            store.archive.content._fetched.clear()
            for _ in range(3):
                with pytest.raises(ArchiveAway, match=r"does not answer.*Check that it runs"):
                    store.archive.content.origin(first.file)
            assert len(connections) <= 2
            service = Service(store, config)
            service.start()
            service._writer.rows([row(now_ns)])
            assert until(lambda: store.readings.newest()["P1.temperature"].taken_ns == now_ns)
            assert until(lambda: "does not answer" in archive_word(store, config))
            assert service.stop()
        monkeypatch.setattr(object_place, "REST_S", 0.0)
        store.archive.content.place._silence = (0.0, "")  # type: ignore[attr-defined]
        assert store.verify().intact
