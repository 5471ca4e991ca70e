"""Judged days in memory above those of the record: what is judged for an answer is stored nowhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..store import Store
from ..store.hot.verdict_cache import VerdictTable


class VerdictOverlay(VerdictTable):
    """The stored days of a record, with newer ones in memory in their place."""

    def __init__(self, store: Store) -> None:
        self._stored = store.verdict_cache
        self._days: dict[str, dict[int, tuple[str, str] | None]] = {}
        self._live: dict[str, str] = {}

    def put_days(
        self, zone: str, pieces: Mapping[int, tuple[str, str]], statement: str | None = None
    ) -> None:
        self._days.setdefault(zone, {}).update(pieces)
        if statement is not None:
            self._live[zone] = statement

    def days(self, zone: str, first_day: int, end_day: int) -> dict[int, tuple[str, str]]:
        mine = {day: body for day, body in self._days.get(zone, {}).items() if first_day <= day < end_day}
        merged = {**self._stored.days(zone, first_day, end_day), **mine}
        return {day: body for day, body in sorted(merged.items()) if body is not None}

    def drop_days(self, zone: str, days: Sequence[int]) -> None:
        self._days.setdefault(zone, {}).update(dict.fromkeys(days))

    def put_live(self, zone: str, body: str) -> None:
        self._live[zone] = body

    def live(self) -> dict[str, str]:
        return {**self._stored.live(), **self._live}
