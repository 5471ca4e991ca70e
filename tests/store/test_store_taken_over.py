"""A second service takes a room over while the first one's network is cut: the first ends, and says why.

Two services of one record on two machines have two folders and one schema.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from logger.config import example_folder, load, load_texts
from logger.errors import StoreInUse
from logger.instants import NS
from logger.model import Config
from logger.service import Service
from logger.store import Store
from tests.cutting_proxy import CuttingProxy, cutting_proxy
from tests.database_server import DatabaseServer
from tests.store.conftest import polled

MOST_S = 60.0
LINE = re.compile(r"^\[probes\.\w+\.connection\]\n(?:(?!\[).*\n)*", re.MULTILINE)
SENTENCE = r"Another service took schema .* over while the connection of this one was cut\."


@pytest.fixture
def way(server: DatabaseServer) -> Iterator[CuttingProxy]:
    """The way of the first machine to the server, which a test cuts."""
    with cutting_proxy(server.port) as proxy:
        yield proxy


@pytest.fixture
def config() -> Config:
    """The example, whose probes are read by nodes: rows come from the test alone."""
    texts = dict(load(example_folder()).texts)
    texts["probes.toml"] = LINE.sub("", texts["probes.toml"])
    return load_texts(texts)


@pytest.fixture
def first(server: DatabaseServer, way: CuttingProxy, tmp_path: Path, config: Config) -> Iterator[Path]:
    """The folder of the first machine, over the proxy; `second` beside it reaches the server by itself."""
    name, _ = server.new_schema()
    server.point(tmp_path / "first", name, way.port)
    server.point(tmp_path / "second", name)
    with Store.open(tmp_path / "first", create=True, simulated=True) as store:
        store.setups.put(config.texts, "Greta Holm", "first", "Greta Holm", time.time_ns() - 3600 * NS)
    yield tmp_path / "first"
    server.drop_schema(name)


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + MOST_S
    while not condition():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.05)


def lock_service(store: Store, stack: ExitStack) -> None:
    """Be the service of a record as soon as the server has noticed that the other's connection broke."""

    def lock() -> bool:
        try:
            stack.enter_context(store.lock_service())
        except StoreInUse:
            return False
        return True

    until(lock)


@pytest.mark.slow
def test_no_reading_of_either_service_is_lost_or_stored_twice(
    first: Path, way: CuttingProxy, config: Config
) -> None:
    start = (time.time_ns() // NS - 600) * NS
    with Store.open(first) as store, store.lock_service():
        service = Service(store, config)
        service.start()
        service._writer.rows(polled(start, 3, step_ns=NS))
        until(lambda: len(store.readings.read("P1.temperature", 0, 2**62)) == 3)
        way.away = True  # the network is cut, and the other one is started
        way.end_all()
        service._writer.rows(polled(start + 10 * NS, 4, step_ns=NS))
        with Store.open(first.parent / "second") as other, ExitStack() as stack:
            lock_service(other, stack)
            other.append("poll", polled(start + 20 * NS, 5, step_ns=NS))
            assert service.alive  # it cannot know yet
            way.away = False
            until(lambda: not service.alive)
            assert re.match(SENTENCE, service.takeover)
            assert not service.stop()
            assert "4 readings" in service.remainder
            assert "the record was taken over" in service.remainder
    with Store.open(first) as store, store.lock_service():  # the other one has ended
        service = Service(store, config)
        service.start()
        until(lambda: len(store.readings.read("P1.temperature", 0, 2**62)) == 12)
        assert service.stop()
        taken = [row.taken_ns for row in store.hot.all_rows().rows() if row.channel == "P1.temperature"]
        assert len(taken) == len(set(taken)) == 12
        assert store.verify().faults == ()


@pytest.mark.slow
def test_the_command_ends_with_one_sentence_and_the_code_of_the_record(
    first: Path, way: CuttingProxy, server: DatabaseServer
) -> None:
    command = [sys.executable, "-m", "logger.cli", "run", "--data", str(first)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=dict(os.environ))
    try:
        until(lambda: (first / "heartbeat").exists() or process.poll() is not None)
        with Store.open(first.parent / "second") as other, ExitStack() as stack:
            way.end_all()
            lock_service(other, stack)
            errors = process.communicate(timeout=MOST_S)[1].decode()
        assert process.returncode == 3
        assert len(re.findall(SENTENCE, errors)) == 1, errors
        assert "Traceback" not in errors
        assert errors.rstrip().splitlines()[-1].startswith("stillroom: Another service took")
    finally:
        process.kill()
        process.communicate()
