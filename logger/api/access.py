"""What every part of the interface has at hand: the record with the setup in force, and the time."""

from __future__ import annotations

from collections.abc import Callable
from zoneinfo import ZoneInfo

from ..model import Setup
from ..store import Store
from ..verdicts.current import Current
from . import inputs
from .cursors import Place


class RecordAccess:
    """The record that the routes answer about. Hold `current.judging` while verdicts are used."""

    def __init__(self, current: Current, now_ns: Callable[[], int]) -> None:
        self.current, self.now_ns = current, now_ns

    @property
    def store(self) -> Store:
        return self.current.store

    @property
    def setup(self) -> Setup:
        return self.current.setup

    @property
    def zone_info(self) -> ZoneInfo:
        """The time zone of the room."""
        return ZoneInfo(self.setup.room.timezone)

    def listed(
        self, usual: int = 50, most: int = 1000
    ) -> tuple[str | None, tuple[int, int], Place | None, int]:
        """Zone, interval, cursor and limit of a list over an interval, as the request gives them."""
        query = inputs.parameters("zone", "from", "to", "cursor", "limit")
        zone = query.get("zone")
        if zone is not None:
            self.setup.zone(zone)
        span = inputs.interval(query, self.zone_info, self.now_ns())
        return zone, span, *inputs.place(query, usual, most)
