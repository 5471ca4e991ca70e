"""Where a zone is heading: minutes to a limit at the present rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from ..instants import NS
from ..model import Rule
from .context import Opened, opened
from .options import DEFAULT_DATA, Config, Data, Json, Zone
from .output import answer, table

if TYPE_CHECKING:
    from ..core.judge.forecast import Gain, Line


def add_to(app: typer.Typer) -> None:
    app.command("forecast", short_help="Minutes to a limit at the present rate.")(forecast)


def forecast(*, zone: Zone, data: Data = DEFAULT_DATA, config: Config = None, as_json: Json = False) -> None:
    """Say when each probe will leave its limits at the rate of the last hour, with an interval.

    It speaks only where forecasts of the last week were better than "it stays as it is" on this room's own
    record, and where the slope proves what it says. It is a help for planning: it never counts as an
    excursion, raises no alarm, and knows nothing of what a person may do meanwhile.

    \b
    Example:
      stillroom forecast --zone machine-bay
    """
    with opened(data, config) as found:
        found.setup.zone(zone)
        rows = _rows(found, zone)
    heads = ("probe", "now", "per_hour", "limit", "minutes", "earliest", "latest", "forecast")
    shown = [[row[h] for h in heads] for row in rows]
    answer(rows, as_json, [_first(rows), "", *table(heads, shown)])


def _first(rows: list[dict[str, Any]]) -> str:
    if any(row["minutes"] is not None for row in rows):
        return "Forecast:"
    if rows and all(row["stays_within"] for row in rows):
        return "No limit is expected to be reached within 60 min."
    return "No forecast: nothing is proven by the last hour, or by how earlier forecasts did."


def _rows(found: Opened, zone: str) -> list[dict[str, Any]]:
    from ..core.judge.forecast import WINDOW_MIN, line

    verdicts, now_ns = found.verdicts(), found.now_ns
    gains = verdicts.forecast_gains(zone, now_ns)
    rules = [r for r in found.setup.rules_of(zone) if r.kind == "limit" and r.from_ns <= now_ns]
    rules = [r for r in rules if r.to_ns is None or r.to_ns > now_ns]
    rows = []
    for rule in rules:
        for channel in (c for c in found.setup.channels_of(rule) if c in found.setup.channels):
            taken, reading = verdicts.corrected_readings(channel, now_ns - WINDOW_MIN * 60 * NS, now_ns)
            minute = (taken - now_ns) / (60 * NS)
            known = gains.get((rule.key, channel))
            rows.append(_row(channel, rule, known, line(minute, reading.value)))
    return rows


def _row(channel: str, rule: Rule, known: Gain | None, found: Line | None) -> dict[str, Any]:
    from ..core.judge.forecast import crossing, stays_within
    from ..core.judge.outlook import skill_text

    speaks = found is not None and known is not None and known.speaks
    ahead = crossing(found, rule.lower, rule.upper) if speaks and found is not None else None
    within = speaks and found is not None and stays_within(found, rule.lower, rule.upper)
    return {
        "probe": channel,
        "forecast": skill_text({} if known is None else {(rule.key, channel): known}),
        "stays_within": within,
        "now": None if found is None else round(found.level, 2),
        "per_hour": None if found is None else round(found.slope * 60, 2),
        "limit": None if ahead is None else ahead.limit,
        "minutes": None if ahead is None else round(ahead.minutes),
        "earliest": None if ahead is None else round(ahead.earliest),
        "latest": None if ahead is None or ahead.latest is None else round(ahead.latest),
    }
