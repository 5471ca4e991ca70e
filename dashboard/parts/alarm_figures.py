"""The card with the figures of the alarms, for page Excursions."""

from __future__ import annotations

from dash.development.base_component import Component

from logger.core.alarms.performance import change_of, performance_figures
from logger.instants import NS

from ..data.queries import Queries
from ..data.words import age
from .components import card, table

DAYS = 30
LOST_SIGHT = {"evidence": "silent probes", "suspect": "probes in doubt"}


def alarms_card(q: Queries) -> Component:
    """How the alarms of the last 30 days did their work."""
    now = q.now_ns()
    entries = q.source.store.journal.entries(kind="alarm")
    changes = [c for e in entries if (c := change_of(e.at_ns, e.who, e.what))]
    performance = performance_figures(changes, now - DAYS * 86_400 * NS, now)
    half, longest = performance.to_acknowledge_s, performance.longest_to_acknowledge_s or 0
    reaction = "none yet" if half is None else f"median {age(half)}, longest {age(longest)}"
    lines = {
        "raised": f"{performance.raised}, {performance.per_day:g} a day",
        "acknowledged": f"{performance.acknowledged}; {reaction}",
        "most often": ", ".join(f"{alarm_label(q, alarm)} ({n})" for alarm, n in performance.top) or "none",
        "repeated 3 times in 1 h": ", ".join(alarm_label(q, alarm) for alarm in performance.chattering)
        or "none",
        "active longer than 24 h": ", ".join(alarm_label(q, alarm) for alarm in performance.stale) or "none",
        "more than 10 in 10 min": str(performance.floods),
    }
    rows = [[*row] for row in lines.items()]
    found_rows = table(["alarms", "figure"], rows, "From the journal")
    return card(f"Alarms of the last {DAYS} days", found_rows, folds=True)


def alarm_label(q: Queries, alarm: str) -> str:
    """An alarm by its place and what it is about, instead of its key."""
    spec = next((s for s in q.setup.alarms if s.key == alarm), None)
    rule = next((r for r in q.setup.rules if spec and r.key == spec.rule), None)
    if rule is not None:
        return f"{q.zone(rule.zone).name}, {rule.name}"
    place, _, what = alarm.partition(".")
    zones = {key: zone.name for key, zone in q.setup.zones.items()}
    where = zones.get(place, q.room.name if place == "system" else place)
    return f"{where} {LOST_SIGHT.get(what, what.replace('_', ' ').replace('-', ' '))}"
