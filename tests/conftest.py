"""What tests of many folders need: the program, new records, and the demo's history by the real importer."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import settings
from sqlalchemy import Connection

from logger.config import example_folder, load
from logger.model import Config
from logger.store import Store
from logger.store.hot import database, migrations
from tests.builders import build
from tests.command_line import Run, run_here, run_installed
from tests.workers import copy_of_shared, shared_folder

__all__ = ["build"]  # a fixture for every folder

# A time limit for an example fails on a busy machine; no test asserts a time.
settings.register_profile("stillroom", deadline=None)
settings.load_profile("stillroom")


# Long files first, so that no worker is left with one at the end; files of other folders take seconds.
LONG_FIRST = (
    *("test_house.py", "selftest", "e2e", "service", "record", "cli", "store", "inspections", "search"),
    *("incoming", "imports", "dashboard", "rooms", "studies", "handouts", "network_probes", "probes", "api"),
    *("public", "plug_ins"),
)


def pytest_configure(config: pytest.Config) -> None:
    config.option.loadscopereorder = False  # pytest-xdist would begin with the files of most tests


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=_place)


def _place(item: pytest.Item) -> int:
    parts = item.path.relative_to(item.config.rootpath).parts
    return LONG_FIRST.index(parts[1]) if parts[1] in LONG_FIRST and parts[0] == "tests" else len(LONG_FIRST)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """For `-n auto` one worker more than cores: many tests wait for a line, a browser or a deadline."""
    return None if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ else (os.cpu_count() or 1) + 1


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """One line for each reason why tests were skipped, at the end."""
    reports = terminalreporter.stats.get("skipped", [])
    reasons = Counter(str(report.longrepr[2]).removeprefix("Skipped: ") for report in reports)
    for reason, number in sorted(reasons.items()):
        terminalreporter.write_line(f"{number} skipped: {reason}")


@pytest.fixture(scope="session")
def stillroom() -> Run:
    """The program, in this process: stillroom("check", "--zone", ...)."""
    return run_here


@pytest.fixture(scope="session")
def installed() -> Run:
    """The installed program as a process of its own, where starting it is the point."""
    return run_installed


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A new record of a simulated room."""
    with Store.open(tmp_path / "data", create=True, simulated=True) as opened:
        yield opened


@pytest.fixture(scope="session")
def example() -> Config:
    """The configuration of config/."""
    return load(example_folder())


@pytest.fixture(scope="session", autouse=True)
def _state_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What a service saves outside its data folder lies in none of this account."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(scope="session", autouse=True)
def _quick_schema() -> Iterator[None]:
    """The first new record is made by the migrations; the next ones repeat the statements that came of it.

    Older records are upgraded by the migrations, and every verification compares a schema with theirs.
    """
    statements: list[str] = []

    def migrate(conn: Connection) -> None:
        if migrations.version(conn) is not None:
            migrations.migrate(conn)
        elif statements:
            for statement in statements:
                conn.exec_driver_sql(statement)
        else:
            migrations.migrate(conn)
            statements.extend(_statements(conn))

    with mock.patch.object(database, "migrate", migrate):
        yield


def _statements(conn: Connection) -> list[str]:
    """SQL that makes this database again, without the frame of a transaction."""
    connection = conn.connection.driver_connection
    assert isinstance(connection, sqlite3.Connection)
    return [s for s in connection.iterdump() if s not in ("BEGIN TRANSACTION;", "COMMIT;")]


@pytest.fixture(scope="session")
def demo_history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with the history, judged. Shared by this worker's tests: ask it, do not change it."""
    folder = copy_of_shared(tmp_path_factory, "demo", _load_history)
    return folder / "data"


def _load_history(folder: Path) -> None:
    data = folder / "data"
    result = run_installed("demo", "--history-only", "--weeks", "2", "--data", data)
    assert result.returncode == 0, result.stderr
    (folder / "rows.json").write_text(json.dumps(_rows(data)))


@pytest.fixture(autouse=True)
def _shared_history_unchanged(request: pytest.FixtureRequest) -> Iterator[None]:
    """A test that changes the history which others share fails itself, not one of the others later."""
    yield
    if "demo_history" in request.fixturenames:
        data: Path = request.getfixturevalue("demo_history")
        before = json.loads((data.parent / "rows.json").read_text())
        assert _rows(data) == before, "the shared history was changed: let the test take demo_copy"


def _rows(data: Path) -> dict[str, int]:
    """How many people, setups, jobs and marks a data folder has."""
    with closing(sqlite3.connect(f"file:{data / 'stillroom.db'}?mode=ro", uri=True)) as database:
        tables = ("account", "token", "setup", "setup_proposal", "inspection", "mark", "issue")
        count = "SELECT count(*) FROM "
        return {table: database.execute(count + table).fetchone()[0] for table in tables}


@pytest.fixture
def demo_copy(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Path:
    """A copy of the history that a test may change: as it was made, without the answers printed since."""
    original = shared_folder(tmp_path_factory, "demo", _load_history)
    return Path(shutil.copytree(original / "data", tmp_path / "data"))


@pytest.fixture(scope="session", autouse=True)
def _quick_passwords() -> Iterator[None]:
    """Digests of passwords are slow on purpose; tests that sign in a hundred times take weak ones."""
    from argon2 import PasswordHasher

    from logger.people import passwords

    weak = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    with mock.patch.object(passwords, "_hasher", return_value=weak):
        yield
