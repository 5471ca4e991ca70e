"""What the service would have said of the invented record: statements, states of the rules, periods."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from logger.instants import NS
from logger.model import Conformity, Period, RuleState
from tests.dashboard.synthetic_setup import HOUR, NOW, START, rules


def told(at: int, *, out: bool) -> Mapping[str, Mapping[str, Any]]:
    """The newest statement of each zone; `out`: the bay's alarm is not normal."""
    bay = {
        "zone": "machine-bay",
        "name": "Machine bay",
        "at": at,
        "verdict": "stable",
        "reason": "conforming",
        "since": NOW - 5 * HOUR,
        "sentence": "Machine bay is stable. Closest to its limit: span in 24 h, 0.82 of 1.00 K.",
        "next_step": "Nothing to do.",
        "provisional": True,
        "oldest_reading_s": 41.0,
        "rules": states("machine-bay"),
    }
    bench = {
        "zone": "plate-bench",
        "name": "Plate bench",
        "at": at,
        "verdict": "not shown",
        "reason": "indeterminate",
        "since": NOW - 20 * HOUR,
        "sentence": "Plate bench: not shown. P6 is overdue since 2026-10-18.",
        "next_step": "Swap P6 or confirm it.",
        "provisional": False,
        "oldest_reading_s": 41.0,
        "rules": states("plate-bench"),
    }
    if out:
        bay |= {
            "verdict": "not stable",
            "reason": "nonconforming",
            "sentence": "Machine bay is not stable. P1 is at 20.71 °C, limit 20.5 °C.",
        }
    return {"machine-bay": json.loads(json.dumps(bay)), "plate-bench": json.loads(json.dumps(bench))}


def bay_periods() -> list[Period]:
    zone, rule = "machine-bay", "machine-bay.temperature"
    return [
        Period(zone, START, NOW - 8 * HOUR - 240 * NS, "stable", "conforming"),
        Period(zone, NOW - 8 * HOUR - 240 * NS, NOW - 8 * HOUR, "not shown", "guard band", rule, "P1"),
        Period(zone, NOW - 8 * HOUR, NOW - 7 * HOUR, "not stable", "nonconforming", rule, "P1"),
        Period(zone, NOW - 7 * HOUR, NOW - 5 * HOUR, "not stable", "settling", rule),
        Period(zone, NOW - 5 * HOUR, NOW - 4 * HOUR, "stable", "conforming"),
        Period(zone, NOW - 4 * HOUR, NOW - 4 * HOUR + 1200 * NS, "not shown", "indeterminate", rule, "P1"),
        Period(zone, NOW - 4 * HOUR + 1200 * NS, NOW - 600 * NS, "stable", "conforming"),
        Period(zone, NOW - 600 * NS, NOW + 9999 * HOUR, "stable", "conforming", provisional=True),
    ]


def states(zone: str) -> list[dict[str, Any]]:
    values = {
        "machine-bay.temperature": (20.02, 0.1, "P1"),
        "machine-bay.span-1h": (0.21, 0.03, "P2"),
        "machine-bay.span-24h": (0.82, 0.03, "P2"),
        "machine-bay.gradient-vertical": (0.09, 0.14, "P1–P2"),
        "machine-bay.humidity": (46.2, 1.8, "P1"),
        "plate-bench.temperature": (20.33, 0.1, "P5"),
        "plate-bench.span-1h": (0.31, 0.03, "P4"),
        "plate-bench.humidity": (64.1, 1.8, "P4"),
    }
    found = []
    for rule in rules():
        if rule.zone == zone:
            value, U, probe = values[rule.key]
            state = RuleState(
                rule.key,
                rule.name,
                NOW - 60 * NS,
                value,
                U,
                0.1,
                rule.unit,
                rule.lower,
                rule.upper,
                Conformity.GUARD_BAND if value == 64.1 else Conformity.CONFORMING,
                probe,
            )
            found.append({**state.__dict__, "conformity": int(state.conformity)})
    return found
