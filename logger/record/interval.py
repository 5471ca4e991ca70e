"""The interval of a record: a zone, from, to, and the instant at which it is issued."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Interval:
    """What is recorded: a zone over [from, to), as judged at `now_ns`."""

    zone: str
    from_ns: int
    to_ns: int
    now_ns: int

    def overlaps(self, from_ns: int, to_ns: int | None) -> bool:
        return from_ns < self.to_ns and (to_ns is None or to_ns > self.from_ns)
