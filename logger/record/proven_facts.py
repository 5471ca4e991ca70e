"""The facts of a record from verdicts that were judged anew for it: every stored day that they rest on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, TypeVar

from ..core.judge.days import DAY_NS
from .fact_forms import RecordFacts
from .facts import record_facts
from .interval import Interval

if TYPE_CHECKING:
    from ..model import Setup
    from ..store import Store
    from ..verdicts.verdicts import Verdicts
    from .zone_readings import RecordRows

# Cases and excursions that touch the interval are followed as far as this, most of the time.
AROUND_DAYS = 34
T = TypeVar("T")
Days = tuple[int, int]  # first and last, numbers since 1970


def proven_facts(
    store: Store, verdicts: Verdicts, setup: Setup, span: Interval, stored: Mapping[str, RecordRows]
) -> tuple[RecordFacts, tuple[str, ...]]:
    """The facts of a record, and which stored days, of this zone or another, had been altered.

    stored: what `read_zone` reads of the interval.
    """

    def gather() -> RecordFacts:
        return record_facts(store, verdicts, setup, span, stored)

    around = {span.zone: days_around(span.from_ns, span.to_ns)}
    facts, altered = gather_proven(verdicts, around, span.now_ns, gather)
    named = (day if zone == span.zone else f"zone {zone}: {day}" for zone, day in altered)
    return facts, tuple(named)


def days_around(from_ns: int, to_ns: int) -> Days:
    """The days of an interval, with those around it that cases and settling are followed through."""
    return max(0, from_ns // DAY_NS - AROUND_DAYS), (to_ns - 1) // DAY_NS + AROUND_DAYS


def gather_proven(
    verdicts: Verdicts, around: Mapping[str, Days], now_ns: int, gather: Callable[[], T]
) -> tuple[T, list[tuple[str, str]]]:
    """What `gather` reads from stored verdicts, and (zone, day) of those that had been altered.

    around: days by zone that are judged anew first; of others those that were read, afterwards. Altered days
    are replaced, and then all is gathered again.
    """
    proven: dict[str, Days] = {}
    altered = _prove(verdicts, around, proven, now_ns)
    while True:
        with verdicts.watch_reads() as reads:
            gathered = gather()
        more = _prove(verdicts, _unproven(reads, proven), proven, now_ns)
        altered += more
        if not more:
            return gathered, altered


def _unproven(reads: Mapping[str, Iterable[int]], proven: Mapping[str, Days]) -> dict[str, Days]:
    """Zone -> the days that were read, with those compared before, where not all of them were."""
    wide: dict[str, Days] = {}
    for zone, days in reads.items():
        first, last = proven.get(zone, (min(days, default=0), -1))
        if any(not first <= day <= last for day in days):
            wide[zone] = min(first, *days), max(last, *days)
    return wide


def _prove(
    verdicts: Verdicts, days: Mapping[str, Days], proven: dict[str, Days], now_ns: int
) -> list[tuple[str, str]]:
    """Judge days anew and note them in `proven`; (zone, day) of what had been altered."""
    altered: list[tuple[str, str]] = []
    for zone, (first, last) in days.items():
        between = verdicts.prove(zone, now_ns, (first * DAY_NS, (last + 1) * DAY_NS))
        altered += [(zone, day) for day in between]
        proven[zone] = first, last
    return altered
