"""The year for the management review (ISO/IEC 17025:2017, 8.9): how much of it each zone was stable,
against the year before; what cost the time that was lost; what came back; what a corrective action changed.

All of it is counted from stored periods and cases; nothing is judged here. Cases in use count, and time is
the union over rules: causes, what is not named and what no case explains are all hours not stable in use.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ..core.judge.cases import before_after, repeated
from ..core.validity.hours_of_use import overlap_ns, spans
from ..inspections.case_record import CaseRecord
from ..inspections.cases import cases_in, figures_of, lost_time
from ..instants import NS, parse, rfc3339, wall
from ..model import Period, Setup
from .reviews import missing, reviews

if TYPE_CHECKING:
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

AROUND_NS = 31 * 86_400 * NS


def year(  # noqa: PLR0917 (what is asked, and what it is asked of)
    store: Store,
    verdicts: Verdicts,
    number: int,
    actions: Sequence[str],
    now_ns: int,
    wanted_reviews: Collection[str],
) -> dict[str, Any]:
    """The summary of a year in the room's time, up to now where it is not over.

    Corrective actions are those of its cases, and of the days in `actions`.
    """
    setup = verdicts.setup
    span, before = _span(setup, number, now_ns), _span(setup, number - 1, now_ns)
    records = cases_in(verdicts, None, *span, now_ns) if span[1] > span[0] else []
    earlier = cases_in(verdicts, None, *before, now_ns) if before[1] > before[0] else []
    zones = [
        _zone(verdicts, zone.key, span, before, now_ns)
        | {"cases": _count(records, zone.key, span), "cases_year_before": _count(earlier, zone.key, before)}
        for zone in setup.zones_now()
    ]
    late = missing(store, setup, wanted_reviews, now_ns)
    days = {day: parse(day, ZoneInfo(setup.room.timezone), "--action") for day in actions}
    return {
        "year": number,
        "from": rfc3339(span[0]),
        "to": rfc3339(span[1] // NS * NS),
        "simulated": store.simulated,
        "zones": zones,
        **_lost(verdicts, records, span, now_ns),
        "repeats": [
            {"case": case.number, "zone": case.zone, "from": rfc3339(case.from_ns)}
            for case in repeated([r.event for r in records])
        ],
        "actions": [
            {"day": day, **change}
            for day, at_ns in {**_days_of_actions(setup, records), **days}.items()
            for change in _changes(verdicts, at_ns, now_ns)
        ],
        "reviews": sum(span[0] <= r.to_ns - 1 < span[1] for r in reviews(store)),
        "reviews_missing": sum(label.startswith(str(number)) for label in late),
    }


def _count(records: Sequence[CaseRecord], zone: str, span: tuple[int, int]) -> int:
    """Cases in use of a zone that began in an interval."""
    begun = [r.case for r in records if r.case.in_use and span[0] <= r.case.from_ns < span[1]]
    return sum(zone in case.zones for case in begun)


def _lost(
    verdicts: Verdicts, records: Sequence[CaseRecord], span: tuple[int, int], now_ns: int
) -> dict[str, Any]:
    """Seconds not stable in hours of use, by cause; the rest belongs to no case."""
    if span[1] <= span[0]:
        return {"not_stable_in_use_s": 0, "causes": [], "no_case_s": 0}
    lost = lost_time(verdicts, records, None, span, now_ns)
    causes = [{"cause": c.cause, "cases": c.cases, "lost_s": c.lost_ns // NS} for c in lost.causes]
    rest = lost.not_stable_ns // NS - sum(c.lost_ns // NS for c in lost.causes)
    return {"not_stable_in_use_s": lost.not_stable_ns // NS, "causes": causes, "no_case_s": rest}


def _days_of_actions(setup: Setup, records: Sequence[CaseRecord]) -> Mapping[str, int]:
    """The instants at which corrective actions of cases were written down, under their day and case."""
    zone = ZoneInfo(setup.room.timezone)
    actions = {r.number: r.work.text_entries.get("corrective_action") for r in records}
    return {
        f"{wall(w.at_ns, zone)[:10]} (case {number})": w.at_ns
        for number, w in actions.items()
        if w and w.text
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
    return {
        "zone": zone,
        "stable": stable_share(periods),
        "stable_year_before": stable_share(earlier),
        "stable_in_use": None if used is None else stable_share(periods, used),
    }


def stable_share(periods: Sequence[Period], used: Sequence[tuple[int, int]] | None = None) -> float | None:
    """Stable time over recorded time, of all hours or of these; None where nothing was recorded."""

    def spent(parts: list[tuple[int, int]]) -> int:
        return sum(b - a for a, b in parts) if used is None else overlap_ns(parts, used)

    whole = spent([(p.from_ns, p.to_ns) for p in periods])
    good = spent([(p.from_ns, p.to_ns) for p in periods if p.verdict == "stable"])
    return good / whole if whole else None


def _changes(verdicts: Verdicts, at_ns: int, now_ns: int) -> Iterator[dict[str, Any]]:
    """Each zone in the 30 days before and after an instant."""
    around = max(0, at_ns - AROUND_NS), min(at_ns + AROUND_NS, now_ns)
    if around[1] <= around[0]:
        return
    cases = [r.case for r in cases_in(verdicts, None, *around, now_ns)]
    periods, used = figures_of(verdicts, None, *around, now_ns)
    for zone in verdicts.setup.zones_now():
        key = zone.key
        yield asdict(before_after(key, cases, periods[key], used[key], at_ns=at_ns, now_ns=now_ns))
