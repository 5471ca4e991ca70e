"""A cache of verdicts that notes which days are read: what a record rests on can then be compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..core.judge.days import VerdictCache


class WatchedCache:
    """Passes everything on to `cache`; reads: zone -> days that were read and are stored."""

    def __init__(self, cache: VerdictCache) -> None:
        self._cache = cache
        self.reads: dict[str, set[int]] = {}

    def put_days(self, zone: str, days: Mapping[int, tuple[str, str]], statement: str | None = None) -> None:
        """Store several days of a zone, and the newest statement about it."""
        self._cache.put_days(zone, days, statement)

    def day(self, zone: str, day: int) -> tuple[str, str] | None:
        """What is stored of a day; None: nothing."""
        stored = self._cache.day(zone, day)
        if stored is not None and day >= 0:
            self.reads.setdefault(zone, set()).add(day)
        return stored

    def days(self, zone: str, day0: int, day1: int) -> dict[int, tuple[str, str]]:
        """What is stored of the days in [day0, day1), in order."""
        stored = self._cache.days(zone, day0, day1)
        self.reads.setdefault(zone, set()).update(day for day in stored if day >= 0)
        return stored

    def drop_days(self, zone: str, days: Sequence[int]) -> None:
        """Drop what is stored of these days of a zone."""
        self._cache.drop_days(zone, days)

    def put_live(self, zone: str, body: str) -> None:
        """Store the newest statement about a zone."""
        self._cache.put_live(zone, body)

    def live(self) -> dict[str, str]:
        """The newest statement about each zone."""
        return self._cache.live()
