"""The year for the management review (ISO/IEC 17025:2017, 8.9): how much of it each zone was stable,
against the year before; what came back again and again; what a corrective action changed.

All of it is counted from stored periods and excursions; nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..core.validity.hours_of_use import overlap_ns, spans
from ..instants import NS, parse, rfc3339
from ..model import Excursion, Period, Setup
from .reviews import missing, reviews

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

MONTH_NS = 30 * 86_400 * NS
REPEAT = 3  # of one rule within 30 days: common practice, no source


def year(  # noqa: PLR0917 (what is asked, and what it is asked of)
    store: Store,
    verdicts: Verdicts,
    number: int,
    actions: Sequence[str],
    now_ns: int,
    wanted_reviews: Collection[str],
) -> dict[str, Any]:
    """The summary of a year in the room's time, up to now where it is not over."""
    setup = verdicts.setup
    span, before = _span(setup, number, now_ns), _span(setup, number - 1, now_ns)
    zones = [_zone(verdicts, zone.key, span, before, now_ns) for zone in setup.zones_now()]
    excursions = verdicts.excursions(None, *span, now_ns, refresh=False) if span[1] > span[0] else []
    zone_info = ZoneInfo(setup.room.timezone)
    late = missing(store, setup, wanted_reviews, now_ns)
    return {
        "year": number,
        "from": rfc3339(span[0]),
        "to": rfc3339(span[1] // NS * NS),
        "simulated": store.simulated,
        "zones": zones,
        "repeats": list(repeats(excursions)),
        "actions": [
            {"day": day, **change}
            for day in actions
            for change in _changes(verdicts, parse(day, zone_info, "--action"), now_ns)
        ],
        "reviews": sum(span[0] <= r.to_ns - 1 < span[1] for r in reviews(store)),
        "reviews_missing": sum(label.startswith(str(number)) for label in late),
    }


def _span(setup: Setup, number: int, now_ns: int) -> tuple[int, int]:
    zone = ZoneInfo(setup.room.timezone)
    begin, end = (parse(f"{n:04d}-01-01", zone, "year") for n in (number, number + 1))
    return begin, max(begin, min(end, now_ns))


def _zone(
    verdicts: Verdicts, zone: str, span: tuple[int, int], before: tuple[int, int], now_ns: int
) -> dict[str, Any]:
    setup = verdicts.setup
    periods, earlier = (verdicts.periods(zone, *s, now_ns) if s[1] > s[0] else [] for s in (span, before))
    hours = setup.zone(zone).hours_of_use
    used = None if hours is None else spans(hours, setup.room.timezone, *span)
    counts = [
        len(verdicts.excursions(zone, *s, now_ns, refresh=False)) if s[1] > s[0] else 0
        for s in (span, before)
    ]
    return {
        "zone": zone,
        "stable": stable_share(periods),
        "stable_year_before": stable_share(earlier),
        "stable_in_use": None if used is None else stable_share(periods, used),
        "excursions": counts[0],
        "excursions_year_before": counts[1],
    }


def stable_share(periods: Sequence[Period], used: Sequence[tuple[int, int]] | None = None) -> float | None:
    """Stable time over recorded time, of all hours or of these; None where nothing was recorded."""

    def spent(parts: list[tuple[int, int]]) -> int:
        return sum(b - a for a, b in parts) if used is None else overlap_ns(parts, used)

    whole = spent([(p.from_ns, p.to_ns) for p in periods])
    good = spent([(p.from_ns, p.to_ns) for p in periods if p.verdict == "stable"])
    return good / whole if whole else None


def repeats(excursions: Sequence[Excursion]) -> Iterator[dict[str, Any]]:
    """Runs of three or more excursions of one rule in which each three in a row began within 30 days."""
    rules: dict[tuple[str, str], list[Excursion]] = {}
    for e in excursions:
        rules.setdefault((e.zone, e.rule), []).append(e)
    for (zone, rule), of_rule in sorted(rules.items()):
        for run in _dense(of_rule):
            yield {
                "zone": zone,
                "rule": rule,
                "times": len(run),
                "from": rfc3339(run[0].from_ns),
                "to": rfc3339(run[-1].to_ns),
            }


def _dense(excursions: Sequence[Excursion]) -> Iterator[list[Excursion]]:
    run: list[Excursion] = []
    for i in range(len(excursions) - REPEAT + 1):
        near = excursions[i + REPEAT - 1].from_ns - excursions[i].from_ns <= MONTH_NS
        if near:
            run += excursions[i : i + REPEAT] if not run else [excursions[i + REPEAT - 1]]
        elif run:
            yield run
            run = []
    if run:
        yield run


def _changes(verdicts: Verdicts, at_ns: int, now_ns: int) -> Iterator[dict[str, Any]]:
    """Each zone in the 30 days before and after an instant."""
    for zone in verdicts.setup.zones_now():
        excursions = verdicts.excursions(zone.key, at_ns - MONTH_NS, min(at_ns + MONTH_NS, now_ns), now_ns)
        yield {"zone": zone.key, **before_after(excursions, at_ns)}


def before_after(excursions: Sequence[Excursion], at_ns: int) -> dict[str, Any]:
    """Number and hours of excursions in the 30 days before an instant and after it; parts count as parts."""
    totals: dict[str, Any] = {}
    for name, begin, end in (("before", at_ns - MONTH_NS, at_ns), ("after", at_ns, at_ns + MONTH_NS)):
        inside = [e for e in excursions if begin <= e.from_ns < end]
        spent = sum(max(0, min(e.to_ns, end) - max(e.from_ns, begin)) for e in excursions)
        totals[f"excursions_{name}"] = len(inside)
        totals[f"hours_{name}"] = spent / NS / 3600
    return totals
