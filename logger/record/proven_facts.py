"""The facts of a record from verdicts that were judged anew for it: every stored day that they rest on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from ..core.judge.days import DAY_NS
from .fact_forms import RecordFacts
from .facts import record_facts
from .interval import Interval

if TYPE_CHECKING:
    from ..model import Setup
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

# Cases and excursions that touch the interval are followed as far as this, most of the time.
AROUND_DAYS = 34
Days = tuple[int, int]  # first and last, numbers since 1970


def proven_facts(
    store: Store, verdicts: Verdicts, setup: Setup, span: Interval
) -> tuple[RecordFacts, tuple[str, ...]]:
    """The facts of a record, and which stored days, of this zone or another, had been altered.

    Altered days are replaced first, and then the facts are gathered again.
    """
    around = (max(0, span.from_ns // DAY_NS - AROUND_DAYS), (span.to_ns - 1) // DAY_NS + AROUND_DAYS)
    proven: dict[str, Days] = {}
    altered = _prove(verdicts, {span.zone: around}, proven, span)
    while True:
        with verdicts.watch_reads() as reads:
            facts = record_facts(store, verdicts, setup, span)
        more = _prove(verdicts, _unproven(reads, proven), proven, span)
        altered += more
        if not more:
            return facts, tuple(altered)


def _unproven(reads: Mapping[str, Iterable[int]], proven: Mapping[str, Days]) -> dict[str, Days]:
    """Zone -> the days that were read, with those compared before, where not all of them were."""
    wide: dict[str, Days] = {}
    for zone, days in reads.items():
        first, last = proven.get(zone, (min(days, default=0), -1))
        if any(not first <= day <= last for day in days):
            wide[zone] = min(first, *days), max(last, *days)
    return wide


def _prove(
    verdicts: Verdicts, days: Mapping[str, Days], proven: dict[str, Days], span: Interval
) -> list[str]:
    """Judge days anew and note them in `proven`; what had been altered, with its zone where it is another."""
    altered: list[str] = []
    for zone, (first, last) in days.items():
        between = verdicts.prove(zone, span.now_ns, (first * DAY_NS, (last + 1) * DAY_NS))
        altered += between if zone == span.zone else [f"zone {zone}: {day}" for day in between]
        proven[zone] = first, last
    return altered
