"""What goes in comes out, numbered without holes, and nothing that stands can be changed."""

from __future__ import annotations

import math
import multiprocessing
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from logger.errors import StoreError
from logger.model import Row
from logger.series import STATUS
from logger.store import Store
from logger.store.hot import tables
from logger.store.hot.database import FILE

from .conftest import MINUTE, OCTOBER, polled


@pytest.mark.slow
def test_rows_come_back_as_they_went_in(store: Store) -> None:
    """Every field of a row survives, a failed poll among them."""
    good = Row("P1.temperature", OCTOBER + 1, OCTOBER + 7, 20.01, "ok", "20.01", "poll", True, "boot", 5)
    failed = Row("P2.temperature", OCTOBER + 2, OCTOBER + 9, None, "timeout", "", "poll", False, "boot", 6)

    batch = store.append("poll", [good, failed])

    assert (batch.first, batch.last, batch.count) == (1, 2, 2)
    assert store.readings.newest() == {"P1.temperature": good, "P2.temperature": failed}
    assert store.readings.newest(ok=True) == {"P1.temperature": good}
    readings = store.readings.read("P2.temperature", OCTOBER, OCTOBER + 10)
    assert readings.taken_ns.tolist() == [OCTOBER + 2]
    assert np.isnan(readings.value[0])
    assert STATUS[readings.status[0]] == "timeout"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("row", "value", "status", "raw"),
    [
        (Row("c", 1, 1, math.nan), None, "garbage", "nan"),
        (Row("c", 1, 1, math.inf, raw="+9.91E37"), None, "garbage", "+9.91E37"),
        (Row("c", 1, 1, 85.0, status="sensor-fault"), None, "sensor-fault", "85.0"),
        (Row("c", 1, 1, None, status="garbage", raw="a\udcffb\0c"), None, "garbage", "a\\udcffb\0c"),
        (Row("c", 1, 1, -0.0), 0.0, "ok", ""),
    ],
    ids=["not a number", "infinite", "value of a faulty sensor", "bytes that are no text", "minus zero"],
)
def test_what_is_no_valid_number_is_kept_as_text(
    store: Store, row: Row, value: float | None, status: str, raw: str
) -> None:
    """A stored value is a finite number of a good reading or none; what came stays in `raw`."""
    store.append("poll", [row])

    (newest,) = store.readings.newest().values()

    assert (newest.value, newest.status, newest.raw) == (value, status, raw)
    assert store.verify().intact


@pytest.mark.parametrize(
    "row",
    [Row("c", 1, 1, None), replace(Row("c", 1, 1, 1.0), status="strange")],
    ids=["ok without value", "unknown"],
)
def test_a_contradictory_row_is_refused_and_the_batch_with_it(store: Store, row: Row) -> None:
    """Nothing of a batch is stored when one row of it cannot be."""
    with pytest.raises(StoreError, match=r"reading of c has status"):
        store.append("poll", [Row("c", 1, 1, 1.0), row])

    assert store.readings.newest() == {}
    assert store.append("poll", [Row("c", 1, 1, 1.0)]).first == 1


def test_no_rows_make_no_batch(store: Store) -> None:
    """An empty append changes nothing, and says so by a batch without readings."""
    head = store.journal.head()

    batch = store.append("poll", [])

    assert batch.count == 0
    assert store.journal.head() == head


@pytest.mark.slow
@pytest.mark.parametrize("table", ["reading", "name", "journal", "batch", "setup", "mark"])
@pytest.mark.parametrize(
    "how", ["UPDATE {0} SET {1} = {1} + 1000", "DELETE FROM {0}"], ids=["update", "delete"]
)
def test_what_stands_cannot_be_changed(store: Store, table: str, how: str) -> None:
    """Triggers refuse changes and deletions, so that a mistake in the program cannot do harm."""
    store.append("poll", polled(OCTOBER, 3))
    store.setups.put({"room.toml": ""}, "Greta Holm", "first", "Greta Holm", OCTOBER)
    with store.begin() as conn:
        conn.execute(tables.mark.insert().values(zone="z", from_ns=0, to_ns=10**9, reason="r", who="w"))
        span = {"from": "1970-01-01T00:00:00Z", "to": "1970-01-01T00:00:01Z"}
        store.journal.append("mark", "w", {"mark": 1, "zone": "z", **span}, "r", conn)

    (key,) = tables.metadata.tables[table].primary_key
    with (
        pytest.raises(IntegrityError, match=rf"rows of {table} are (never changed|kept)"),
        store.begin() as conn,
    ):
        conn.exec_driver_sql(how.format(table, key.name))

    assert store.verify().intact


def test_replacing_a_row_is_refused_too(store: Store) -> None:
    """REPLACE deletes before it inserts, and must not get past the triggers that way."""
    store.append("poll", polled(OCTOBER, 1))

    with pytest.raises(IntegrityError, match="rows of reading are kept"), store.begin() as conn:
        conn.exec_driver_sql("INSERT OR REPLACE INTO reading SELECT * FROM reading")


def test_a_transaction_is_whole_or_nothing(store: Store) -> None:
    """An act and its journal entry stand or fall together, and the next number is not lost."""
    before = store.journal.head()

    with pytest.raises(RuntimeError, match="changed my mind"):
        _change_my_mind(store)

    with store.read() as conn:
        assert conn.execute(select(tables.mark)).all() == []
    assert store.journal.head() == before


def _change_my_mind(store: Store) -> None:
    with store.begin() as conn:
        conn.execute(tables.mark.insert().values(zone="z", from_ns=1, to_ns=2, reason="r", who="w"))
        store.journal.append("mark", "Greta Holm", {"zone": "z"}, "draught", conn)
        raise RuntimeError("changed my mind")


def test_a_transaction_inside_another_is_refused_at_once(store: Store) -> None:
    """Waiting for oneself would last until the timeout; the message says what is wrong."""
    with pytest.raises(StoreError, match="inside another"), store.begin():
        store.append("poll", polled(OCTOBER, 1))

    assert store.append("poll", polled(OCTOBER, 1)).first == 1


def test_threads_append_without_holes(store: Store) -> None:
    """Eight threads under one writer name: every number once, every reading there."""
    threads = [
        threading.Thread(
            target=lambda at=at: [store.append("poll", polled(OCTOBER + at + k, 4)) for k in range(5)]
        )
        for at in range(0, 8 * MINUTE, MINUTE)
    ]

    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    verification = store.verify()
    assert verification.faults == ()
    assert (verification.readings, verification.batches) == (160, 40)


@pytest.mark.slow
def test_processes_append_without_holes_or_forks(store: Store, folder: Path) -> None:
    """Two processes that write acts and readings at once lose nothing and fork nothing."""
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=_write, args=(folder, name)) for name in ("ours", "theirs")]

    for process in processes:
        process.start()
    _write(folder, "ours")
    for process in processes:
        process.join(30)

    verification = store.verify()
    assert [process.exitcode for process in processes] == [0, 0]
    assert verification.faults == ()
    assert verification.readings == 3 * 15 * 4
    assert len(store.journal.entries(kind="act")) == 3 * 15


def _write(folder: Path, writer: str) -> None:
    with Store.open(folder) as store:
        for at in range(15):
            store.append(writer, polled(OCTOBER + at, 4))
            store.journal.append("act", writer, {"at": at})


def test_arrivals_are_told_once_each_in_order(store: Store) -> None:
    """A page that asks with its cursor sees every row once, whatever instant it was taken at."""
    _, cursor = store.readings.arrived_after(-1)
    store.append("poll", polled(OCTOBER + MINUTE, 3))
    store.append("late", polled(OCTOBER, 1))

    first, middle = store.readings.arrived_after(cursor, limit=2)
    second, end = store.readings.arrived_after(middle)

    assert [row.taken_ns - OCTOBER for _, row in first + second] == [MINUTE, 2 * MINUTE, 3 * MINUTE, 0]
    assert store.readings.arrived_after(end) == ([], end)
    assert store.readings.arrived_after(-1) == ([], end)
    assert store.readings.changed_since(middle) == ({"P1.temperature": OCTOBER}, end)


def test_readings_of_an_unknown_channel_are_none(store: Store) -> None:
    """A channel that never had a reading has no readings and no extent."""
    assert len(store.readings.read("P9.temperature", 0, OCTOBER)) == 0
    assert store.readings.extent() is None
    assert store.readings.extent(["P9.temperature"]) is None


def test_extent_spans_what_has_a_value(store: Store) -> None:
    """Failed polls at either end are no evidence."""
    failed = [
        Row("P1.temperature", at, at, None, "timeout") for at in (OCTOBER - MINUTE, OCTOBER + 9 * MINUTE)
    ]
    store.append("poll", [*polled(OCTOBER, 3), *failed])

    assert store.readings.extent() == (OCTOBER, OCTOBER + 2 * MINUTE)


def test_the_database_is_durable_by_its_settings(store: Store, folder: Path) -> None:
    """WAL and synchronous=FULL, as the sqlite documentation asks for durability (pragma synchronous)."""
    with store.read() as conn:
        assert conn.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert conn.exec_driver_sql("PRAGMA synchronous").scalar() == 2
    with closing(sqlite3.connect(folder / FILE)) as stranger:
        assert stranger.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
