"""What the tests of a server that fails have in common: a record reached over a way that can be cut."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from logger.store import Store
from tests.database_server import DatabaseServer

MOST_S = 60.0


@contextmanager
def record_on(server: DatabaseServer, folder: Path, port: int | None = None) -> Iterator[Store]:
    """A new record whose hot tier is on the server, reached at another port where one is named."""
    name, _ = server.new_schema()
    server.point(folder, name, port)
    with Store.open(folder, create=True) as opened:
        yield opened
    server.drop_schema(name)


def seqs(store: Store) -> list[int]:
    """The numbers of all readings that are not sealed, in order."""
    return sorted(store.hot.all_rows().seq.tolist())


def wait_until(holds: Callable[[], object]) -> None:
    """Come back when something holds; it is waited for no longer than a minute."""
    end = time.monotonic() + MOST_S
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)
