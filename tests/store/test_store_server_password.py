"""A password of the database role that is changed while the service runs: named, nothing lost or twice."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.service.writer import Writer
from logger.store import Store
from logger.store.store_file import replace_table
from tests.database_server import PASSWORD, PASSWORD_ENV, DatabaseServer
from tests.store.conftest import MINUTE, OCTOBER, polled
from tests.store.server_rig import MOST_S, record_on, seqs, wait_until

NEW = "another one: pass'word"


@pytest.fixture
def store(server: DatabaseServer, tmp_path: Path) -> Iterator[Store]:
    """A record whose role has the password of the environment variable."""
    with record_on(server, tmp_path / "data") as opened:
        yield opened


def change_password(server: DatabaseServer, store: Store, to: str) -> None:
    """What an administrator does: the new password, and no connection that the old one opened."""
    name = store._database.table.schema_name  # type: ignore[attr-defined]
    server.run(
        f"ALTER ROLE \"{name}\" PASSWORD '{to.replace(chr(39), chr(39) * 2)}'",
        f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = '{name}'",  # noqa: S608
    )


@pytest.mark.slow
def test_a_new_password_in_its_file_is_taken_without_a_restart(
    store: Store, server: DatabaseServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "hall-3.password"
    file.write_text(f"{PASSWORD}\nsecond lines are notes\n")
    monkeypatch.setenv(PASSWORD_ENV, "not this one")
    name = store._database.table.schema_name  # type: ignore[attr-defined]
    keys = {"database": server.address(name), "schema": name, "password_env": PASSWORD_ENV}
    replace_table(store.folder, "hot", {**keys, "password_file": str(file)})
    with Store.open(store.folder) as running, running.lock_service():
        writer = Writer(running)
        writer.start()
        writer.rows(polled(OCTOBER, 5))
        wait_until(lambda: not writer.waiting)
        change_password(server, running, NEW)
        writer.rows(polled(OCTOBER + 10 * MINUTE, 5))
        wait_until(lambda: "authentication failed" in writer.trouble)
        assert f"Put the password of that role into the first line of {file}" in writer.trouble
        assert "keeps its readings in memory meanwhile" in writer.trouble
        file.unlink()
        wait_until(lambda: "cannot be read: No such file" in writer.trouble)
        assert PASSWORD not in writer.trouble
        assert writer.waiting == 5
        file.write_text(NEW + "\n")
        wait_until(lambda: not writer.waiting and not writer.trouble)
        assert writer.stop(MOST_S)
        assert seqs(running) == list(range(1, 11))
        assert [e.what["event"] for e in running.journal.entries(kind="event")] == ["store-refused"]
        assert running.verify().faults == ()


@pytest.mark.slow
def test_a_new_password_in_the_environment_is_taken_after_a_restart_with_what_waited(
    store: Store, server: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = Writer(store)
    writer.looked.set()
    writer.start()
    writer.rows(polled(OCTOBER, 5))
    wait_until(lambda: not writer.waiting)
    change_password(server, store, NEW)
    writer.rows(polled(OCTOBER + 10 * MINUTE, 5))
    wait_until(lambda: "authentication failed" in writer.trouble)
    assert (
        f"environment variable {PASSWORD_ENV}. Where the service runs, put it into its environment"
        in writer.trouble
    )
    assert not writer.stop(5.0)
    assert "are taken in at the next start" in writer.remainder
    with pytest.raises(StoreError, match=r"`password_file` in store\.toml a new password takes no"):
        Store.open(store.folder)
    monkeypatch.setenv(PASSWORD_ENV, NEW)
    for _ in range(2):
        with Store.open(store.folder) as again, again.lock_service():
            following = Writer(again)
            following.start()
            assert following.stop(MOST_S)
            assert seqs(again) == list(range(1, 11))
    with Store.open(store.folder) as again:
        assert again.verify().faults == ()
