"""A frozen server, or a network that went silent: every act ends with a sentence, nothing lost or twice.

Real servers are stopped by SIGSTOP; a proxy that takes connections and lets nothing through is the network.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.errors import StoreError, StoreUnanswered
from logger.service.writer import Writer
from logger.store import Store
from logger.store.hot import server as on_server
from logger.store.hot import server_patience as patience
from tests.cutting_proxy import CuttingProxy
from tests.database_server import DatabaseServer
from tests.store.conftest import MINUTE, OCTOBER, polled
from tests.store.server_rig import MOST_S, record_on, seqs, wait_until

SHORT_S = 1.0  # instead of the usual deadlines
FAULTS = ("server frozen", "network silent")


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Deadlines that a test can wait for."""
    for name in ("READS_S", "TURNS_S", "COMMITS_S"):
        monkeypatch.setattr(patience, name, SHORT_S)
    monkeypatch.setattr(patience, "CONNECTS_S", 2)  # the least that libpq takes
    monkeypatch.setattr(patience, "RESTS_S", 0.2)
    monkeypatch.setattr(on_server, "ASKS_FOR_S", SHORT_S)
    monkeypatch.setattr(patience.connection_class(), "answers_s", SHORT_S)


@pytest.fixture
def store(server: DatabaseServer, way: CuttingProxy, tmp_path: Path) -> Iterator[Store]:
    with record_on(server, tmp_path / "data", way.port) as opened:
        yield opened


@pytest.fixture
def silence(
    request: pytest.FixtureRequest, server: DatabaseServer, way: CuttingProxy
) -> Iterator[tuple[Callable[[], None], Callable[[], None]]]:
    """How the fault begins, and how it ends."""
    if request.param == "server frozen":
        yield server.freeze, server.thaw
        server.thaw()
    else:
        yield way.flows.clear, way.flows.set
        way.flows.set()


def ended(act: Callable[[], object]) -> str:
    """What an act says that must come back by itself; it is waited for no longer than a minute."""
    sentences: list[str] = []

    def run() -> None:
        try:
            act()
            sentences.append("done")
        except Exception as error:  # noqa: BLE001 (whatever it is, the test reads it)
            sentences.append(str(error) if isinstance(error, StoreError) else repr(error))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(MOST_S)
    assert sentences, f"it did not come back within {MOST_S:.0f} s"
    return sentences[0]


def within_a_turn(store: Store, begin: Callable[[], None]) -> None:
    with store.begin() as conn:
        begin()
        store.append("poll", polled(OCTOBER + 20 * MINUTE, 3), conn)


def copied(store: Store, begin: Callable[[], None]) -> None:
    """So many rows that they go by COPY, which waits for the way out as well."""
    with store.begin() as conn:
        begin()
        store.append("poll", polled(OCTOBER + 20 * MINUTE, 200_000, step_ns=1_000_000), conn)


@pytest.mark.slow
@pytest.mark.usefixtures("short")
@pytest.mark.parametrize("silence", FAULTS, indirect=True)
def test_every_act_on_a_silent_server_ends_with_a_sentence(
    store: Store, silence: tuple[Callable[[], None], Callable[[], None]]
) -> None:
    begin, end = silence
    store.append("poll", polled(OCTOBER, 3))
    acts: list[Callable[[], object]] = [
        lambda: within_a_turn(store, begin),
        lambda: store.append("poll", polled(OCTOBER + 10 * MINUTE, 3)),
        lambda: store.readings.read("P1.temperature", 0, 2**62),
        lambda: store.journal.append("note", "Ada", {}),
        lambda: Store.open(store.folder).close(),
        lambda: Store.open(store.folder, read_only=True).close(),
        lambda: store.lock_service().__enter__(),
        store.verify,
    ]
    for act in acts:
        time.sleep(0.3)
        sentence = ended(act)
        assert "the server has not answered for" in sentence, sentence
        assert "Check that the server runs and that this machine can reach it" in sentence
    end()
    time.sleep(0.3)
    assert store.append("poll", polled(OCTOBER + 10 * MINUTE, 3)).first == 4
    assert ended(lambda: copied(store, begin)).count("has not answered") == 1
    end()
    time.sleep(0.3)
    assert seqs(store) == [1, 2, 3, 4, 5, 6]
    assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.usefixtures("short")
@pytest.mark.parametrize("silence", FAULTS, indirect=True)
def test_readings_wait_in_memory_while_the_server_is_silent_and_are_stored_once(
    store: Store, silence: tuple[Callable[[], None], Callable[[], None]]
) -> None:
    begin, end = silence
    writer = Writer(store)
    writer.looked.set()
    with store.lock_service():
        writer.start()
        writer.rows(polled(OCTOBER, 5))
        wait_until(lambda: not writer.waiting)
        begin()
        writer.rows(polled(OCTOBER + 10 * MINUTE, 5))
        wait_until(lambda: bool(writer.trouble))
        assert "has not answered for" in writer.trouble
        writer.rows(polled(OCTOBER + 20 * MINUTE, 5))
        assert writer.waiting == 10
        end()
        wait_until(lambda: not writer.waiting and not writer.trouble)
        assert writer.stop(MOST_S)
    assert seqs(store) == list(range(1, 16))
    assert [e.what["event"] for e in store.journal.entries(kind="event")] == ["store-refused"]
    assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.usefixtures("short")
def test_a_commit_whose_answer_does_not_come_is_asked_about_and_not_repeated(
    store: Store, way: CuttingProxy
) -> None:
    store.append("poll", polled(OCTOBER, 3))
    way.stops_at_commit = True
    with pytest.raises(StoreUnanswered, match="did not come back to say whether it stands"):
        store.append("poll", polled(OCTOBER + 5 * MINUTE, 1))
    way.flows.set()
    time.sleep(0.3)
    writer = Writer(store)
    writer.looked.set()
    way.stops_at_commit = True
    writer.start()
    writer.rows(polled(OCTOBER + 10 * MINUTE, 2))
    wait_until(lambda: "whether it stands" in writer.trouble)
    way.flows.set()
    wait_until(lambda: not writer.waiting and not writer.trouble)
    assert writer.stop(MOST_S)
    assert seqs(store) == [1, 2, 3, 4, 5, 6]
    assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.usefixtures("short")
@pytest.mark.parametrize("silence", FAULTS, indirect=True)
def test_what_waits_at_the_end_is_rescued_and_taken_in_once(
    store: Store, silence: tuple[Callable[[], None], Callable[[], None]]
) -> None:
    begin, end = silence
    writer = Writer(store)
    writer.looked.set()
    begin()
    writer.start()
    writer.rows(polled(OCTOBER, 5))
    assert not writer.stop(5.0)
    assert "5 readings could not be stored before the end" in writer.remainder
    assert "are taken in at the next start" in writer.remainder
    end()
    time.sleep(0.3)
    for _ in range(2):
        following = Writer(store)
        following.start()
        assert following.stop(MOST_S)
    assert seqs(store) == [1, 2, 3, 4, 5]
    assert store.verify().faults == ()


def test_many_rooms_do_not_wait_one_after_the_other(
    store: Store, way: CuttingProxy, short: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a new connection came to nothing, the next act of any room on that server says so at once."""
    monkeypatch.setattr(patience, "RESTS_S", 30.0)
    way.flows.clear()
    assert "has not answered" in ended(lambda: store.readings.read("P1.temperature", 0, 2**62))
    begun_s = time.process_time(), time.monotonic()
    for _ in range(100):
        assert "has not answered" in ended(lambda: Store.open(store.folder).close())
    assert time.monotonic() - begun_s[1] < 2 * 100  # each alone would wait for two seconds
    way.flows.set()
    monkeypatch.setattr(patience, "RESTS_S", 0.0)
    assert store.append("poll", polled(OCTOBER, 1)).last == 1
