"""Excursions of a zone as people see them: stored runs joined over days, each with the rule that it broke."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sqlalchemy import select

from ..core.judge.days import DayVerdicts
from ..core.judge.periods import ExcursionRun, excursion, join_runs
from ..core.validity.hours_of_use import Span, asks_disposition
from ..model import Excursion, Rule, Setup
from ..store import Store
from ..store.hot.tables import inspection as inspection_table
from .head import NEVER_NS, Head

# How far around an interval an overlapping excursion is followed: a run may have begun before.
AROUND_DAYS = 31


def excursions_in(
    days: Sequence[DayVerdicts], setup: Setup, store: Store, zone: str, span: tuple[int, int], *, head: Head
) -> list[Excursion]:
    """Excursions of a zone that overlap `span`, [from, to) in ns, unclipped, ascending in time.

    days: stored verdicts from `AROUND_DAYS` before the span to as long after it.
    """
    from_ns, to_ns = span
    runs = join_runs(run for day in days for run in day.runs)
    within = [run for run in runs if run.from_ns < to_ns and run.to_ns > from_ns]
    ruled = [(run, _rule_at(setup, zone, run)) for run in within]
    inspections = _inspections(store, zone)
    return [
        _with_disposition(setup, excursion(run, rule, head.open_from_ns), rule, inspections)
        for run, rule in ruled
        if rule is not None
    ]


def _with_disposition(
    setup: Setup, excursion: Excursion, rule: Rule, inspections: Sequence[Span]
) -> Excursion:
    zone = setup.at(excursion.from_ns).zone(excursion.zone)
    span, clock = (excursion.from_ns, excursion.to_ns), setup.room.timezone
    asks = asks_disposition(zone, clock, span, disturbs=rule.disturbs, inspections=inspections)
    return excursion if asks else replace(excursion, asks_disposition=False)


def _inspections(store: Store, zone: str) -> list[Span]:
    """Intervals of the zone's inspections; one that still runs has no end."""
    t = inspection_table
    with store.read() as conn:
        rows = conn.execute(select(t.c.from_ns, t.c.to_ns).where(t.c.zone == zone)).all()
    return [(r.from_ns, NEVER_NS if r.to_ns is None else r.to_ns) for r in rows]


def _rule_at(setup: Setup, zone: str, run: ExcursionRun) -> Rule | None:
    """The rule as in force at its worst value: a limit may have changed since."""
    parts = [r for r in setup.rules_of(zone) if r.key == run.rule and r.from_ns <= run.worst_ns]
    return parts[-1] if parts else None
