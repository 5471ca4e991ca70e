"""Lines on the project's own bus, for as long as a block lasts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from logger.model import PluginLine, Row
from logger.probes import buses, stop_all


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
