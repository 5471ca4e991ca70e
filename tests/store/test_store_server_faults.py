"""A server that goes away, comes back older, or loses a lock: nothing lost, nothing twice, each named."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event
from sqlalchemy.exc import IntegrityError

from logger.errors import StoreError, StoreGone, StoreInUse, StoreTaken, StoreUnanswered
from logger.service.writer import Writer
from logger.store import Store
from logger.store.hot import head_seen, server, tables
from logger.store.hot.server_rows import sent_together
from tests.cutting_proxy import CuttingProxy
from tests.database_server import DatabaseServer
from tests.store.conftest import MINUTE, OCTOBER, polled
from tests.store.server_rig import MOST_S, record_on, seqs, wait_until


@pytest.fixture
def store(server: DatabaseServer, way: CuttingProxy, tmp_path: Path) -> Iterator[Store]:
    with record_on(server, tmp_path / "data", way.port) as opened:
        yield opened


@pytest.mark.slow
@pytest.mark.parametrize("where", ["before", "after"])
def test_a_commit_that_is_cut_is_stored_once(store: Store, way: CuttingProxy, where: str) -> None:
    store.append("poll", polled(OCTOBER, 3))
    way.cut = where
    if where == "before":
        with pytest.raises(StoreError, match="could not be used"):
            store.append("poll", polled(OCTOBER + 10 * MINUTE, 3))
        assert seqs(store) == [1, 2, 3]
    else:  # it is asked at once whether it stands, and it does
        assert store.append("poll", polled(OCTOBER + 10 * MINUTE, 3)).last == 6
    assert way.cuts == 1
    assert store.append("poll", polled(OCTOBER + 20 * MINUTE, 3)).first == (4 if where == "before" else 7)
    assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.parametrize("where", ["before", "after"])
def test_the_writer_asks_before_it_repeats_a_batch_that_nobody_answered(
    store: Store, way: CuttingProxy, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "ASKS_FOR_S", 0.0)  # the server is away for longer than it is asked
    answers: list[bool] = []
    stands = store.stands
    monkeypatch.setattr(store, "stands", lambda entry: answers.append(stands(entry)) or answers[-1])
    writer = Writer(store)
    writer.looked.set()
    way.cut = where
    writer.start()
    rows = polled(OCTOBER, 5)
    writer.rows(rows)
    wait_until(lambda: bool(answers))
    writer.rows(polled(OCTOBER + 10 * MINUTE, 2))
    assert writer.stop(MOST_S)
    assert answers[0] == (where == "after")
    assert seqs(store) == [1, 2, 3, 4, 5, 6, 7]
    assert [row.taken_ns for row in store.hot.all_rows().rows()][:5] == [row.taken_ns for row in rows]
    assert store.verify().faults == ()


@pytest.mark.slow
def test_an_act_that_nobody_answered_says_so(
    store: Store, way: CuttingProxy, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "ASKS_FOR_S", 0.0)
    way.cut = "after"
    with pytest.raises(StoreUnanswered, match="Check this before you make the change again") as unanswered:
        store.journal.append("note", "Ada", {})
    assert unanswered.value.entry is not None
    assert store.stands(unanswered.value.entry)
    assert not store.stands((unanswered.value.entry[0], "0" * 64))


@pytest.mark.slow
def test_readings_wait_while_the_server_is_away_and_are_stored_once(store: Store, way: CuttingProxy) -> None:
    writer = Writer(store)
    writer.looked.set()
    way.away = True
    way.end_all()
    writer.start()
    writer.rows(polled(OCTOBER, 5))
    wait_until(lambda: bool(writer.trouble))
    assert "Check that the server runs" in writer.trouble
    writer.rows(polled(OCTOBER + 10 * MINUTE, 5))
    way.away = False
    wait_until(lambda: not writer.waiting and not writer.trouble)
    assert writer.stop(MOST_S)
    assert seqs(store) == list(range(1, 11))
    assert [e.what["event"] for e in store.journal.entries(kind="event")] == ["store-refused"]
    assert store.verify().faults == ()


@pytest.mark.slow
def test_a_batch_goes_there_and_back_four_times(store: Store, way: CuttingProxy) -> None:
    """The turn with all that must hold, the next numbers, the rows with their proof, the commit."""
    channels = tuple(f"P{n}.temperature" for n in range(16))
    for minute in range(7):  # statements that come again are prepared by the driver
        store.append("poll", polled(OCTOBER + minute * MINUTE, 1, channels))
    before = way.questions
    store.append("poll", polled(OCTOBER + 10 * MINUTE, 1, channels))
    assert way.questions - before <= 4
    before = way.questions
    store.append("other", polled(OCTOBER + 10 * MINUTE, 20, tuple(f"Q{n}.humidity" for n in range(16))))
    assert way.questions - before <= 11  # names that are new are looked for and added together
    assert store.verify().faults == ()


@pytest.mark.slow
def test_what_one_transaction_journals_is_one_chain(store: Store) -> None:
    with store.begin() as conn:
        first = store.journal.append("note", "Ada", {}, conn=conn)
        batch = store.append("poll", polled(OCTOBER, 3), conn)
        last = store.journal.append("note", "Ada", {}, conn=conn)
    assert (batch.number, last.number) == (first.number + 1, first.number + 2)
    with pytest.raises(IntegrityError), store.begin() as conn:  # nothing of it is remembered
        _append_twice(store, conn)
    assert store.journal.append("note", "Ada", {}).number == last.number + 1
    assert store.verify().faults == ()


def _append_twice(store: Store, conn: Connection) -> None:
    entry = store.journal.append("note", "Ada", {}, conn=conn)
    conn.execute(tables.journal.insert().values(**{**vars(entry), "what": "{}"}))


def test_connections_that_broke_while_idle_are_replaced_unnoticed(store: Store, way: CuttingProxy) -> None:
    store.append("poll", polled(OCTOBER, 3))
    way.end_all()
    assert store.readings.channels() == ["P1.temperature"]
    way.end_all()
    assert store.append("poll", polled(OCTOBER + 10 * MINUTE, 3)).last == 6
    assert store.verify().faults == ()


def test_no_connection_stays_open_of_those_used_while_an_idle_one_broke_or_the_record_was_closed(
    store: Store, server: DatabaseServer
) -> None:
    database: Any = store._database
    connections: list[Any] = []
    event.listen(database._engine, "connect", lambda connection, _: connections.append(connection))
    database._engine.dispose()
    with store.read():  # one is used for long
        with store.read():
            pass
        idle = connections[-1]
        server.run(f"SELECT pg_terminate_backend({idle.info.backend_pid})")
        with store.read():  # finds the idle one broken, and takes another
            pass
        used = [connection for connection in connections if not connection.closed]
    assert len(used) == 2
    assert [connection.closed for connection in used].count(False) == 1
    with store.read():
        store.close()
    assert all(connection.closed for connection in connections)


@pytest.mark.parametrize("meanwhile", ["_drop_connections", "close"])
def test_a_connection_that_was_being_made_meanwhile_is_closed_as_well(
    store: Store, monkeypatch: pytest.MonkeyPatch, meanwhile: str
) -> None:
    """As while the server is frozen: one thread waits for a connection, another one drops all there are."""
    database: Any = store._database
    connections: list[Any] = []
    make = database.connect

    def connect() -> Any:
        connections.append(connection := make())
        if len(connections) == 1:
            getattr(database, meanwhile)()
        return connection

    monkeypatch.setattr(database._engine.pool, "_invoke_creator", lambda _: connect())
    database._drop_connections()
    with store.read():
        pass
    with store.read():
        pass
    store.close()
    assert connections
    assert all(connection.closed for connection in connections)


def test_a_row_that_the_server_refuses_is_named_and_holds_nothing_back(store: Store) -> None:
    """As from the embedded home: an error of SQLAlchemy, which the writer of the service survives."""
    store.append("poll", polled(OCTOBER, 1))
    number = store.journal.head()[0]
    with pytest.raises(IntegrityError, match="batch"), store.begin() as conn, sent_together(conn, 1):
        conn.execute(
            tables.batch.insert().values(
                number=number + 7, writer=1, first_seq=9, last_seq=9, first_arrival=9
            )
        )
    assert store.append("poll", polled(OCTOBER + MINUTE, 600)).last == 601  # more than go by arrays
    assert store.verify().faults == ()


def test_an_older_copy_is_refused_by_name(store: Store, server: DatabaseServer) -> None:
    store.append("poll", polled(OCTOBER, 3))
    number, digest = store.journal.head()
    name = store._database.table.schema_name  # type: ignore[attr-defined]
    tables = ("journal", "batch")
    rows = [f'DELETE FROM "{name}".{table} WHERE number = {number}' for table in tables]  # noqa: S608
    server.run("SET session_replication_role = replica", *rows)
    sentence = rf"ends with entry {number - 1}, but this folder has seen entry {number}, {digest[:16]}…"
    with pytest.raises(StoreGone, match=sentence):
        store.append("poll", polled(OCTOBER + 10 * MINUTE, 3))
    with pytest.raises(StoreGone, match=sentence):
        Store.open(store.folder)
    (store.folder / head_seen.FILE).unlink()  # a person says that the older copy is to hold
    with Store.open(store.folder) as opened:
        assert opened.journal.head()[0] == number - 1


def test_a_service_whose_lock_was_lost_and_taken_writes_nothing_more(
    store: Store, server: DatabaseServer, way: CuttingProxy, tmp_path: Path
) -> None:
    """Two services of one record on two machines, hence two folders; the network of the first was cut."""
    name = store._database.table.schema_name  # type: ignore[attr-defined]
    server.point(tmp_path / "second", name)
    with store.lock_service(), Store.open(tmp_path / "second") as second:
        with pytest.raises(StoreInUse, match=r"Another service writes schema .* connected from 127.0.0.1"):
            second.lock_service().__enter__()
        store.append("poll", polled(OCTOBER, 1))
        way.end_all()
        until = time.monotonic() + MOST_S
        while time.monotonic() < until:
            try:
                with second.lock_service():
                    second.append("poll", polled(OCTOBER + MINUTE, 1))
                    with pytest.raises(StoreGone, match="Another service took"):
                        store.append("poll", polled(OCTOBER + 2 * MINUTE, 1))
                break
            except StoreInUse:  # the server has not noticed yet
                time.sleep(0.05)
        assert seqs(second) == [1, 2]
        assert second.verify().faults == ()


def _holders(server: DatabaseServer) -> list[int]:
    """Processes of the server that hold a lock of a service for their clients."""
    ask = "SELECT pid FROM pg_locks WHERE locktype = 'advisory' AND granted"
    return [pid for (pid,) in server.run(ask)]


def _refused(store: Store) -> bool:
    try:
        with store.lock_service():
            return False
    except StoreInUse:
        return True


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["connection killed", "server restarted", "network cut"])
@pytest.mark.parametrize("by", ["a batch", "the writer at rest"])
def test_a_service_whose_lock_connection_broke_holds_its_lock_again(
    store: Store, server: DatabaseServer, way: CuttingProxy, tmp_path: Path, fault: str, by: str
) -> None:
    """Nobody else was there meanwhile: a second service is refused as before, and the epoch stays."""
    name = store._database.table.schema_name  # type: ignore[attr-defined]
    server.point(tmp_path / "second", name)
    epoch = f"SELECT epoch FROM \"{name}\".turn WHERE name = 'service.lock'"  # noqa: S608
    writer = Writer(store)
    writer.looked.set()
    with store.lock_service(), Store.open(tmp_path / "second") as second:
        before = server.run(epoch)
        if by != "a batch":
            writer.start()
        if fault == "connection killed":
            server.run(*(f"SELECT pg_terminate_backend({pid})" for pid in _holders(server)))
        elif fault == "server restarted":
            server.kill()
            server.start()
        else:
            way.end_all()
        if by == "a batch":
            store.append("poll", polled(OCTOBER, 1))
        wait_until(lambda: store.keep_lock() or (bool(_holders(server)) and not _broken(store)))
        assert _refused(second)
        assert server.run(epoch) == before
        if by != "a batch":
            writer.rows(polled(OCTOBER, 1))
            assert writer.stop(MOST_S)
        assert seqs(store) == [1]
    wait_until(lambda: not _refused(store))  # it was let go of; the server may take a moment to see that
    assert store.verify().faults == ()


def _broken(store: Store) -> bool:
    return bool(store._database._locks._service_connection.closed)  # type: ignore[attr-defined]


@pytest.mark.slow
def test_a_lock_that_another_service_had_meanwhile_is_not_taken_again(
    store: Store, server: DatabaseServer, way: CuttingProxy, tmp_path: Path
) -> None:
    """Also where that one has ended before this one noticed: it may have stored what this one never saw."""
    server.point(tmp_path / "second", store._database.table.schema_name)  # type: ignore[attr-defined]
    with store.lock_service():
        way.end_all()
        wait_until(lambda: not _holders(server))
        with Store.open(tmp_path / "second") as second, second.lock_service():
            second.append("poll", polled(OCTOBER, 1))
        with pytest.raises(StoreTaken, match="Another service took"):
            store.keep_lock()
        with pytest.raises(StoreTaken, match="Another service took"):
            store.append("poll", polled(OCTOBER + MINUTE, 1))


@pytest.mark.slow
def test_a_server_that_is_killed_and_comes_back_has_every_confirmed_batch(
    store: Store, server: DatabaseServer
) -> None:
    confirmed = [store.append("poll", polled(OCTOBER + n * MINUTE, 1)).last for n in range(5)]
    server.kill()
    with pytest.raises(StoreError, match="keeps its readings in memory"):
        store.append("poll", polled(OCTOBER + 10 * MINUTE, 1))
    server.start()
    confirmed.append(store.append("poll", polled(OCTOBER + 10 * MINUTE, 1)).last)
    assert seqs(store) == confirmed
    assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.parametrize("seconds", [2.0, pytest.param(60.0, marks=pytest.mark.long)])
def test_fifty_writers_flat_out_leave_no_hole_and_no_fork(
    store: Store, server: DatabaseServer, seconds: float
) -> None:
    name = store._database.table.schema_name  # type: ignore[attr-defined]
    server.point(store.folder, name)
    until = time.monotonic() + seconds
    stored: list[int] = []

    def write(opened: Store, number: int) -> None:
        at = OCTOBER
        while time.monotonic() < until:
            opened.append(f"writer-{number}", polled(at, 4))
            stored.append(4)
            at += 4 * MINUTE

    stores = [Store.open(store.folder) for _ in range(5)]  # what five processes would have
    writers = [threading.Thread(target=write, args=(stores[n % 5], n)) for n in range(50)]
    for thread in writers:
        thread.start()
    for thread in writers:
        thread.join()
    for opened in stores:
        opened.close()
    verification = store.verify()
    assert verification.faults == ()
    assert verification.readings == sum(stored) > 0
    print(f"{len(stored) / seconds:.0f} batches/s of 50 writers in 5 stores on a server")
