"""Lines on the project's own bus, for as long as a block lasts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from logger.model import PluginLine, Row
from logger.probes import ProbeDriver, Raw, buses, stop_all
from tests.peers import wait_for


@contextmanager
def polling(lines: Sequence[PluginLine]) -> Iterator[list[Row]]:
    """The rows as they come; the buses have ended afterwards."""
    rows: list[Row] = []
    running = buses(lines, rows.extend, lambda kind, what: None)
    for bus in running:
        bus.start()
    try:
        yield rows
    finally:
        assert stop_all(running, 60.0)


def first_rows(
    driver: ProbeDriver, holds: Callable[[Raw], bool] = lambda row: row.status != "timeout"
) -> Sequence[Raw]:
    """The first rows whose first holds; an answer may be late on a busy machine."""
    rows: list[Raw] = []

    def met() -> bool:
        driver.open()
        rows[:] = driver.read()
        return holds(rows[0])

    wait_for(met, "a row as expected")
    driver.close()
    return rows
