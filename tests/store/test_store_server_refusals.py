"""What a server cannot be for a record: each refused with what, where and what to do, and nothing changed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import StoreError, StoreInUse
from logger.store import Store
from logger.store.hot.migrations import NEWEST
from logger.store.store_file import replace_table
from tests.cutting_proxy import cutting_proxy
from tests.database_server import PASSWORD_ENV, DatabaseServer
from tests.store.conftest import MINUTE, OCTOBER, polled

OLDER = f"{int(NEWEST) - 1:04d}"
SET_VERSION = 'UPDATE "{room}".alembic_version SET version_num = '
NEWER = f"{int(NEWEST) + 1:04d}"


@pytest.fixture
def room(server: DatabaseServer) -> Iterator[str]:
    """A schema and its role, called alike."""
    name, _ = server.new_schema()
    yield name
    server.drop_schema(name)


@pytest.fixture
def store(server: DatabaseServer, room: str, tmp_path: Path) -> Iterator[Store]:
    server.point(tmp_path / "data", room)
    with Store.open(tmp_path / "data", create=True) as opened:
        opened.append("poll", polled(OCTOBER, 3))
        yield opened


def set_version(server: DatabaseServer, room: str, version: str) -> None:
    """As a program of another age would leave it."""
    server.run(f"UPDATE \"{room}\".alembic_version SET version_num = '{version}'")  # noqa: S608


def rows(server: DatabaseServer, room: str) -> int:
    return int(server.run(f'SELECT count(*) FROM "{room}".reading')[0][0])  # noqa: S608


def test_a_schema_of_another_role_is_refused(server: DatabaseServer, room: str, tmp_path: Path) -> None:
    server.run(f'ALTER SCHEMA "{room}" OWNER TO CURRENT_USER')
    server.point(tmp_path / "data", room)
    sentence = f'schema {room} .*: the role may not use this schema.*ALTER SCHEMA "{room}" OWNER TO "{room}"'
    with pytest.raises(StoreError, match=sentence):
        Store.open(tmp_path / "data", create=True)


def test_a_schema_of_another_room_is_not_advised_away(
    server: DatabaseServer, room: str, tmp_path: Path
) -> None:
    """A slip in the name must not end with one room's schema owned by the role of another."""
    other, _ = server.new_schema()
    server.point(tmp_path / "data", room)
    keys = {"database": server.address(room), "schema": other, "password_env": PASSWORD_ENV}
    replace_table(tmp_path / "data", "hot", keys)
    sentence = f"schema {other} .*: the role may not use .* Name the schema that belongs to role {room}"
    with pytest.raises(StoreError, match=sentence):
        Store.open(tmp_path / "data", create=True)
    server.drop_schema(other)


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        ("REVOKE ALL ON DATABASE closed FROM PUBLIC", 'GRANT CONNECT ON DATABASE "closed" TO "{room}"'),
        ('ALTER ROLE "{room}" NOLOGIN', 'ALTER ROLE "{room}" LOGIN'),
        ('ALTER ROLE "{room}" CONNECTION LIMIT 0', "CONNECTION LIMIT"),
    ],
)
def test_a_role_that_may_not_connect_is_answered_with_the_statement_that_lets_it(
    server: DatabaseServer, room: str, tmp_path: Path, change: str, remedy: str
) -> None:
    server.run("CREATE DATABASE closed TEMPLATE template0")
    try:
        server.run(change.format(room=room))
        keys = {"database": server.address(room, "closed"), "schema": room, "password_env": PASSWORD_ENV}
        server.point(tmp_path / "data", room)
        replace_table(tmp_path / "data", "hot", keys)
        with pytest.raises(StoreError) as refusal:
            Store.open(tmp_path / "data", create=True)
        assert remedy.format(room=room) in str(refusal.value)
        assert "Check that the server runs" not in str(refusal.value)
    finally:
        server.run("DROP DATABASE closed")


def test_a_password_that_is_not_set_is_called_so(
    server: DatabaseServer, room: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    server.point(tmp_path / "data", room)
    monkeypatch.delenv(PASSWORD_ENV)
    with pytest.raises(StoreError, match=f"environment variable {PASSWORD_ENV}, which is not set here"):
        Store.open(tmp_path / "data", create=True)


def test_rights_that_are_taken_away_while_a_service_runs(
    store: Store, server: DatabaseServer, room: str
) -> None:
    server.run(f'REVOKE INSERT ON "{room}".reading FROM "{room}"')
    refusal = rf"schema {room} .* permission denied for table reading\. Nothing was changed\..*its tables"
    with pytest.raises(StoreError, match=refusal):
        store.append("poll", polled(OCTOBER + 10 * MINUTE, 1))
    server.run(
        f'GRANT INSERT ON "{room}".reading TO "{room}"', f'ALTER SCHEMA "{room}" OWNER TO CURRENT_USER'
    )
    with pytest.raises(StoreError, match=f'This role sees no tables there.*ALTER SCHEMA "{room}" OWNER TO'):
        store.append("poll", polled(OCTOBER + 10 * MINUTE, 1))
    server.run(f'ALTER SCHEMA "{room}" OWNER TO "{room}"')
    assert store.append("poll", polled(OCTOBER + 10 * MINUTE, 1)).first == 4
    assert store.verify().faults == ()


def test_tables_of_a_newer_program_are_not_written(store: Store, server: DatabaseServer, room: str) -> None:
    set_version(server, room, NEWER)
    sentence = f"schema {room} of .* was written by a newer stillroom .schema {NEWER}.*Install the newer"
    for write in (
        lambda: store.append("poll", polled(OCTOBER + 10 * MINUTE, 1)),
        lambda: Store.open(store.folder),
    ):
        with pytest.raises(StoreError, match=sentence):
            write()
    assert rows(server, room) == 3


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            SET_VERSION + f"'{NEWER}'",
            "was written by a newer stillroom",
        ),
        (
            SET_VERSION + f"'{OLDER}'",
            "has tables of an older program",
        ),
        ('DROP SCHEMA "{room}" CASCADE', "holds no record.*Correct `schema` in store.toml"),
        ('ALTER SCHEMA "{room}" OWNER TO CURRENT_USER', "the role may not use this schema"),
    ],
)
def test_a_reader_has_the_sentence_and_not_the_words_of_the_server(
    store: Store, server: DatabaseServer, room: str, change: str, sentence: str
) -> None:
    """As `verify` opens a record."""
    server.run(change.format(room=room))
    with pytest.raises(StoreError, match=sentence) as refusal:
        Store.open(store.folder, read_only=True)
    assert "relation" not in str(refusal.value)


def test_an_older_store_file_does_not_read_what_was_moved_back(
    store: Store, server: DatabaseServer, room: str
) -> None:
    server.run(f"INSERT INTO \"{room}\".turn VALUES ('moved', 1)")  # noqa: S608
    with pytest.raises(StoreError, match="holds a record that was moved back into its data folder"):
        Store.open(store.folder, read_only=True)


def test_limits_of_time_that_the_site_sets_do_not_cut_our_work(
    store: Store, server: DatabaseServer, room: str
) -> None:
    """As its manual says of `statement_timeout`: per role, for new sessions; 1 ms ends nearly everything."""
    server.run(f"ALTER ROLE \"{room}\" SET statement_timeout = '1ms'")
    with Store.open(store.folder) as again:
        assert again.append("poll", polled(OCTOBER + 10 * MINUTE, 1)).first == 4
        assert again.verify().faults == ()


def test_a_database_closed_to_writers_is_said_with_what_opens_it(
    store: Store, server: DatabaseServer, room: str
) -> None:
    """And goes on by itself once it is open again: sessions keep what they began with."""
    server.run(f'ALTER ROLE "{room}" SET default_transaction_read_only = on')
    with Store.open(store.folder) as again:
        with pytest.raises(StoreError, match=r"only reads.*RESET default_transaction_read_only"):
            again.append("poll", polled(OCTOBER + 10 * MINUTE, 1))
        server.run(f'ALTER ROLE "{room}" RESET default_transaction_read_only')
        assert again.append("poll", polled(OCTOBER + 10 * MINUTE, 1)).first == 4
        assert again.verify().faults == ()


def test_a_server_that_is_too_old_is_refused(server: DatabaseServer, room: str, tmp_path: Path) -> None:
    """PostgreSQL 12.22 calls itself 120022 (its manual: server_version_num); here by a changed answer."""
    ours = str(server.run("SELECT current_setting('server_version_num')")[0][0]).encode()
    with cutting_proxy(server.port) as way:
        way.answers_with = (ours, b"120022")
        server.point(tmp_path / "data", room, way.port)
        with pytest.raises(StoreError, match=r"expected PostgreSQL 13 or newer, found 12\. Upgrade the serv"):
            Store.open(tmp_path / "data", create=True)


def test_an_upgrade_waits_until_the_old_service_is_stopped(
    store: Store, server: DatabaseServer, room: str, tmp_path: Path
) -> None:
    """The old service runs on one machine, the new program is opened on another: hence two folders."""
    server.point(tmp_path / "second", room)
    with store.lock_service():
        set_version(server, room, OLDER)
        sentence = f"schema {OLDER}; this one makes {NEWEST}.*Stop that service before the upgrade"
        with pytest.raises(StoreInUse, match=sentence):
            Store.open(tmp_path / "second")
        set_version(server, room, NEWEST)
        assert store.append("poll", polled(OCTOBER + 10 * MINUTE, 1)).first == 4
    assert store.verify().faults == ()
