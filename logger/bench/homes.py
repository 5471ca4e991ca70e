"""Durable batches of many rooms in both homes of the hot tier, in one run on one machine.

Paced: each room stores a batch a second, as services do; flat out: each stores the next as soon as it may.
The first batch of a room, which brings its names and begins its connection, comes once: it is counted apart,
or in a run of seconds the percentile would be that of the first batches.
"""

from __future__ import annotations

import os
import secrets
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from ..instants import NS
from ..model import Row
from ..store import Store
from ..store.hot.server import ServerDatabase
from ..store.hot.server_errors import plain_server_errors
from ..store.store_file import HotTable, hot_table_of, replace_table
from .record import START_NS

READINGS = 16


@dataclass(frozen=True)
class HomeFigures:
    """Of one home: milliseconds of a paced batch, batches a second flat out, load of the machine before."""

    home: str
    rooms: int
    median_ms: float
    p99_ms: float
    first_ms: float  # median of the first batches, one of each room
    p99_with_first_ms: float
    flat_out_per_s: float
    load: float

    def line(self) -> str:
        """What is printed."""
        return (
            f"{self.home}: {self.rooms} rooms, a batch of {READINGS} each a second: {self.median_ms:.1f} "
            "ms median, "
            f"{self.p99_ms:.0f} ms at the 99th percentile ({self.p99_with_first_ms:.0f} ms with the first "
            f"batch of each room, {self.first_ms:.0f} ms median); flat out {self.flat_out_per_s:.0f} batches "
            f"a second; load before {self.load:.1f}"
        )


def run(address: str, rooms: int, seconds: float, say: Callable[[str], None]) -> list[HomeFigures]:
    """Measure the embedded home and the server at an address, whose role may make schemas, one after "
    "the other."""
    figures = []
    for home, opened in (("embedded", _embedded(rooms)), ("server", _on_server(address, rooms))):
        say(home)
        load = os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0
        with opened as stores:
            paced = _each(stores, seconds, 1.0)
            flat = _each(stores, seconds, 0.0)
        first = [1000 * took for number, took in paced if number == 0]
        later = [1000 * took for number, took in paced if number] or first
        p99, median_ms = _p99(later), statistics.median(later)
        start = statistics.median(first), _p99(first + later)
        figures.append(HomeFigures(home, rooms, median_ms, p99, *start, len(flat) / seconds, load))
    return figures


def _p99(times: Sequence[float]) -> float:
    ordered = sorted(times)
    return ordered[min(len(ordered) - 1, int(0.99 * len(ordered)))]


def ratio(figures: Sequence[HomeFigures]) -> str:
    """The server beside the embedded home."""
    embedded, server = figures
    return f"server / embedded: 99th percentile {server.p99_ms / embedded.p99_ms:.2f}, flat out " \
           f"{server.flat_out_per_s / embedded.flat_out_per_s:.2f}"  # fmt: skip


def _each(stores: Sequence[Store], seconds: float, every_s: float) -> list[tuple[int, float]]:
    """(number in its room, seconds) of each batch, all rooms at once; paced ones spread over their second."""
    times: list[tuple[int, float]] = []
    begin = time.monotonic()

    def write(store: Store, number: int) -> None:
        batch = 0
        while True:
            due = begin + every_s * (batch + number / len(stores))
            if max(due, time.monotonic()) >= begin + seconds:
                return
            time.sleep(max(0.0, due - time.monotonic()))
            at = time.perf_counter()
            store.append("poll", _rows(time.time_ns()))
            times.append((batch, time.perf_counter() - at))
            batch += 1

    threads = [threading.Thread(target=write, args=(store, n)) for n, store in enumerate(stores)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return times


def _rows(at_ns: int) -> list[Row]:
    at_ns = max(at_ns, START_NS) // NS * NS
    return [Row(f"P{n:02d}.temperature", at_ns, at_ns, 20 + n / 100) for n in range(READINGS)]


@contextmanager
def _embedded(rooms: int) -> Iterator[list[Store]]:
    with tempfile.TemporaryDirectory() as scratch, ExitStack() as stack:
        folders = [Path(scratch) / str(n) for n in range(rooms)]
        yield [stack.enter_context(Store.open(folder, create=True)) for folder in folders]


@contextmanager
def _on_server(address: str, rooms: int) -> Iterator[list[Store]]:
    """Schemas of their own, dropped afterwards."""
    run_key = secrets.token_hex(3)
    tables = [hot_table_of(address, f"bench-{run_key}-{n}") for n in range(rooms)]
    with tempfile.TemporaryDirectory() as scratch, ExitStack() as stack:
        folders = [Path(scratch) / table.schema_name for table in tables]
        stack.callback(_drop, Path(scratch), tables)
        for folder, table in zip(folders, tables, strict=True):
            folder.mkdir()
            replace_table(folder, "hot", {"database": table.database, "schema": table.schema_name})
        yield [stack.enter_context(Store.open(folder, create=True)) for folder in folders]


def _drop(folder: Path, tables: Sequence[HotTable]) -> None:
    with plain_server_errors(tables[0]):
        connection = ServerDatabase(folder, tables[0]).connect()
        for table in tables:
            connection.execute(f'DROP SCHEMA IF EXISTS "{table.schema_name}" CASCADE')
        connection.close()
