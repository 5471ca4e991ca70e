"""Stores in scratch folders, and rows to put into them."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import func, select

from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.store.archive.months import month_span
from logger.store.hot import tables
from logger.store.hot.database import FILE
from logger.store.hot.guards import triggers
from logger.store.store_file import HotTable, hot_table
from tests.cutting_proxy import CuttingProxy, cutting_proxy
from tests.database_server import PASSWORD, PASSWORD_ENV, DatabaseServer, database_server, quick_server_schema
from tests.store.homes import BOTH, EMBEDDED_ONLY, ON_SERVER_TOO, QUICK

OCTOBER, NOVEMBER = month_span(2026, 10)
DAY = 86_400 * NS
MINUTE = 60 * NS
IN_DECEMBER = NOVEMBER + 35 * DAY


@pytest.fixture(scope="session")
def server() -> Iterator[DatabaseServer]:
    """A PostgreSQL of this worker's own."""
    with database_server() as running, pytest.MonkeyPatch.context() as patch:
        patch.setenv(PASSWORD_ENV, PASSWORD)
        with quick_server_schema():
            yield running


@pytest.fixture
def way(server: DatabaseServer) -> Iterator[CuttingProxy]:
    """The way to the server, which a test cuts."""
    with cutting_proxy(server.port) as proxy:
        yield proxy


@pytest.fixture
def home(request: pytest.FixtureRequest) -> str:
    """Which home of the hot tier a test runs in: embedded, but for those of `homes.py` in both."""
    return str(getattr(request, "param", "embedded"))


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Both homes for the tests of `homes.py`; the others stay in the embedded one."""
    name = metafunc.function.__name__
    both = name in ON_SERVER_TOO or (metafunc.definition.path.name in BOTH and name not in EMBEDDED_ONLY)
    if both and "home" in metafunc.fixturenames:
        marks = () if metafunc.definition.path.name in QUICK else (pytest.mark.slow,)
        homes = ["embedded", pytest.param("server", marks=marks)]
        metafunc.parametrize("home", homes, indirect=True)


@pytest.fixture
def folder(tmp_path: Path, home: str, request: pytest.FixtureRequest) -> Iterator[Path]:
    """A data folder to be; on a server it names a schema of its own already."""
    data = tmp_path / "data"
    if home == "embedded":
        yield data
        return
    running: DatabaseServer = request.getfixturevalue("server")
    name, _ = running.new_schema()
    running.point(data, name)
    yield data
    running.drop_schema(name)


@pytest.fixture
def store(folder: Path) -> Iterator[Store]:
    with Store.open(folder, create=True) as opened:
        yield opened


def polled(
    start_ns: int, n: int, channels: tuple[str, ...] = ("P1.temperature",), step_ns: int = MINUTE
) -> list[Row]:
    """Rows as a bus would give them: a slow rise in steps of 0.01, taken at whole ms."""
    return [
        Row(
            channel,
            start_ns + i * step_ns,
            start_ns + i * step_ns + 40_000_000,
            round(20 + i % 50 / 100, 2),
            boot="b1",
        )
        for i in range(n)
        for channel in channels
    ]


def hot_rows(store: Store) -> int:
    with store.read() as conn:
        return int(conn.execute(select(func.count()).select_from(tables.reading)).scalar() or 0)


def edit(folder: Path, *statements: str) -> None:
    """What somebody with a database editor can do: drop the triggers, change rows, put the triggers back."""
    if table := hot_table(folder):
        _edit_on_server(table, statements)
        return
    with closing(sqlite3.connect(folder / FILE)) as connection, unguarded(connection):
        for statement in statements:
            connection.execute(statement)


def _edit_on_server(table: HotTable, statements: Sequence[str]) -> None:
    """By the role of the record, which owns its tables."""
    import psycopg

    with psycopg.connect(table.database, password=PASSWORD) as connection:
        connection.execute(f'SET search_path TO "{table.schema_name}"')
        guarded = {name for name, _ in triggers()}
        for name in guarded:
            connection.execute(f"ALTER TABLE {name} DISABLE TRIGGER USER")
        for statement in statements:
            connection.execute(statement)
        for name in guarded:
            connection.execute(f"ALTER TABLE {name} ENABLE TRIGGER USER")


@contextmanager
def unguarded(connection: sqlite3.Connection) -> Iterator[None]:
    """Without triggers for a while, and so that nothing shows of it afterwards."""
    query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
    triggers = connection.execute(query).fetchall()
    for name, _ in triggers:
        connection.execute(f"DROP TRIGGER {name}")
    yield
    for _, item in triggers:
        connection.execute(item)
    connection.commit()


def faults_after(folder: Path, *statements: str) -> tuple[str, ...]:
    """Faults that a verification names after such an edit."""
    edit(folder, *statements)
    with Store.open(folder, read_only=True) as store:
        return store.verify().faults


Faults = Callable[..., tuple[str, ...]]


Disk = Callable[..., Path]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """Makes file systems of so many kB, in a folder of this test or at a place of its own."""
    item: list[Path] = []

    def make(size_kb: int, place: Path | None = None) -> Path:
        place = place or tmp_path / f"disk{len(item)}"
        place.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", str(place)]
        if not _may_mount() or subprocess.run(command, check=False).returncode:
            pytest.skip("a small file system cannot be mounted here")
        item.append(place)
        return place

    yield make
    for place in item:
        subprocess.run(["umount", "-l", str(place)], check=True)


def _may_mount() -> bool:
    return sys.platform == "linux" and os.geteuid() == 0 and shutil.which("mount") is not None
