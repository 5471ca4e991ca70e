"""A PostgreSQL of its own for tests: from Debian's package, on loopback, durable, ended by its own number."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock
from urllib.parse import quote

from sqlalchemy import Connection, event

from logger.store.hot import migrations, server_schema
from logger.store.store_file import replace_table
from tests.programs import library, skip_without

PASSWORD_ENV = "STILLROOM_TEST_DATABASE_PASSWORD"
ADMIN, PASSWORD = "site-admin", "a test's own"


def programs() -> Path:
    """Folder of the newest PostgreSQL; else the test is skipped. Debian puts it on nobody's path."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
    if not folders:
        return skip_without("PostgreSQL is not installed")
    library("psycopg", "pip install 'stillroom[group]'")
    return folders[-1]


def _own_user() -> list[str]:
    """PostgreSQL refuses to run as root: then as the user of its package."""
    return ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"] if os.geteuid() == 0 else []


@dataclass
class DatabaseServer:
    """One cluster with a database `rooms`; roles and schemas are made for each test."""

    folder: Path
    port: int
    _process: Any = None
    _numbers: int = field(default=0)

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = ["-p", str(self.port), "-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories="]
        options += ["-c", "fsync=on", "-c", "max_connections=200"]
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [*_own_user(), str(programs() / "postgres"), "-D", str(self.folder / "data"), *options],
                stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip
        ready = [str(programs() / "pg_isready"), "-q", "-t", "60", "-h", "127.0.0.1", "-p", str(self.port)]
        for _ in range(600):
            if subprocess.run(ready, check=False).returncode == 0:
                return
            if self._process.poll() is not None:
                break
            self._process_wait(0.1)
        raise AssertionError((self.folder / "log").read_text())

    def kill(self) -> None:
        """End it at once, as a fault does: no time to write anything."""
        self._end(signal.SIGQUIT)

    def stop(self) -> None:
        """End it in order."""
        self._end(signal.SIGINT)

    def freeze(self) -> None:
        """Stop it and every process of it where they stand: connections stay, and nothing answers."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on as if nothing had been."""
        self._signal(signal.SIGCONT)

    def _signal(self, sign: int) -> None:
        """To the postmaster first, so that it makes no further process."""
        postmaster = self._process.pid
        os.kill(postmaster, sign)
        children = Path(f"/proc/{postmaster}/task/{postmaster}/children")
        if not children.exists():
            skip_without("this system does not list the children of a process")
        for child in children.read_text().split():
            os.kill(int(child), sign)

    def _end(self, sign: int) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(sign)
            self._process.wait(60)

    def _process_wait(self, seconds: float) -> None:
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            return

    def run(self, *statements: str, database: str = "rooms") -> list[Any]:
        """What its administrator does; rows of the last statement."""
        import psycopg

        with psycopg.connect(self.address(ADMIN, database), password=PASSWORD, autocommit=True) as connection:
            for statement in statements:
                cursor = connection.execute(statement)
            return cursor.fetchall() if cursor.description else []

    def address(self, role: str, database: str = "rooms", port: int | None = None) -> str:
        """Of a database of it, for a role."""
        return f"postgresql://{quote(role)}@127.0.0.1:{port or self.port}/{database}"

    def new_schema(self, name: str = "") -> tuple[str, str]:
        """A schema with a role of its own; gives (role, schema), which are called alike."""
        self._numbers += 1
        name = name or f"room-{os.getpid()}-{self._numbers}"
        self.run(
            f"CREATE ROLE \"{name}\" LOGIN PASSWORD '{PASSWORD.replace(chr(39), chr(39) * 2)}'",
            f'CREATE SCHEMA "{name}" AUTHORIZATION "{name}"',
        )
        return name, name

    def drop_schema(self, name: str) -> None:
        """Take a schema and its role away, with what they hold."""
        self.run(f'DROP SCHEMA IF EXISTS "{name}" CASCADE', f'DROP ROLE IF EXISTS "{name}"')

    def point(self, folder: Path, name: str, port: int | None = None) -> None:
        """Let a data folder say that its hot tier is in that schema."""
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        keys = {"database": self.address(name, port=port), "schema": name, "password_env": PASSWORD_ENV}
        replace_table(folder, "hot", keys)


@contextmanager
def quick_server_schema() -> Iterator[None]:
    """The first new schema is made by the migrations; the next ones repeat the statements that came of it."""
    statements: list[str] = []

    def note(conn: Any, cursor: Any, statement: str, *_: Any) -> None:
        if not statement.lstrip().startswith(("SELECT", "UPDATE")):
            statements.append(statement)

    def migrate(conn: Connection, to: str = migrations.NEWEST) -> None:
        if migrations.version(conn) is not None or to != migrations.NEWEST:
            migrations.migrate(conn, to)
            return
        driver: Any = conn.connection.driver_connection
        if statements:
            driver.execute(";".join(statements))
            return
        event.listen(conn, "before_cursor_execute", note)
        migrations.migrate(conn)
        event.remove(conn, "before_cursor_execute", note)
        last = f"UPDATE alembic_version SET version_num = '{migrations.NEWEST}'"  # noqa: S608
        statements[:] = [s for s in statements if not s.startswith("INSERT INTO alembic_version")]
        statements.extend([f"INSERT INTO alembic_version VALUES ('{migrations.NEWEST}')", last])  # noqa: S608

    with mock.patch.object(server_schema, "migrate", migrate):
        yield


@contextmanager
def database_server() -> Iterator[DatabaseServer]:
    """A new cluster, running; gone afterwards."""
    binaries = programs()
    folder = Path(tempfile.mkdtemp(prefix="stillroom-postgres-"))
    try:
        (folder / "password").write_text(PASSWORD)
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
            shutil.chown(folder / "password", "postgres", "postgres")
        process = subprocess.run(
            [*_own_user(), str(binaries / "initdb"), "-D", str(folder / "data"), "--locale=C", "-E", "UTF8",
             "-A", "scram-sha-256", "-U", ADMIN, "--pwfile", str(folder / "password"), "--no-sync"],
            capture_output=True, check=False, text=True,
        )  # fmt: skip
        assert process.returncode == 0, process.stderr
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        server = DatabaseServer(folder, port)
        server.start()
        try:
            server.run("CREATE DATABASE rooms", database="postgres")
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=sys.platform == "win32")
