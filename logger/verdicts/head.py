"""How far a zone has been judged, and what a comparison of its stored verdicts says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..core.judge.days import DAY_NS
from ..core.validity.timeline import TimelineEntry
from ..instants import rfc3339

HEAD = -1  # the row of the piece table that holds how far a zone has been judged
NEVER_NS = 2**63 - 1


@dataclass(frozen=True)
class Head:
    """How far a zone has been judged: all that arrived up to `cursor`, cells before `until_ns`."""

    context: str
    cursor: int
    first_day: int
    until_ns: int
    open_from_ns: int
    timeline: list[TimelineEntry] = field(default_factory=list)  # what it was judged by
    decided: int = 0  # the newest decision on conflicting values that it knew of


@dataclass(frozen=True)
class LedgerComparison:
    """Stored verdicts over [from, until) that were judged anew; both 0 where none are stored.

    wrong: day -> what should be stored there; misplaced: stored rows that nothing was judged for;
    open_days: the same as `wrong` of days that are provisional, of which nothing is said.
    """

    from_ns: int
    until_ns: int
    wrong: Mapping[int, tuple[str, str]]
    misplaced: tuple[int, ...]
    open_days: Mapping[int, tuple[str, str]] = field(default_factory=dict)

    @property
    def altered_days(self) -> list[str]:
        """What somebody edited: UTC days, or how far the zone has been judged."""
        days = sorted({*self.wrong, *self.misplaced})
        return ["how far it has been judged" if day == HEAD else rfc3339(day * DAY_NS)[:10] for day in days]
