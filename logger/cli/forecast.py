"""Where a zone is heading: minutes to a limit at the present rate."""

from __future__ import annotations

from typing import Any

import typer

from ..model import NS
from .opening import Opened, opened
from .options import DEFAULT_DATA, Config, Data, Json, Zone
from .printing import answer, table


def add_to(app: typer.Typer) -> None:
    app.command("forecast", short_help="Minutes to a limit at the present rate.")(forecast)


def forecast(*, zone: Zone, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Say when each probe will leave its limits at the rate of the last hour, with an interval.

    It is a help for planning: it never counts as an excursion, raises no alarm, and knows nothing of what a
    person may do meanwhile. How far it can be trusted is measured by `stillroom bench forecast`.

    \b
    Example:
      stillroom forecast --zone machine-bay
    """
    with opened(data, config) as found:
        found.setup.zone(zone)
        rows = _rows(found, zone)
    heads = ("probe", "now", "per_hour", "limit", "minutes", "earliest", "latest")
    shown = [[row[h] for h in heads] for row in rows]
    first = (
        "At this rate:"
        if any(r["minutes"] is not None for r in rows)
        else "Nothing leads to a limit within an hour."
    )
    answer(rows, as_json, [first, "", *table(heads, shown)])


def _rows(found: Opened, zone: str) -> list[dict[str, Any]]:
    from ..forecast import WINDOW_MIN

    verdicts, now_ns = found.verdicts(), found.now_ns
    rules = [r for r in found.setup.rules_of(zone) if r.kind == "limit" and r.from_ns <= now_ns]
    rules = [r for r in rules if r.to_ns is None or r.to_ns > now_ns]
    rows = []
    for rule in rules:
        for channel in (c for c in found.setup.channels_of(rule) if c in found.setup.channels):
            taken, reading = verdicts.corrected(channel, now_ns - WINDOW_MIN * 60 * NS, now_ns)
            minute = (taken - now_ns) / (60 * NS)
            rows.append(_row(channel, rule.lower, rule.upper, minute, reading.value))
    return rows


def _row(channel: str, lower: float | None, upper: float | None, minute: Any, value: Any) -> dict[str, Any]:
    from ..forecast import crossing, line

    found = line(minute, value)
    ahead = None if found is None else crossing(found, lower, upper)
    return {
        "probe": channel,
        "now": None if found is None else round(found.level, 2),
        "per_hour": None if found is None else round(found.slope * 60, 2),
        "limit": None if ahead is None else ahead.limit,
        "minutes": None if ahead is None else round(ahead.minutes),
        "earliest": None if ahead is None else round(ahead.earliest),
        "latest": None if ahead is None or ahead.latest is None else round(ahead.latest),
    }
