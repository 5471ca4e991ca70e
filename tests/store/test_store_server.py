"""The hot tier on a PostgreSQL server: moved there and back, guarded there, and of one room alone."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from sqlalchemy.exc import IntegrityError

from logger.errors import Refused, StoreError
from logger.model import Row
from logger.service.writer import Writer
from logger.store import Store
from logger.store.exchange.relocation import to_embedded, to_server
from logger.store.store_file import HotTable, hot_table
from tests.database_server import PASSWORD_ENV, DatabaseServer
from tests.store.conftest import MINUTE, OCTOBER, polled


def table_of(server: DatabaseServer, name: str) -> HotTable:
    return HotTable(database=server.address(name), schema=name, password_env=PASSWORD_ENV)


@pytest.fixture
def schema(server: DatabaseServer) -> HotTable:
    """An empty schema of a new role."""
    return table_of(server, server.new_schema()[0])


def filled(folder: Path) -> None:
    """A record with odd texts, a sealed month, a refused mark's number and a setup."""
    with Store.open(folder, create=True) as store:
        store.append("poll", polled(OCTOBER, 300))
        store.append(
            "poll", [Row("P1.temperature", OCTOBER + 301 * MINUTE, 1, None, "garbage", "a\x00b\x1a\\")]
        )
        store.setups.put({"room.toml": '[room]\nkey = "hall"\n# é'}, "Ada", "why\x00", "Bo", 5)
        store.seal(OCTOBER + 60 * 86_400 * 10**9)
        store.append("poll", polled(OCTOBER + 400 * 86_400 * 10**9, 20))


@pytest.mark.slow
def test_a_record_moves_to_a_server_and_back_with_every_row(tmp_path: Path, schema: HotTable) -> None:
    folder = tmp_path / "data"
    filled(folder)
    with Store.open(folder) as store:
        rows, setups, head = store.hot.all_rows().rows(), store.setups.versions(), store.journal.head()
        readings = store.readings.read("P1.temperature", 0, 2**62)
    moved = to_server(folder, schema, "Ada")
    assert moved.head == head
    assert hot_table(folder) == schema
    assert not (folder / "stillroom.db").exists()
    assert (folder / moved.aside).exists()
    with Store.open(folder) as store:
        assert (store.hot.all_rows().rows(), store.setups.versions()) == (rows, setups)
        assert store.readings.read("P1.temperature", 0, 2**62).value.tobytes() == readings.value.tobytes()
        assert store.append("poll", polled(OCTOBER + 401 * 86_400 * 10**9, 3)).first == 322
        assert store.verify([head]).faults == ()
        entries = store.journal.entries()
    assert to_embedded(folder, "Ada").head == (entries[-1].number, entries[-1].sha256)
    assert hot_table(folder) is None
    with Store.open(folder) as store:
        assert store.journal.entries()[:-1] == entries
        assert [e.kind for e in store.journal.entries() if e.kind == "store-moved"] == ["store-moved"] * 2
        assert store.verify([head]).faults == ()
        assert store.append("poll", polled(OCTOBER + 402 * 86_400 * 10**9, 3)).first == 325
    to_server(folder, schema, "Ada")  # over what it left there
    with Store.open(folder, read_only=True) as store:
        assert store.verify([head]).faults == ()


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=64)
ODD = [
    "\x00",
    "\x1a",
    "\x1a0000",
    "\\",
    '{"}',
    "NULL",
    "\\N",
    "\u202e",
    "\ufeff",
    "\U0010ffff",
    "e\u0301",
    "é",
    "\n\t\r",
]


@pytest.mark.slow
@settings(
    max_examples=2,
    phases=[Phase.generate],  # to make it smaller would take a move each
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(TEXT, min_size=30, max_size=30), st.text("a\x00\x1a ü", min_size=1, max_size=20))
def test_any_text_survives_the_move_there_and_back(
    tmp_path: Path, server: DatabaseServer, texts: list[str], unit: str
) -> None:
    """In values as they came, names, reasons, files of a setup; digests are over the true texts."""
    folder = Path(tempfile.mkdtemp(dir=tmp_path)) / "data"
    texts, long = [*ODD, *texts], unit * 5000

    def write(store: Store, at: int) -> None:
        rows = [
            Row(f"P{n % 3}.{text}", at + n, at, None, "garbage", text[:64], source=text, boot=text)
            for n, text in enumerate(texts)
        ]
        store.append("poll" + texts[0], rows)
        for text in (*texts, long):
            store.journal.append("note", text, {"text": text, text: 1}, text)
        store.setups.put({"room.toml": long + "".join(texts)}, texts[-1], long, texts[1], at)

    def everything(store: Store) -> tuple[object, ...]:
        return store.hot.all_rows().rows(), store.setups.versions(), store.journal.entries()

    with Store.open(folder, create=True) as store:
        write(store, OCTOBER)
        before, head = everything(store), store.journal.head()
    name, _ = server.new_schema()
    to_server(folder, table_of(server, name), "Ada")
    with Store.open(folder) as store:
        rows, versions, entries = everything(store)
        assert (rows, versions, entries[:-1]) == before  # type: ignore[index]
        write(store, OCTOBER + MINUTE)
        there = everything(store)
        assert store.verify([head]).faults == ()
    to_embedded(folder, "Ada")
    with Store.open(folder) as store:
        rows, versions, entries = everything(store)
        assert (rows, versions, entries[:-1]) == there  # type: ignore[index]
        assert store.verify([head]).faults == ()
    server.drop_schema(name)


@pytest.mark.slow
def test_a_name_too_long_for_a_server_is_refused_alone_and_the_move_with_it(
    tmp_path: Path, server: DatabaseServer, schema: HotTable
) -> None:
    """PostgreSQL's index takes a third of a page; such a row must not hold back those of other probes."""
    sign = "".join(chr(0x4E00 + n) for n in range(3000))  # which does not become shorter when packed
    with Store.open(tmp_path / "long", create=True) as store:
        store.append("poll", [Row("P1.temperature", OCTOBER, 1, 20.0, source=sign)])
    with pytest.raises(StoreError, match="too long for a database server"):
        to_server(tmp_path / "long", schema, "Ada")
    assert hot_table(tmp_path / "long") is None
    filled(tmp_path / "data")
    to_server(tmp_path / "data", schema, "Ada")
    with Store.open(tmp_path / "data") as store:
        writer = Writer(store)
        writer.looked.set()
        writer.start()
        other = Row("P1.temperature", OCTOBER + 800 * MINUTE, 1, 20.0)
        writer.rows([Row("P1.temperature", OCTOBER + 700 * MINUTE, 1, 20.0, source=sign), other])
        assert writer.stop(60.0)
        assert other.taken_ns in store.hot.all_rows().taken_ns
        refused = [e for e in store.journal.entries(kind="event") if e.what["event"] == "reading-refused"]
        assert len(refused) == 1
        assert store.verify().faults == ()


TO_SERVER = ("verified", "copied", "journalled", "switched")
TO_EMBEDDED = ("verified", "copied", "journalled", "published", "switched")


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
def test_a_move_that_is_killed_leaves_one_whole_home_that_says_so(tmp_path: Path, schema: HotTable) -> None:
    folder = tmp_path / "data"
    filled(folder)
    with Store.open(folder) as store:
        head, rows = store.journal.head(), store.hot.all_rows().rows()
    for step in TO_SERVER:
        _die_at(step, lambda say: to_server(folder, schema, "Ada", say))
        assert (hot_table(folder) is None) == (step in TO_SERVER[:3])
        _assert_whole(folder, head, rows)
    assert not (folder / "stillroom.db").exists()
    for step in TO_EMBEDDED:
        _die_at(step, lambda say: to_embedded(folder, "Ada", say))
        assert (hot_table(folder) is None) == (step == "switched")
        _assert_whole(folder, head, rows)
    assert not list(folder.glob("*.part"))


def _die_at(step: str, move: Callable[[Callable[[str], None]], object]) -> None:
    """Run a move in a process of its own that is gone at once when it comes to a step."""
    child = os.fork()
    if child == 0:  # pragma: no cover
        try:
            move(lambda reached: os._exit(9) if reached == step else None)
        finally:
            os._exit(1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


def _assert_whole(folder: Path, head: tuple[int, str], rows: list[Row]) -> None:
    with Store.open(folder) as store:
        assert store.hot.all_rows().rows() == rows
        assert store.verify([head]).faults == ()


def test_the_file_that_was_left_takes_nothing_more(tmp_path: Path, schema: HotTable) -> None:
    folder = tmp_path / "data"
    filled(folder)
    moved = to_server(folder, schema, "Ada")
    (tmp_path / "old").mkdir()
    (folder / moved.aside).rename(tmp_path / "old" / "stillroom.db")
    with (
        Store.open(tmp_path / "old") as old,
        pytest.raises(IntegrityError, match="was moved to a database server"),
    ):
        old.journal.append("note", "Ada", {})


@pytest.mark.slow
def test_another_record_and_strangers_in_the_schema_are_left_alone(
    tmp_path: Path, server: DatabaseServer, schema: HotTable
) -> None:
    filled(tmp_path / "a")
    filled(tmp_path / "b")
    to_server(tmp_path / "a", schema, "Ada")
    with pytest.raises(Refused, match="of another record"):
        to_server(tmp_path / "b", schema, "Ada")
    assert hot_table(tmp_path / "b") is None
    with Store.open(tmp_path / "b") as store:
        assert store.verify().faults == ()
    other = table_of(server, server.new_schema()[0])
    server.run(f'CREATE TABLE "{other.schema_name}".theirs (n int)')
    with pytest.raises(Refused, match="not those of stillroom"):
        to_server(tmp_path / "b", other, "Ada")


@pytest.mark.slow
def test_two_rooms_in_one_server_know_nothing_of_each_other(
    tmp_path: Path, server: DatabaseServer, schema: HotTable
) -> None:
    import psycopg

    other = table_of(server, server.new_schema()[0])
    for name, table in (("a", schema), ("b", other)):
        filled(tmp_path / name)
        to_server(tmp_path / name, table, "Ada")
    with Store.open(tmp_path / "a") as a, Store.open(tmp_path / "b") as b:
        assert a.key != b.key
        a.append("poll", polled(OCTOBER + 500 * 86_400 * 10**9, 3))
        assert a.journal.head() != b.journal.head()
        assert (a.verify().faults, b.verify().faults) == ((), ())
        connection = a._database.connect()  # type: ignore[attr-defined]
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute(f'SELECT * FROM "{other.schema_name}".reading')  # noqa: S608
        connection.close()


@pytest.mark.slow
def test_facts_on_the_server_are_never_changed_and_a_dropped_guard_is_named(
    tmp_path: Path, server: DatabaseServer, schema: HotTable
) -> None:
    import psycopg

    filled(tmp_path / "a")
    to_server(tmp_path / "a", schema, "Ada")
    with Store.open(tmp_path / "a") as store:
        connection = store._database.connect()  # type: ignore[attr-defined]
        for statement in (
            "UPDATE reading SET value = 20",
            "DELETE FROM journal",
            "TRUNCATE setup",
            "DELETE FROM batch",
        ):
            with pytest.raises(psycopg.errors.IntegrityError, match=r"never changed|kept"):
                connection.execute(statement)
        connection.execute("ALTER TABLE reading DISABLE TRIGGER reading_unchanged")
        connection.execute(
            "UPDATE reading SET value = 20.5 WHERE arrival = (SELECT max(arrival) FROM reading)"
        )
        connection.execute("ALTER TABLE journal ADD COLUMN more text")
        connection.close()
        faults = " ".join(store.verify().faults)
    assert "trigger reading_unchanged: changed" in faults
    assert "table journal: changed" in faults
    assert "of writer poll: altered" in faults


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"database": "postgresql://nobody@127.0.0.1:1/rooms"}, "Check that the server runs"),
        ({"schema": "no-such-room"}, 'CREATE SCHEMA "no-such-room" AUTHORIZATION'),
        ({"password_env": "NO_SUCH_VARIABLE"}, "environment variable NO_SUCH_VARIABLE"),
        ({"database": "postgres"}, "holds tables already|permission denied|CREATE SCHEMA"),
        ({"database": "sorted"}, "expected a database of encoding UTF8 and collation C, found UTF8, C.UTF-8"),
    ],
)
def test_what_cannot_keep_a_record_is_refused_with_what_to_do(
    tmp_path: Path, server: DatabaseServer, schema: HotTable, change: dict[str, str], sentence: str
) -> None:
    filled(tmp_path / "a")
    if change.get("database") == "sorted" and not server.run(
        "SELECT 1 FROM pg_database WHERE datname = 'sorted'"
    ):
        server.run("CREATE DATABASE sorted TEMPLATE template0 LC_COLLATE 'C.UTF-8' LC_CTYPE 'C.UTF-8'")
    keys = {"database": schema.database, "schema": schema.schema_name, "password_env": PASSWORD_ENV} | change
    if "://" not in keys["database"]:
        keys["database"] = server.address(schema.schema_name, keys["database"])
    steps: list[str] = []
    with pytest.raises(StoreError, match=sentence):
        to_server(tmp_path / "a", HotTable.model_validate(keys), "Ada", steps.append)
    assert steps == []  # before the record is verified, which may take minutes
    with Store.open(tmp_path / "a") as store:
        assert store.verify().faults == ()
