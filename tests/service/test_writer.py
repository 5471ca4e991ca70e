"""The writer: nothing is lost while the store is busy, what is lost is said, and the end waits for all."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Sequence

import pytest

from logger.errors import StoreError
from logger.instants import NS
from logger.model import Row
from logger.service import writer as module
from logger.service.writer import Writer
from logger.store import Store


class Refusing:
    """A store in front of the real one that can be full for a while."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.folder, self.key, self.journal = store.folder, store.key, store.journal
        self.full = threading.Event()
        self.calls = 0

    def keep_lock(self) -> None:
        """It has one writer."""

    def check_place(self) -> None:
        """It is where it was."""

    def append(self, writer: str, rows: Sequence[Row]) -> object:
        self.calls += 1
        if self.full.is_set():
            raise StoreError("database or disk is full") from OSError(28, "No space left on device")
        return self.store.append(writer, rows)


def row(number: int) -> Row:
    """A reading of that second."""
    return Row("P1.temperature", number * NS, number * NS, 20.0 + number / 1000)


def until(holds: Callable[[], object], within_s: float = 60.0) -> bool:
    """Whether it comes true in that time."""
    deadline = time.monotonic() + within_s
    while not holds() and time.monotonic() < deadline:
        time.sleep(0.01)
    return bool(holds())


def stored(store: Store) -> list[float]:
    """Values in order of time."""
    return [float(v) for v in store.readings.read("P1.temperature", 0, 2**62).value]


def events(store: Store) -> list[dict[str, object]]:
    """What the journal holds of events."""
    return [dict(e.what) for e in store.journal.entries(kind="event")]


def test_rows_of_many_threads_are_all_stored(store: Store) -> None:
    """Four buses, 250 rows each; the end waits for the last."""
    writer = Writer(store)
    writer.start()

    def bus(number: int) -> None:
        for i in range(250):
            writer.rows([row(number * 1000 + i)])

    threads = [threading.Thread(target=bus, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert writer.stop()
    assert len(stored(store)) == 1000


def test_a_full_disk_keeps_rows_in_memory_and_is_told_when_it_is_over(store: Store) -> None:
    """Nothing lost, and the journal says from when to when nothing could be stored."""
    refusing = Refusing(store)
    writer = Writer(refusing)  # type: ignore[arg-type]  # a fake in front of the real one
    refusing.full.set()
    writer.start()
    for number in range(10):
        writer.rows([row(number)])
    assert until(lambda: refusing.calls >= 2)
    assert "full" in writer.trouble
    assert stored(store) == []

    refusing.full.clear()

    assert until(lambda: len(stored(store)) == 10)
    assert until(lambda: [e["event"] for e in events(store)] == ["store-refused"])
    assert events(store)[0]["readings_lost"] == 0
    assert writer.trouble == ""
    assert writer.stop()


def test_beyond_the_bound_the_oldest_are_lost_and_counted(store: Store) -> None:
    """Room for 5, 12 came while the disk was full: the newest stay, the loss is an event."""
    refusing = Refusing(store)
    writer = Writer(refusing, capacity=5)  # type: ignore[arg-type]
    refusing.full.set()
    for number in range(12):
        writer.rows([row(number)])
    writer.start()
    assert until(lambda: refusing.calls >= 1)

    refusing.full.clear()

    assert until(lambda: bool(events(store)))
    assert events(store)[0]["readings_lost"] == 7
    assert stored(store) == [row(n).value for n in range(7, 12)]
    assert writer.lost == 7
    assert writer.stop()


def test_a_row_that_the_store_cannot_take_does_not_hold_back_the_others(store: Store) -> None:
    """Its refusal is an event with channel and time."""
    writer = Writer(store)
    bad = Row("P1.temperature", 5 * NS, 5 * NS, 20.0, status="molten")  # type: ignore[arg-type]
    writer.rows([row(1), bad, row(2)])
    writer.start()

    assert writer.stop()
    assert stored(store) == [row(1).value, row(2).value]
    assert [(e["event"], e["channel"]) for e in events(store)] == [("reading-refused", "P1.temperature")]


def test_repeated_events_come_together(store: Store) -> None:
    """A bus that overruns each second makes one entry a minute, with count and sum; another bus its own."""
    writer = Writer(store)
    for _ in range(30):
        writer.event("overrun", {"url": "/dev/a", "skipped": 2})
    writer.event("overrun", {"url": "/dev/b", "skipped": 1})
    writer.start()

    assert writer.stop()
    result = {e["url"]: (e.get("count"), e["skipped"]) for e in events(store)}
    assert result == {"/dev/a": (30, 60), "/dev/b": (None, 1)}


def test_the_first_event_is_written_at_once_and_repetitions_later(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within the minute they wait, after it they follow."""
    writer = Writer(store)
    writer.start()
    writer.event("overrun", {"url": "/dev/a", "skipped": 3})
    assert until(lambda: len(events(store)) == 1)
    writer.event("overrun", {"url": "/dev/a", "skipped": 1})
    writer.event("overrun", {"url": "/dev/a", "skipped": 4})
    writer.event("overrun", {"url": "/dev/b", "skipped": 7})
    assert until(lambda: len(events(store)) == 2)
    assert [event["url"] for event in events(store)] == ["/dev/a", "/dev/b"]

    monkeypatch.setattr(module, "REPEAT_S", 0.0)
    assert until(lambda: len(events(store)) == 3)
    assert (events(store)[2]["skipped"], events(store)[2]["count"]) == (5, 2)
    assert writer.stop()


def test_steps_of_a_clock_are_never_added(store: Store) -> None:
    """An hour forward and an hour back within a minute are two events; together they would be none."""
    writer = Writer(store)
    writer.start()
    for step_s in (3600.0, -3600.0, 3600.0):
        writer.event("clock-step", {"url": "/dev/a", "step_s": step_s})

    assert writer.stop()
    assert sorted((e["step_s"], e.get("count", 1)) for e in events(store)) == [(-3600.0, 1), (3600.0, 2)]


def test_versions_are_never_added(store: Store) -> None:
    """Two setups taken over within a minute are version 3 and version 4, not version 7."""
    writer = Writer(store)
    writer.start()
    for version in (3, 4):
        writer.event("setup-taken-over", {"version": version, "lines_changed": True})

    assert writer.stop()
    assert [(e["version"], e["lines_changed"]) for e in events(store)] == [(3, True), (4, True)]


def test_an_end_with_a_full_disk_is_bounded_and_says_that_it_failed(store: Store) -> None:
    """The service must end in its time even then."""
    refusing = Refusing(store)
    refusing.full.set()
    writer = Writer(refusing)  # type: ignore[arg-type]
    writer.start()
    writer.rows([row(1)])

    assert not writer.stop(timeout_s=60.0)
    assert not writer.alive  # it gave up by itself, long before


def test_a_busy_database_delays_and_loses_nothing(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    """Another program holds the database: the rows are stored afterwards, in order."""
    writer = Writer(store)
    other = sqlite3.connect(store.folder / "stillroom.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    writer.start()
    for number in range(50):
        writer.rows([row(number)])
    time.sleep(0.3)  # it has begun to wait for the database
    assert stored(store) == []

    with caplog.at_level("ERROR"):
        assert not writer.stop(timeout_s=0.2)  # whoever must end now says what is left, and where
    (message,) = (record.getMessage() for record in caplog.records)
    assert message.startswith(
        "50 readings could not be stored before the end: the database did not take them"
    )
    other.execute("COMMIT")
    other.close()

    assert writer.stop()
    assert stored(store) == [row(n).value for n in range(50)]
    assert events(store) == []
